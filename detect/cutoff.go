package detect

import "math"

const (
	// coolingLeast is what is granted to any gas; a margin is in it.
	coolingLeast = 0.42
	// cutoffAheadNs and cutoffAfterNs bound when the pressure shows that the supply
	// valve shut, round the moment at which its input changed: a valve takes some
	// ms, and its contact sits anywhere on the way.
	cutoffAheadNs = int64(15e6)
	cutoffAfterNs = int64(30e6)
	cutoffNearNs  = int64(6e6)
)

// coolingMost is the most that the slope may be negative, relative to the ramp,
// where a supply shuts: gamma-1. From gas whose temperature the ramp no longer
// raises the wall takes V dp/dt, what the inflow brings beyond its inner
// energy; when that ends the pressure falls by gamma-1 of it (first law for an
// open system, no source beyond it).
func (m *Monitor) coolingMost() float64 { return math.Max(coolingLeast, m.gamma()-1+0.02) }

// gamma is the ratio of the heat capacities of the bench's gas near room
// temperature (monatomic 5/3, diatomic 7/5; CO2 1.29 from memory).
func (m *Monitor) gamma() float64 {
	switch m.opt.Fixture.Gas {
	case "Ar":
		return 5.0 / 3
	case "CO2":
		return 1.29
	}
	return 1.4
}

// stop tells whether the supply valve's shutting explains the course: the ramp
// ends, and the gas cools at most.
func (n *naming) stop() Kind {
	e := &n.m.supply.closed
	if !e.covers(n.t, n.r.slack) || n.before <= 0 || n.kink.len == 0 {
		return ""
	}
	if n.kink.s0 < -n.m.coolingMost()*n.before-3*n.kink.s0SD || n.kink.offset > 3*n.kink.offsetSD+0.1*n.depth {
		return "" // steeper, or more sudden, than that
	}
	if n.kink.s0 < -0.05*n.before-3*n.kink.s0SD && n.after < n.kink.s0-3*math.Hypot(n.slopeSD, n.kink.s0SD) {
		return "" // it goes on falling where cooling would ease
	}
	return SupplyStep
}

// cutoff tells whether the supply's shutting explains a fall of what an open
// vent lets out already: it is not steeper than the blow-down before, or no more
// than the ramp is lost.
func (n *naming) cutoff() Kind {
	e := &n.m.supply.closed
	t := n.t
	if !e.set || t < e.from-cutoffAheadNs-n.r.slack || t > e.to+cutoffAfterNs {
		return ""
	}
	before := n.m.openBefore(n.r)
	if before == nil {
		return n.undumped()
	}
	noise := 4 * n.sd / math.Max(n.blockS, 1e-9)
	lost := n.before - n.kink.s0
	ramp := 0.0
	if before.ev.RampPaS != nil {
		ramp = *before.ev.RampPaS
	}
	near := t > e.from-cutoffNearNs-n.r.slack || math.Abs(n.before) < 0.05*n.fastest // fed until then
	if near || n.fastest < 1.3*before.fastest+noise || n.kink.len > 0 && math.Abs(n.before) < 2*ramp && lost < 1.5*ramp+3*n.kink.s0SD {
		return SupplyStep
	}
	return ""
}

// undumped tells whether a fall of what the dump valve lets out hastens, as the
// supply shuts, by no more than the ramp that it brought before.
func (n *naming) undumped() Kind {
	r := n.m.book.at(n.m.dump.opened.used)
	if r == nil || r.ev.Kind != Dump || r.ev.RampPaS == nil || n.kink.len == 0 || n.kink.offset > 3*n.kink.offsetSD+0.1*n.depth {
		return ""
	}
	if n.before-n.kink.s0 > 1.5**r.ev.RampPaS+3*n.kink.s0SD {
		return ""
	}
	return SupplyStep
}

// openBefore is the opening before r, on whichever channel it was seen, that
// has not shut since; nil: none.
func (m *Monitor) openBefore(r *record) *record {
	for i := len(m.book.recs) - 1; i >= 0; i-- {
		x := m.book.recs[i]
		switch {
		case x == r || x.ev.Onset >= r.ev.Onset:
		case x.ev.Kind == Reseal:
			return nil
		case x.ev.Opens():
			return x
		}
	}
	return nil
}
