package main

import (
	"context"

	"ventward/daq"
	"ventward/dashboard"
	"ventward/guard"
	"ventward/store"
	"ventward/stream"
)

// A chronicler gathers what happens in a run that is played: what persons asked
// for, what alarms, trips and the course of the test became, and what was
// demanded of outputs.
type chronicler struct {
	notes  []stream.Note
	alarms map[int]guard.Alarm // by id: the newest
	phase  guard.Phase
	trips  []guard.Trip
	on     []bool // by output: demanded
	heart  int
}

// newChronicler begins with what stood when the record began, which is not told.
func newChronicler(e *engine) *chronicler {
	c := &chronicler{alarms: map[int]guard.Alarm{}, trips: e.judge.Trips(), on: make([]bool, len(e.bench.Outputs))}
	c.phase, _ = e.judge.Phase()
	c.heart, _, _ = e.judge.Heartbeat()
	for _, a := range e.judge.Alarms() {
		c.alarms[a.ID] = a
	}
	for i := range c.on {
		c.on[i] = e.judge.Output(i).Want
	}
	return c
}

// take sees what an entry led to: the command first, then what came of it.
func (c *chronicler) take(en *daq.Entry, out *outcome, e *engine) {
	if en.Kind == daq.EntryCommand {
		if n, ok := stream.CommandNote(*en.Command, out.Refusal, en.At); ok {
			c.note(n)
		}
	}
	for i := range out.Alarms {
		a := out.Alarms[i]
		var was *guard.Alarm
		if old, ok := c.alarms[a.ID]; ok {
			was = &old
		}
		if n, ok := stream.AlarmNote(was, &a); ok {
			c.note(n)
		}
		c.alarms[a.ID] = a
	}
	if out.Moved {
		c.course(en.At, e)
	}
	for _, d := range out.Demands {
		if d.Output == c.heart || c.on[d.Output] == d.On {
			continue
		}
		c.on[d.Output] = d.On
		what := "off"
		if d.On {
			what = "on"
		}
		c.note(stream.Note{At: en.At, Kind: stream.NoteOutput, What: what, Subject: e.bench.Outputs[d.Output].Name})
	}
}

func (c *chronicler) course(at int64, e *engine) {
	phase, _ := e.judge.Phase()
	trips := e.judge.Trips()
	for _, n := range stream.CourseNotes(string(c.phase), string(phase), c.trips, trips, at) {
		c.note(n)
	}
	c.phase, c.trips = phase, trips
}

func (c *chronicler) note(n stream.Note) {
	n.N = uint64(len(c.notes) + 1)
	c.notes = append(c.notes, n)
}

// journalOf plays a run for its journal.
func journalOf(ctx context.Context, st *store.Store, id string) (*dashboard.Journal, error) {
	rd, err := st.Reader(id)
	if err != nil {
		return nil, err
	}
	defer rd.Close()
	s, e, err := recordedEngine(rd, nil)
	if err != nil {
		return nil, err
	}
	c := newChronicler(e)
	err = playOn(rd, e, func(en *daq.Entry, out *outcome, e *engine) error {
		c.take(en, out, e)
		return ctx.Err()
	})
	if err != nil {
		return nil, err
	}
	m := rd.Meta()
	return &dashboard.Journal{Run: id, Start: m.Start, StartUTC: m.StartUTC(), Algorithm: algorithm, Recorded: s.Algorithm, Notes: c.notes}, nil
}
