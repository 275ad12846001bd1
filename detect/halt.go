package detect

import "math"

const (
	// haltNs is how long after a ramp that may have stopped an opening still tells
	// that it had not; a hold lasts far longer (a judgement, no source).
	haltNs = int64(1e9)
	// haltRise is the share of the ramp that the pressure must have risen with
	// since, for the ramp to have gone on.
	haltRise = 0.3
	// wallS is the longest time constant with which a fixture's wall cools the gas
	// (common practice, no source).
	wallS = 8.0
)

// stilled tells, where nobody tells of the supply valve, whether the ramp ended
// and the gas that it had warmed cools: the pressure falls no faster than that
// lets it, without a jump, and does not rise again. An opening that takes about
// what the supply brings looks the same for as long as the gas and the wall
// exchange heat: from the isentropic to the isothermal rate its slope eases by
// 1-1/gamma, that of cooling gas to rest.
func (n *naming) stilled() Kind {
	if n.m.supply.known || n.m.opt.Medium == Liquid || n.before <= 0 || n.kink.len == 0 || !n.ramped() {
		return ""
	}
	most := n.m.coolingMost() * n.before
	rests := 1/n.m.gamma() - 0.1 // less of its first slope no vent keeps
	step := n.blockS / 2
	first := math.Min(n.first, n.kink.s0)
	sd := math.Max(n.slopeSD, n.kink.s0SD)
	switch {
	case math.Min(first+2*sd, n.rest+2*n.restSD) > -0.03*n.before:
		return "" // nothing cools: it stands, or still rises
	case first < -most-3*sd, n.fastest > most+n.noise*math.Sqrt2/step, n.onset-n.lowest > most*n.length+n.noise:
		return "" // too fast for that
	case n.after > 0.1*n.before+3*sd:
		return "" // what was shut off does not rise
	case n.before-first > seepShare*(n.gauge+n.k.ambient) && !n.eases(first, sd):
		return "" // nothing cools so steadily
	case n.after < rests*first-3*sd, n.k.until > 0,
		n.after-0.6*first < 3*math.Hypot(n.slopeSD, 0.6*sd) && n.after < -0.03*n.before-3*n.slopeSD:
		return n.halt()
	}
	return SupplyStep
}

// settles tells whether the ramp goes over into a level little by little, faster
// than a vent that takes about what the supply brings lets it: what flows out of
// that goes with the pressure, so that the slope left goes down with the time
// constant of the pressure over the ramp.
func (n *naming) settles() bool {
	q := &n.kink
	if n.before <= 0 || q.len == 0 || q.s0 > settlesMost*n.before || n.after < -3*n.slopeSD {
		return false
	}
	vent := math.Max(q.s0, 0) * n.before / (n.gauge + n.k.ambient)
	return q.drift < -settlesTimes*vent-4*q.driftSD && q.offset < 3*q.offsetSD+0.1*n.depth
}

const (
	settlesMost  = 0.12 // share of the ramp that the slope left is at most
	settlesTimes = 3.0  // that it goes down faster than a vent lets it
)

// eases tells whether the slope, first to begin with, may ease as slowly as the
// slowest wall cools gas.
func (n *naming) eases(first, sd float64) bool {
	slowest := math.Exp(-2 * n.length / (3 * wallS)) // from the first third to the last
	return n.after > slowest*first-3*math.Hypot(n.slopeSD, slowest*sd)
}

// halt names what may be the end of the ramp or an opening that balances it:
// the end of the ramp, unless something else opens meanwhile. Where somebody tells
// of the supply's valve, and its shutting did not explain it, it is an opening.
func (n *naming) halt() Kind {
	n.r.ev.flag(FlagKindUncertain)
	if n.m.supply.known {
		return ""
	}
	n.r.halt = true
	if n.k.until > 0 && n.length*1e9 < float64(haltNs) {
		return "" // another fall came: unless that one is nothing
	}
	return SupplyStep
}

// unhalt settles what r, which is named for good now, tells of a ramp that may
// have stopped before it on the same channel: what opens while the pressure has
// not risen further shows that the specimen had begun to open, and where it is no
// opening, the ramp had stopped.
func (m *Monitor) unhalt(r *record) {
	for i := len(m.book.recs) - 1; i >= 0; i-- {
		x := m.book.recs[i]
		switch {
		case x.ev.ID >= r.ev.ID || x.seat != r.seat || !x.halt:
			continue
		case r.ev.Onset-x.ev.Onset > haltNs:
			return
		case !r.ev.Opens():
			if x.ev.Opens() {
				x.toStop(m.now)
				m.book.revise(x)
			}
			return
		}
		if x.ev.Kind == SupplyStep && !m.rampedOn(x, r) {
			x.ev.Kind, x.shape, x.ev.End = VentOpening, VentOpening, 0
			m.label(x)
			m.settled(x)
			m.book.revise(x)
		}
		return
	}
}

// rampedOn tells whether the pressure has gone on rising from x to r.
func (m *Monitor) rampedOn(x, r *record) bool {
	if x.ev.PressurePa == nil || r.ev.PressurePa == nil || x.ev.RampPaS == nil {
		return true
	}
	return *r.ev.PressurePa-*x.ev.PressurePa > haltRise**x.ev.RampPaS*float64(r.ev.Onset-x.ev.Onset)*1e-9
}

// toStop makes what looked like an opening the end of the ramp.
func (r *record) toStop(now int64) {
	r.ev.Kind, r.ev.Fault, r.shape = SupplyStep, "", SupplyStep
	r.ev.noOpening()
	r.ev.Named, r.ev.End = max(now, r.ev.Decided), max(now, r.ev.Decided)
}
