package main

import (
	"time"

	"ventward/store"
	"ventward/stream"
)

// A replayWish is what a viewer of a replay asks for.
type replayWish struct {
	verb  string        // play, pause or go
	speed *float64      // of play; nil: as before; 0: as fast as possible
	to    int64         // of go: bench time, ns
	done  chan struct{} // told when it was taken; holds one
}

// A pacer says when it is time for the next entry of a replay.
type pacer struct {
	speed  float64 // bench time to the clock's; 0: as fast as possible
	paused bool
	skip   int64 // bench time up to which nothing is waited for
	over   bool  // the record has ended
	wishes chan replayWish

	begun  bool
	origin time.Time // when bench time mark was reached
	mark   int64
	at     int64 // bench time of the newest entry
}

func newPacer(speed float64) pacer { return pacer{speed: speed, wishes: make(chan replayWish)} }

// start begins a pass over a run whose time zero is zero.
func (p *pacer) start(zero int64) {
	p.over, p.origin, p.at = false, time.Time{}, 0
	if !p.begun {
		p.begun, p.skip = true, zero-leadNS
	}
}

// wait is how long to wait after an entry of bench time at.
func (p *pacer) wait(at int64, now time.Time) time.Duration {
	if p.at = at; at < p.skip {
		p.origin = time.Time{}
		return 0
	}
	if p.paused {
		p.origin = time.Time{}
		return time.Hour
	}
	if p.speed == 0 {
		return 0
	}
	if p.origin.IsZero() {
		p.origin, p.mark = now, at
	}
	return p.origin.Add(time.Duration(float64(at-p.mark) / p.speed)).Sub(now)
}

// obey takes a wish; true: the run must be played again from its beginning.
func (p *pacer) obey(w replayWish, now time.Time) bool {
	p.origin = time.Time{}
	switch w.verb {
	case "pause":
		p.paused = true
	case "play":
		if p.paused = false; w.speed != nil {
			p.speed = *w.speed
		}
		if p.over { // what has ended plays from its beginning
			p.begun = false
			return true
		}
	case "go":
		p.skip = w.to
		return w.to < p.at
	}
	return false
}

// state is how a replay plays, for viewers.
func (p *pacer) state(at int64, m *store.Meta) *stream.ReplayState {
	return &stream.ReplayState{Speed: p.speed, Paused: p.paused, Over: p.over, At: at, End: m.Start + int64(lasts(m)*1e9)}
}
