package main

import (
	"sync/atomic"

	"ventward/daq"
	"ventward/store"
	"ventward/stream"
)

// show gives viewers what an entry led to. Only a run's events are shown: what
// happens while nothing is recorded is told by alarms, and an opening begins a
// run of its own.
func (l *loop) show(out *outcome, live bool) {
	for _, ch := range l.eng.touched {
		l.hub.Samples(ch, l.eng.samples[ch])
	}
	for i := range out.Alarms {
		l.hub.Alarm(out.Alarms[i])
	}
	if live {
		for i := range out.Events {
			l.hub.Event(out.Events[i])
		}
	} else if l.rec == nil {
		l.promote(out)
	}
	if out.Moved {
		l.publish(l.time.Now())
	}
}

// publish tells viewers the state of the bench.
func (l *loop) publish(now int64) {
	l.shown = now
	s := l.state(now)
	l.status.Store(s)
	l.hub.State(*s)
}

func (l *loop) state(now int64) *stream.State {
	s := picture{bench: l.bench, eng: l.eng, simulated: l.simulated, heart: l.heart}.state(now, l.utc(now))
	s.LoopLagS, s.Refused = seconds(l.lag), l.in.refused.Load()+l.fit.refused.Load()
	if r := l.rec; r != nil {
		if !r.unasked {
			l.left = nil
		}
		s.Run = &stream.RunState{ID: r.meta.ID, Specimen: r.meta.Specimen, Lot: r.meta.Lot, Shot: r.meta.Shot, Start: r.armed, StartUTC: l.utc(r.armed)}
	}
	s.CutShort = l.left
	l.showLines(s, now)
	l.showRecord(s, now)
	l.showForward(s)
	return s
}

func (l *loop) showLines(s *stream.State, now int64) {
	for i, ln := range l.lines {
		h := ln.health()
		st := stream.LineState{Name: ln.inst.Name, Up: h.up, Reason: h.why, Counters: h.counters, Settled: l.eng.stamps[i].Settled,
			ClockU: seconds(l.eng.stamps[i].UNS), Checked: checked(ln)}
		if at := l.eng.lastAt[i]; at != 0 {
			st.AgeS = seconds(now - at)
		}
		s.Lines = append(s.Lines, st)
	}
}

// checked tells whether the protocol has a checksum.
func checked(ln *line) bool {
	switch in := &ln.inst; {
	case in.Line != nil:
		return in.Line.HasChecksum()
	case in.Query != nil:
		return in.Query.HasChecksum()
	}
	return true
}

// recordHealth is what the loop last knew of the run's file.
type recordHealth struct {
	looked int64
	store.Health
	free atomic.Uint64
	bad  bool
	told bool // that it is bad or good
}

// lagS is the age of the oldest entry that is not yet safe on disk.
func (h *recordHealth) lagS(now int64) float64 {
	if !h.Waiting {
		return 0
	}
	return seconds(now - h.Oldest)
}

func (l *loop) showRecord(s *stream.State, now int64) {
	h := &l.health
	s.Record = stream.RecordState{Recording: l.rec != nil, LagS: h.lagS(now), Lost: h.Lost, FreeBytes: h.free.Load()}
	if h.Err != nil {
		s.Record.Error = h.Err.Error()
	}
	if l.rec != nil {
		s.Record.Run = l.rec.meta.ID
	}
}

// watchRecord looks at the record's health a few times a second; when it goes
// bad or good again, that is an entry, for it raises an alarm.
func (l *loop) watchRecord(now int64) {
	h := &l.health
	if now-h.looked < int64(500e6) {
		return
	}
	h.looked = now
	l.askSpace()
	if l.rec != nil {
		h.Health = l.rec.run.Health()
	} else {
		h.Health = l.idle.Health()
	}
	bad := h.Err != nil
	if bad == h.bad && h.told {
		return
	}
	h.bad, h.told = bad, true
	args := map[string]string{"ok": "true"}
	if bad {
		args = map[string]string{"ok": "false", "reason": h.Err.Error()}
		l.log.Error().Err(h.Err).Msg("the record can't be written; monitoring goes on")
	}
	l.step(message{entry: daq.Entry{Kind: daq.EntryCommand, Command: &daq.Command{Verb: "recording", Who: "program", Args: args}}})
}

// askSpace has the free space looked at beside the loop: a network share may
// let it wait.
func (l *loop) askSpace() {
	select {
	case l.work <- func() {
		if free, err := store.SpaceLeft(l.store.Dir()); err == nil {
			l.health.free.Store(free)
		}
	}:
	default:
	}
}

func seconds(ns int64) float64 { return float64(ns) * 1e-9 }
