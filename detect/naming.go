package detect

import (
	"math"

	"ventward/daq"
)

// fillCooling bounds the slope at which the pressure of gas falls when a fill
// stops, relative to the ramp before: the gas was heated by compression at
// most at (gamma-1)/gamma of the rate of pressure (isentropic compression,
// gamma <= 1.67), and a margin.
const (
	fillCooling = 0.5
	// leakShare is the share of the gauge pressure that goes in a second below
	// which a way out is a leak and no opening: a hole of some 0.01 mm2 on
	// 50 mL (common practice, no source).
	leakShare = 0.01  // 1/s
	fastFill  = 0.5e5 // Pa/s; a slower fill leaves the gas no warmer
	coolS     = 1.0   // s in which cooling shows that it slows down
	leastSeen = 64    // samples of ramp below which it is not continued
	fillS     = 8.0   // s; nor does a longer one
)

// course is what the trace did after a fall began, in the seat's own
// reference.
type course struct {
	onset   float64 // line before, at the onset, Pa
	depth   float64 // largest fall below the line continued, Pa
	left    float64 // fall below the line continued, at the end, Pa
	lowT    int64   // when
	steep   float64 // mean slope from the onset to the lowest pressure, Pa/s
	top     float64 // highest block mean from the onset on, Pa
	lenient bool    // something that comes back has been about
	leftSD  float64
	back    float64 // least fall below the line after the deepest point, Pa
	lowest  float64 // lowest pressure, Pa
	end     float64 // pressure at the end, Pa
	before  float64 // slope before, Pa/s
	after   float64 // slope over the last third, Pa/s
	first   float64 // slope over the first third after the decision, Pa/s
	length  float64 // s from onset to end
	sd      float64 // of a block mean
	fall90  int     // samples from the onset to 90 % of depth
	equal   bool    // every sample after the decision has the same value
	n       int     // samples after the onset
	rest    float64 // slope over the last three quarters, Pa/s
	restSD  float64
	slopeSD float64 // of after, Pa/s
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
			if kind == SupplyStep || kind == Leak {
				r.ev.Feature, r.ev.End = "", k.c.lastT
			}
		}
		if kind == SensorFault {
			k.c.p.disturb(int(1e9 / k.c.period))
		}
		r.shape = kind
		r.quiet = r.quiet && kind != SensorFault && kind != Rupture
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
	if final && k.until == 0 && r.ev.Opens() {
		m.resealed(r, k, &s)
	}
}

// resealed tells of a vent that has shut again: the pressure rises like before
// the opening, or stands, with gas left.
func (m *Monitor) resealed(r *record, k *watch, s *course) {
	if r.quiet || k.gauge(s.end) < 0.1*k.gauge(s.onset) || s.slopeSD > 0.05*math.Abs(s.steep) ||
		s.after < 0.9*math.Max(s.before, 0)-3*s.slopeSD || s.depth < 8*s.sd {
		return
	}
	e := m.book.open(Reseal, k.c, s.lowT, k.c.lastT)
	e.slack = k.ns
	e.ev.Named = k.c.lastT
	m.book.issue(e)
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
	case s.returned(final):
		if s.length < 0.02 || s.n < 24 {
			return SensorFault, FaultSpike
		}
		if final {
			return SensorFault, FaultThermalShock
		}
		return "", ""
	}
	if s.depth < noise && s.left < -noise {
		return SupplyStep, "" // it stands above the line: a rise that settled
	}
	if !final {
		return "", ""
	}
	gauge := k.gauge(s.onset)
	drop := s.top - s.lowest
	switch {
	case s.stopped() && drop < 2.5*noise+0.02*s.depth:
		if s.doubtful() || k.until > 0 && s.length < 0.5 {
			r.ev.flag(FlagKindUncertain)
			return "", ""
		}
		return SupplyStep, ""
	case s.coolish(gauge) && drop < 0.35*gauge && s.after-s.first > 4*s.slopeSD && s.after > 0.85*s.first &&
		s.after < 3*s.slopeSD && s.length > 0.2 && !m.supply.open:
		return SupplyStep, ""
	}
	if m.rupture(k, s) {
		r.ev.flag(FlagKindUncertain)
		return Rupture, ""
	}
	if rate := s.before - math.Min(s.rest, s.first); gauge > 0 && rate < leakShare*gauge && s.left > 0.8*s.depth && s.restSD < 0.1*rate && s.before-s.after > 0.5*rate+5*s.slopeSD {
		r.ev.RatePaS = ptr(rate)
		return Leak, ""
	}
	return "", ""
}

// stopped tells whether the ramp went over into a level.
func (s *course) stopped() bool {
	return s.before > 0 && math.Abs(s.rest) < 0.03*s.before+3*s.restSD
}

// returned tells whether the trace came back to the line: soon after its
// deepest point, beyond it (an oscillation), or in the end.
func (s *course) returned(final bool) bool {
	if s.depth > 4.8*s.sd {
		if s.back < -0.25*s.depth-2*s.sd || !final && s.back < 0.2*s.depth+2*s.sd {
			return true
		}
	}
	return final && s.left < 0.2*s.depth+3*s.leftSD && (s.lenient || 3*s.leftSD < 0.5*s.depth)
}

// recovers tells whether the trace is on its way back to the line.
func (s *course) recovers() bool {
	return s.left < 0.95*s.depth && s.after > math.Max(s.before, 0)+3*s.slopeSD
}

// coolish tells whether the fall may be gas that cools after a fast fill to
// the gauge pressure onset.
func (s *course) coolish(onset float64) bool {
	return s.before > fastFill && onset < fillS*s.before && s.first < 0 && s.first > -fillCooling*s.before
}

// doubtful tells that the slope after is not known well enough to tell a level
// from a small opening that nearly balances the ramp.
func (s *course) doubtful() bool { return 3*s.restSD > 0.3*s.before }

// rupture tells whether the pressure collapsed to ambient as fast as the
// sensor can follow. Then a large vent and a rupture look alike.
func (m *Monitor) rupture(k *watch, s *course) bool {
	gauge := k.gauge(s.onset)
	left := k.gauge(s.end)
	lag := k.c.cfg.LagS / (float64(k.c.period) * 1e-9)
	return gauge > 0 && left < 0.05*gauge && float64(s.fall90) <= math.Max(4*lag+2, 8)
}

// gauge turns a pressure in the channel's reference into gauge.
func (k *watch) gauge(pa float64) float64 {
	if k.c.cfg.Reference == daq.Absolute {
		return pa - k.ambient
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
	s.onset, s.before = k.v0+k.slope*float64(t-k.t0)*1e-9, k.slope
	// a longer line than the trigger's own where there is one
	guard := max(2, int(k.ns/k.c.period)/4)
	span := min(k.onset-guard-k.from, max(4*s.n, 256))
	if span >= 32 {
		if v, sl, good := p.cap.line(k.onset-guard-span, k.onset-guard, t); good && sl >= 0 { // a fall bends: the trigger's own line is nearer
			s.onset, s.before = v, sl
		}
	}
	// A ramp is believed to go on for as long as it was seen; a fall is not.
	seen := float64(k.onset-k.from) * dt
	if k.onset-k.from < leastSeen {
		seen = 0
	}
	line := func(i int) float64 {
		return s.onset + math.Max(s.before, 0)*math.Min(float64(p.cap.t[i&p.cap.mask]-t)*1e-9, 2*seen)
	}
	block := max(1, min(s.n/8, int(k.ns/k.c.period)/2))
	sigma := p.sigma()
	s.sd = sigma / math.Sqrt(float64(block)) * math.Min(p.excess(), math.Sqrt(float64(block)))
	s.lenient = p.levels[0].n < p.disturbed
	s.lowest, s.top = math.Inf(1), math.Inf(-1)
	horizon := int(max(8*k.ns, int64(1e8)) / k.c.period)
	for i := k.onset; i+block <= end; i += max(1, block/2) {
		v, n := p.cap.mean(i, i+block)
		if n == 0 {
			continue
		}
		if v < s.lowest {
			s.lowest, s.lowT = v, p.cap.t[(i+block/2)&p.cap.mask]
		}
		s.top = math.Max(s.top, v)
		dev := line(i+block/2) - v
		if dev > s.depth {
			s.depth, s.back = dev, dev
		}
		if i-k.onset < horizon {
			s.back = math.Min(s.back, dev)
		}
	}
	v, n := p.cap.mean(end-max(block, s.n/8), end)
	if n == 0 || math.IsInf(s.lowest, 0) {
		return s, false
	}
	s.end = v
	s.steep = (s.lowest - s.onset) / math.Max(float64(s.lowT-t)*1e-9, dt)
	s.left = line(end-max(block, s.n/8)/2) - v
	_, s.after, _ = p.cap.line(end-s.n/3, end, t)
	_, s.rest, _ = p.cap.line(k.onset+s.n/4, end, t)
	_, s.first, _ = p.cap.line(k.decide, k.decide+s.n/3, t)
	third := float64(max(s.n/3, 3))
	s.slopeSD = sigma * p.excess() * math.Sqrt(12/(third*third*third)) / dt
	s.leftSD = sigma * p.excess() * (math.Sqrt(8/float64(s.n)) + 4*float64(s.n)/float64(max(span, 32))/math.Sqrt(float64(max(span, 32))))
	rest := float64(max(3*s.n/4, 3))
	s.restSD = sigma * p.excess() * math.Sqrt(12/(rest*rest*rest)) / dt
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
