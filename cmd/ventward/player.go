package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"

	"ventward/config"
	"ventward/daq"
	"ventward/store"
)

// errNoSetup tells that a record does not begin with its bench description.
var errNoSetup = errors.New("the record does not begin with a bench description: it is damaged or was not written by this program")

// play runs a stored run's entries through a fresh engine, in their order, with
// the recorded bench description or another (nil: the recorded). each sees
// every entry with what it led to. Outputs are not constructed: demands are
// only looked at.
func play(rd *store.Reader, other *config.Bench, each func(en *daq.Entry, out *outcome, e *engine) error) (setup, error) {
	s, e, err := recordedEngine(rd, other)
	if err != nil {
		return s, err
	}
	return s, playOn(rd, e, each)
}

// errEmpty is the reason where a run holds no entry: it was ended while it began,
// or is beginning.
var errEmpty = errors.New("nothing was recorded in it: it ended as it began; choose another run")

// firstEntry is the entry that a record begins with.
func firstEntry(rd *store.Reader) (daq.Entry, error) {
	first, err := rd.Next()
	if errors.Is(err, io.EOF) {
		return first, fmt.Errorf("run %s: %w", rd.Meta().ID, errEmpty)
	}
	if err != nil {
		return first, fmt.Errorf("first entry: %w", err)
	}
	return first, nil
}

// recordedEngine is the engine with which a stored run began: it has taken
// nothing yet.
func recordedEngine(rd *store.Reader, other *config.Bench) (s setup, e *engine, err error) {
	first, err := firstEntry(rd)
	if err != nil {
		return s, nil, err
	}
	if first.Kind != daq.EntryConfig {
		return s, nil, errNoSetup
	}
	if err := json.Unmarshal(first.Body, &s); err != nil || s.Bench == nil {
		return s, nil, errors.Join(errNoSetup, err)
	}
	if other != nil {
		s.Bench, s.Guard, s.Condition = other, nil, nil
	}
	if e, err = newEngine(s); err != nil {
		return s, nil, fmt.Errorf("bench description of the record: %w", err)
	}
	return s, e, nil
}

// playOn feeds an engine the entries that are left.
func playOn(rd *store.Reader, e *engine, each func(en *daq.Entry, out *outcome, e *engine) error) error {
	for {
		en, err := rd.Next()
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
		if err := each(&en, e.take(&en), e); err != nil {
			return err
		}
	}
}
