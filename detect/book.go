package detect

import (
	"slices"

	"ventward/daq"
)

// bookMax bounds the records kept for revision; older ones are final.
const bookMax = 256

// A record is an event with what is needed to revise it.
type record struct {
	ev      Event
	w       *watch        // windows still wanted; nil: none
	guess   int64         // onset as the trigger had it, before any fit, ns
	slack   int64         // how far the true onset may be from the guess, ns
	seat    daq.ChannelID // the channel that gives the figures
	fitted  bool          // a finding has come
	final   bool          // the last finding has come
	shape   Kind          // what inputs, validity or shape say; empty: nothing yet
	fastest float64       // steepest fall seen after the onset, Pa/s
	halt    bool          // it may be that the ramp stopped
	quiet   bool          // not issued: a candidate that turned out to be nothing
}

// A book keeps the events in the order they were decided.
type book struct {
	recs    []*record
	first   int // events dropped from the front
	out     []Event
	dropped uint64 // records dropped because the book was full
}

// open makes the next event. It is not told to anybody before issue.
func (b *book) open(k Kind, c *channel, onset, decided int64) *record {
	r := &record{ev: Event{
		ID: b.first + len(b.recs) + 1, Kind: k, Channel: c.id, Decided: decided,
		Index: c.count - 1, Onset: onset, Reference: c.cfg.Reference,
	}}
	r.ev.Channels = []daq.ChannelID{c.id}
	r.seat, r.guess = c.id, onset
	b.recs = append(b.recs, r)
	if len(b.recs) > bookMax {
		b.recs = slices.Delete(b.recs, 0, bookMax/4)
		b.first += bookMax / 4
		b.dropped += bookMax / 4
	}
	return r
}

// from is how far a time is from the event's onset, as it is known or as the
// trigger had it, ns: sensors of one opening see it alike, not as a fit does.
func (r *record) from(t int64) int64 {
	return min(max(t-r.ev.Onset, r.ev.Onset-t), max(t-r.guess, r.guess-t))
}

// at returns the record of event id; nil if there is none any more.
func (b *book) at(id int) *record {
	i := id - 1 - b.first
	if i < 0 || i >= len(b.recs) {
		return nil
	}
	return b.recs[i]
}

// issue tells of a new event.
func (b *book) issue(r *record) {
	r.ev.Rev = 1
	b.out = append(b.out, snapshot(&r.ev))
}

// revise tells of an event's new revision.
func (b *book) revise(r *record) {
	if r.quiet {
		return
	}
	if r.ev.Rev == 0 {
		b.issue(r)
		return
	}
	r.ev.Rev++
	b.out = append(b.out, snapshot(&r.ev))
}

// snapshot copies an event so that later revisions don't reach into it.
func snapshot(e *Event) Event {
	c := *e
	c.Channels = slices.Clone(e.Channels)
	c.Flags = slices.Clone(e.Flags)
	if e.Absent != nil {
		c.Absent = make(map[string]string, len(e.Absent))
		for k, v := range e.Absent {
			c.Absent[k] = v
		}
	}
	for _, p := range []**float64{&c.PressurePa, &c.PressureUPa, &c.FitDof, &c.PeakPa, &c.PeakLossPa, &c.DropPa, &c.RampPaS,
		&c.TauS, &c.AreaM2, &c.AreaUM2, &c.AreaLowerM2, &c.RatePaS, &c.StepPa, &c.DipC} {
		*p = clone(*p)
	}
	c.OnsetU, c.StartU = clone(e.OnsetU), clone(e.StartU)
	return c
}

func clone[T any](p *T) *T {
	if p == nil {
		return nil
	}
	v := *p
	return &v
}

func ptr[T any](v T) *T { return &v }

// flag sets a flag once.
func (e *Event) flag(f Flag) {
	if !e.Has(f) {
		e.Flags = append(e.Flags, f)
	}
}

// without says why a figure is absent.
func (e *Event) without(field, reason string) {
	if e.Absent == nil {
		e.Absent = make(map[string]string)
	}
	e.Absent[field] = reason
}

// prolong moves the end of event id on; it is told with the next revision.
func (b *book) prolong(id int, end int64) {
	if r := b.at(id); r != nil && end > r.ev.End {
		r.ev.End = end
	}
}
