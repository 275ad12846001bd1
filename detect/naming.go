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
	fillS     = 8.0   // s; nor does a longer one
)

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

// swung tells that the line rang below what a vessel can have and settled above
// it, away from where it was: a liquid's drop does that, a broken wire doesn't.
func (m *Monitor) swung(k *watch, s *course, final bool) bool {
	return s.end > m.leastPa(k.c.cfg.Reference) && !s.returned(final)
}

// shapeOf gives the kind that the course means; empty: no change.
func (m *Monitor) shapeOf(r *record, k *watch, s *course, final bool) (Kind, Fault) {
	noise := 4 * s.sd
	switch {
	case s.equal && s.n > 6 && s.fall90 <= 3:
		return SensorFault, FaultRail
	case s.lowest < m.leastPa(k.c.cfg.Reference)-noise && !m.swung(k, s, final):
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
