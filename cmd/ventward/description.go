package main

import (
	"bytes"
	"context"
	"crypto/sha256"
	"os"
	"sync/atomic"
	"time"
)

// descriptionEvery is how often the bench description's file is looked at.
const descriptionEvery = 2 * time.Second

// A description watches the file that a bench was read from. What runs, and
// what the record holds, is what was read at the start: a change is told, and
// has no other effect.
type description struct {
	path string
	sum  []byte
	why  atomic.Pointer[string] // nil or empty: unchanged
}

// watchedDescription notes what the file holds before it is read; nil where
// there is none.
func watchedDescription(path string) *description {
	d := &description{path: path}
	var err error
	if d.sum, err = sumFile(path); err != nil {
		return nil // reading it will fail too, and says so
	}
	return d
}

func sumFile(path string) ([]byte, error) {
	data, err := os.ReadFile(path)
	if err != nil {
		return nil, err
	}
	sum := sha256.Sum256(data)
	return sum[:], nil
}

func (d *description) run(ctx context.Context) {
	t := time.NewTicker(descriptionEvery)
	defer t.Stop()
	for {
		select {
		case <-t.C:
			why := d.look()
			d.why.Store(&why)
		case <-ctx.Done():
			return
		}
	}
}

func (d *description) look() string {
	sum, err := sumFile(d.path)
	switch {
	case err != nil:
		return err.Error()
	case !bytes.Equal(sum, d.sum):
		return d.path + " was changed after it was read"
	}
	return ""
}

// changed says what is wrong with the file; empty: nothing.
func (d *description) changed() string {
	if why := d.why.Load(); why != nil {
		return *why
	}
	return ""
}
