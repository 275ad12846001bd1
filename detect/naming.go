package detect

import "math"

// course is what the trace did after a fall began, in the seat's own
// reference.
type course struct {
	onset  float64 // line before, at the onset, Pa
	depth  float64 // largest fall below the line continued, Pa
	left   float64 // fall below the line continued, at the end, Pa
	lowest float64 // lowest pressure, Pa
	end    float64 // pressure at the end, Pa
	before float64 // slope before, Pa/s
	after  float64 // slope over the last third, Pa/s
	first  float64 // slope over the first third after the decision, Pa/s
	length float64 // s from onset to end
	sd     float64 // of a block mean
	fall90 int     // samples from the onset to 90 % of depth
	equal  bool    // every sample after the decision has the same value
	n      int     // samples after the onset
}

// judge names an event from its shape, so far or for good.
func (m *Monitor) judge(r *record, final bool) {
	k := r.w
	if r.ev.Kind == Dump || r.ev.Kind == SensorFault || r.fitted && r.final {
		return
	}
	s, ok := k.course()
	if !ok {
		if final {
			m.settled(r)
		}
		return
	}
	kind, fault := m.shapeOf(r, k, &s, final)
	changed := false
	if kind != "" && kind != r.ev.Kind {
		changed = true
		switch kind {
		case SensorFault:
			r.toFault(fault, k.c.lastT)
		default:
			r.ev.Kind, r.ev.Fault = kind, ""
			if kind == SupplyStep {
				r.ev.Feature, r.ev.End = "", k.c.lastT
			}
		}
		r.shape = kind
	}
	if r.ev.Opens() && !r.fitted && s.n >= 8 {
		r.ev.DropPa = ptr(s.onset - s.lowest)
		changed = changed || final
	}
	if final {
		if r.ev.Named == 0 {
			r.ev.Named = k.c.lastT
			changed = true
		}
		m.settled(r)
	}
	if changed {
		m.book.revise(r)
	}
}

// settled says why figures are still missing when the event is closed.
func (m *Monitor) settled(r *record) {
	if !r.ev.Opens() || r.fitted {
		return
	}
	why := "no fit of the opening was made"
	if m.opt.Fixture.VolumeM3 == 0 {
		r.ev.without("area_m2", "no volume given")
	} else {
		r.ev.without("area_m2", why)
	}
	if r.ev.DropPa == nil {
		r.ev.without("drop_Pa", why)
	}
	r.ev.without("onset_u", why)
}

// shapeOf gives the kind that the course means; empty: no change.
func (m *Monitor) shapeOf(r *record, k *watch, s *course, final bool) (Kind, Fault) {
	noise := 4 * s.sd
	switch {
	case s.equal && s.n > 6 && s.fall90 <= 3:
		return SensorFault, FaultRail
	case s.lowest < m.leastPa(k.c.cfg.Reference)-noise:
		return SensorFault, FaultRail
	case s.left < 0.2*s.depth+noise/2 && s.depth > 2*noise:
		if s.length < 0.02 || s.n < 24 {
			return SensorFault, FaultSpike
		}
		if final {
			return SensorFault, FaultThermalShock
		}
		return "", ""
	}
	if !final {
		return "", ""
	}
	gauge := m.gauge(k.c, s.onset)
	drop := s.onset - s.lowest
	stopped := math.Abs(s.after) < 0.05*math.Abs(s.before)+noise/s.length
	switch {
	case s.before > 0 && drop < noise && stopped:
		return SupplyStep, ""
	case s.before > 0 && drop < 0.15*gauge && s.first < 0 && s.after > 0.5*s.first && s.after <= noise/s.length && s.length > 0.2 && !m.supply.open:
		return SupplyStep, "" // cooling after a fill
	}
	if m.rupture(k, s) {
		r.ev.flag(FlagKindUncertain)
		return Rupture, ""
	}
	return "", ""
}

// rupture tells whether the pressure collapsed to ambient as fast as the
// sensor can follow. Then a large vent and a rupture look alike.
func (m *Monitor) rupture(k *watch, s *course) bool {
	gauge := m.gauge(k.c, s.onset)
	left := m.gauge(k.c, s.end)
	lag := k.c.cfg.LagS / (float64(k.c.period) * 1e-9)
	return gauge > 0 && left < 0.05*gauge && float64(s.fall90) <= math.Max(4*lag+2, 8)
}

// gauge turns a pressure in the channel's reference into gauge.
func (m *Monitor) gauge(c *channel, pa float64) float64 {
	if c.cfg.Reference == "absolute" {
		return pa - m.ambient
	}
	return pa
}

// course measures what is there.
func (k *watch) course() (s course, ok bool) {
	p := k.c.p
	end := p.cap.n
	if k.until > 0 {
		end = k.until
	}
	s.n = end - k.onset
	if s.n < 5 {
		return s, false
	}
	dt := float64(k.c.period) * 1e-9
	t := p.cap.t[k.onset&p.cap.mask]
	s.length = float64(s.n) * dt
	line := func(i int) float64 { return k.v0 + k.slope*float64(p.cap.t[i&p.cap.mask]-k.t0)*1e-9 }
	s.onset, s.before = k.v0+k.slope*float64(t-k.t0)*1e-9, k.slope
	// a longer line than the trigger's own where there is one
	guard := max(2, int(k.ns/k.c.period)/4)
	span := min(k.onset-guard-k.from, max(4*s.n, 256))
	if span >= 32 {
		if v, sl, good := p.cap.line(k.onset-guard-span, k.onset-guard, t); good {
			s.onset, s.before = v, sl
			line = func(i int) float64 { return v + sl*float64(p.cap.t[i&p.cap.mask]-t)*1e-9 }
		}
	}
	block := max(1, min(s.n/16, 64))
	s.sd = p.sigma() / math.Sqrt(float64(block))
	s.lowest = math.Inf(1)
	for i := k.onset; i+block <= end; i += max(1, block/2) {
		v, n := p.cap.mean(i, i+block)
		if n == 0 {
			continue
		}
		s.lowest = math.Min(s.lowest, v)
		s.depth = math.Max(s.depth, line(i+block/2)-v)
	}
	v, n := p.cap.mean(end-max(block, s.n/8), end)
	if n == 0 || math.IsInf(s.lowest, 0) {
		return s, false
	}
	s.end = v
	s.left = line(end-max(block, s.n/8)/2) - v
	_, s.after, _ = p.cap.line(end-s.n/3, end, t)
	_, s.first, _ = p.cap.line(k.decide, k.decide+s.n/3, t)
	s.fall90 = k.fall90(end, s.onset, s.depth)
	s.equal = k.equal(end)
	return s, true
}

// fall90 counts the samples from the onset until nine tenths of the fall.
func (k *watch) fall90(end int, onset, depth float64) int {
	p := k.c.p
	for i := k.onset; i < end; i++ {
		if p.cap.v[i&p.cap.mask] < onset-0.9*depth {
			return i - k.onset
		}
	}
	return end - k.onset
}

func (k *watch) equal(end int) bool {
	p := k.c.p
	for i := k.decide + 1; i < end; i++ {
		if p.cap.v[i&p.cap.mask] != p.cap.v[k.decide&p.cap.mask] {
			return false
		}
	}
	return end-k.decide > 4
}
