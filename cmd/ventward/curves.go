package main

import (
	"context"
	"fmt"
	"math"

	"ventward/daq"
	"ventward/dashboard"
	"ventward/store"
)

// curvesOf plays a run for the picture of a stretch of it, from and to in s from
// its time zero (NaN: as far as it was recorded).
func curvesOf(ctx context.Context, st *store.Store, id string, from, to float64, bins int) (*dashboard.Curves, error) {
	c := &dashboard.Curves{Run: id, From: from, To: to, Bins: bins}
	if math.IsNaN(from) || math.IsNaN(to) {
		all, err := recordedSpan(ctx, st, id)
		if err != nil {
			return nil, err
		}
		if math.IsNaN(from) {
			c.From = all.first
		}
		if math.IsNaN(to) {
			c.To = all.last
		}
		if !(c.From < c.To) {
			return nil, &dashboard.Refusal{Reason: fmt.Sprintf("run %s was recorded from %.3f s to %.3f s", id, all.first, all.last), Next: "ask for a stretch of that time"}
		}
	}
	rd, err := st.Reader(id)
	if err != nil {
		return nil, err
	}
	defer rd.Close()
	zero := rd.Meta().Start
	s, e, err := recordedEngine(rd, nil)
	if err != nil {
		return nil, err
	}
	c.Channels = s.Bench.Channels
	c.Traces = envelopes(c.Channels, c.From, c.To, bins)
	all := newSpan()
	err = playOn(rd, e, func(_ *daq.Entry, _ *outcome, e *engine) error {
		all.take(e, zero)
		for _, ch := range e.touched {
			addTo(c.Traces[ch], e.samples[ch], zero)
		}
		return ctx.Err()
	})
	if all.first <= all.last {
		c.First, c.Last = all.first, all.last
	}
	return c, err
}

// A span is the time of a run's first and last samples, s from its time zero.
type span struct{ first, last float64 }

func newSpan() span { return span{math.Inf(1), math.Inf(-1)} }

// take sees the samples that an entry led to.
func (s *span) take(e *engine, zero int64) {
	for _, ch := range e.touched {
		if x := e.samples[ch]; len(x) > 0 {
			s.first = math.Min(s.first, seconds(x[0].T-zero))
			s.last = math.Max(s.last, seconds(x[len(x)-1].T-zero))
		}
	}
}

// recordedSpan plays a run for its span; without any sample it is one second
// from time zero.
func recordedSpan(ctx context.Context, st *store.Store, id string) (span, error) {
	rd, err := st.Reader(id)
	if err != nil {
		return span{}, err
	}
	defer rd.Close()
	all, zero := newSpan(), rd.Meta().Start
	_, err = play(rd, nil, func(_ *daq.Entry, _ *outcome, e *engine) error {
		all.take(e, zero)
		return ctx.Err()
	})
	if all.first > all.last {
		all = span{0, 1}
	}
	return all, err
}
