package main

import (
	"fmt"
	"math"
	"sync/atomic"

	"ventward/daq"
	"ventward/guard"
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
	e := l.eng
	phase, since := e.judge.Phase()
	s := &stream.State{Bench: l.bench.Name, Rig: string(l.bench.Detect.Rig), Simulated: l.simulated, Now: now, NowUTC: l.utc(now), Phase: string(phase), PhaseAt: since,
		Trips: e.judge.Trips(), LoopLagS: seconds(l.lag), Refused: l.in.refused.Load() + l.fit.refused.Load()}
	if r := l.rec; r != nil {
		s.Run = &stream.RunState{ID: r.meta.ID, Specimen: r.meta.Specimen, Lot: r.meta.Lot, Shot: r.meta.Shot, Start: r.armed, StartUTC: l.utc(r.armed)}
	}
	l.showOutputs(s, now)
	l.showSensors(s, now)
	l.showLines(s, now)
	l.showRecord(s, now)
	l.showPressure(s)
	l.showForward(s)
	l.showCourse(s)
	s.Cautions = l.cautions(s)
	return s
}

func (l *loop) showOutputs(s *stream.State, now int64) {
	for i, o := range l.bench.Outputs {
		if o.Heartbeat {
			_, last, why := l.eng.judge.Heartbeat()
			s.Watchdog = stream.WatchdogState{Present: true, Last: last, Why: why}
			v := l.eng.judge.Output(i)
			period := int64(l.bench.HeartbeatS * 1e9)
			s.Watchdog.Beating = why == "" && v.State != daq.OutputUnknown && now-last < 2*period+int64(200e6)
			continue
		}
		v := l.eng.judge.Output(i)
		s.Outputs = append(s.Outputs, stream.OutputState{Name: o.Name, Role: o.Role, Demanded: v.Want, State: v.State, Since: v.Since, Agrees: v.Agrees, Reason: v.Why})
	}
}

func (l *loop) showSensors(s *stream.State, now int64) {
	for i := range l.bench.Channels {
		c := &l.bench.Channels[i]
		st := stream.SensorState{Name: c.Name, Role: c.Role, Quantity: c.Quantity, Reference: c.Reference, Low: c.Low, High: c.High,
			RateHz: l.bench.Instruments[c.Instrument].RateHz, Due: c.CalDue, Zeroed: c.Zeroed, Quality: "no reading yet", Noise: l.eng.watch.NoisePa(daq.ChannelID(i))}
		if n := &l.eng.newest[i]; n.T != 0 {
			st.At, st.AgeS, st.Quality = n.T, seconds(now-n.T), n.Q.String()
			if !math.IsNaN(n.V) {
				v := n.V
				u := 2 * c.Curve.U(v)
				st.Value, st.U = &v, &u
			}
		}
		s.Sensors = append(s.Sensors, st)
	}
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

func (l *loop) showPressure(s *stream.State) {
	for i := range l.bench.Detect.Features {
		f := &l.bench.Detect.Features[i]
		s.Features = append(s.Features, stream.FeatureState{Name: f.Name, LowPa: f.LowPa, HighPa: f.HighPa})
	}
	e := l.eng
	if e.peak.have {
		p, ramp := e.peak.max, e.peak.rampPaS
		s.PeakPa, s.RampPaS = &p, &ramp
		if e.main >= 0 && ramp > 0 {
			loss := peakLoss(&l.bench.Channels[e.main], l.bench.Instruments[l.bench.Channels[e.main].Instrument].RateHz, ramp)
			s.PeakLoss = &loss
		}
	}
	for _, r := range l.bench.Guard.Rules {
		if r.Kind != guard.LimitHigh || len(r.Trip) == 0 || len(r.Channels) == 0 || !l.bench.Channels[r.Channels[0]].IsPressure() {
			continue
		}
		if v := r.Limit; s.TripPa == nil || v < *s.TripPa {
			s.TripPa = &v
		}
	}
}

// peakLoss is what lag, line delay and sampling may hide of a peak on a steady
// ramp, one-sided, Pa: ramp x (period + lag + delay).
func peakLoss(c *daq.Channel, rateHz, rampPaS float64) float64 {
	t := c.LagS + c.DelayS
	if rateHz > 0 {
		t += 1 / rateHz
	}
	return rampPaS * t
}

// showCourse tells what arming and the pressure watch wait for, and of a
// specimen that did not open.
func (l *loop) showCourse(s *stream.State) {
	j := l.eng.judge
	if p := guard.Phase(s.Phase); p == guard.AtRest || p == guard.Preparing {
		s.Guards = j.Guards()
	} else if p == guard.PressureWatch {
		s.Waits = j.Watch()
	}
	if h, ok := j.Held(); ok {
		s.Held = &h
	}
	s.Load, s.Names = j.Load(), j.Names()
}

// cautions lists those of the trade's cautions that apply now.
func (l *loop) cautions(s *stream.State) []string {
	cs := []string{
		"Monitoring aid, not a safety device: over-pressure protection, emergency stop and access are hardware. Follow the local rules.",
		"A zero on the screen is no proof of zero pressure: vent, and read the local gauge before approach.",
	}
	if s.Simulated {
		cs = append(cs, "Simulated bench: nothing here was measured.")
	}
	for i := range s.Sensors {
		c := &l.bench.Channels[i]
		if !c.IsPressure() || l.eng.newest[i].T == 0 {
			continue
		}
		switch q := l.eng.newest[i].Q; {
		case q&daq.Saturated != 0:
			cs = append(cs, c.Name+" is saturated: its value is a lower bound.")
		case c.Certificate == "":
			cs = append(cs, c.Name+" has no calibration in force: its value is a bound, not a measurement.")
		case !c.Zeroed:
			cs = append(cs, "The zero of "+c.Name+" is not verified.")
		}
	}
	if s.PeakLoss != nil {
		cs = append(cs, fmt.Sprintf("The peak may be up to %.2g bar higher than recorded at this ramp and sample rate.", *s.PeakLoss/1e5))
	}
	if s.Held != nil && s.Held.Pressurised && (s.Phase == string(guard.MakingSafe) || s.Phase == string(guard.PressureWatch)) {
		cs = append(cs, fmt.Sprintf("This specimen did not open: held to at least %.2f bar %s, STILL PRESSURISED.", s.Held.AtLeastPa/1e5, s.Held.Reference))
	}
	if s.Phase == string(guard.UnderTest) || s.Phase == string(guard.HoldingPressure) {
		cs = append(cs, "No drop seen does not mean not opened.")
	}
	return cs
}

func seconds(ns int64) float64 { return float64(ns) * 1e-9 }
