package detect

import (
	"math"

	"ventward/daq"
)

const (
	// slowShare is the share of the absolute pressure that goes in a second below
	// which a way out that appears while the pressure stands is a leak and no
	// opening (common practice, no source).
	slowShare = 0.15
	// seepShare is the same for a way out that appears as a ramp ends: 0.5 mm2, a
	// small vent, takes 0.2 of the pressure in a second out of 500 mL.
	seepShare = 0.03
	// A bulge leaves this share of the ramp at least: the bottom gives way a
	// little, no gas gets out (common practice, no source).
	bulgeLeast, bulgeMost = 0.60, 0.97
	bulgeDrift            = 0.35 // 1/s; most relative change of the slope after it
	// shockMost is the share of the gauge pressure that a false low reading of a
	// heated diaphragm stays below (common practice, no source).
	shockMost = 0.35
	// A fall of up to slowShock of the gauge pressure that takes longer than
	// slowShockNs and then recovers is a heated diaphragm's (common practice, no
	// source).
	slowShock   = 0.10
	slowShockNs = 25e6
	// warmer is the margin on the share of a small fall that gas makes good as it
	// warms up again.
	warmer = 0.04
)

// The wall warms what an outflow has cooled within some warmS (common practice,
// no source); a bend known by less than warmMost times what that gives tells
// nothing of it.
const (
	warmS    = 3.0
	warmMost = 1.0
)

// A naming is an event's course with what its names are judged by.
type naming struct {
	*course
	m       *Monitor
	r       *record
	k       *watch
	kink    kink
	final   bool
	noise   float64 // Pa: a block mean is not further from the truth by chance
	gauge   float64 // pressure at the onset, Pa gauge
	refills bool    // a vent shut again, and a supply made good what it let out
}

// shapeOf gives the kind that the course means; empty: no change. What a sensor
// or a valve does is asked first.
func (m *Monitor) shapeOf(r *record, k *watch, s *course, final bool) (Kind, Fault) {
	n := naming{course: s, m: m, r: r, k: k, final: final, noise: 4 * s.sd, gauge: k.gauge(s.onset)}
	if kind, fault := n.sensor(); kind != "" || n.refills {
		return kind, fault
	}
	if s.depth < n.noise && s.left < -n.noise || n.tops() {
		return SupplyStep, "" // it stands above the line: a rise that settled
	}
	if !final {
		return "", ""
	}
	if n.noisy() {
		return SensorFault, FaultSpike
	}
	if n.overshoots() {
		return SupplyStep, ""
	}
	n.kink = k.kinked(s)
	for _, ask := range []func() Kind{n.stop, n.cutoff, n.bulge, n.leak, n.level, n.cooling, n.stilled, n.paused} {
		if kind := ask(); kind != "" {
			return kind, ""
		}
	}
	if n.throttled() {
		r.ev.flag(FlagKindUncertain)
	}
	return n.broken(), ""
}

// sensor tells what only a sensor does.
func (n *naming) sensor() (Kind, Fault) {
	refilled, back := n.refilled()
	switch {
	case n.equal && n.n > 6 && n.fall90 <= 3, n.perched(), n.leapt():
		return SensorFault, FaultRail
	case n.lowest < n.m.leastPa(n.k.c.cfg.Reference)-n.noise && (n.sunk || n.final && n.returned(true)):
		return SensorFault, FaultRail
	case n.slowed(), refilled && !n.continued() && !n.m.contradicted(n.k, n.course):
		n.refills = back
		return "", ""
	case n.final && (n.passed() || n.continued() || n.untried()):
		return SensorFault, FaultSpike
	case n.m.contradicted(n.k, n.course), n.returned(n.final), n.final && n.receding():
		if n.length < 0.02 || n.n < 24 {
			return SensorFault, FaultSpike
		}
		if n.final {
			return SensorFault, FaultThermalShock
		}
	}
	return "", ""
}

// tops tells whether a step of the supply only goes over into what comes after
// it: the pressure has not fallen since, and the step was the last thing before, or
// the ramp goes on as it did ahead of it.
func (n *naming) tops() bool {
	if n.begun-n.lowest >= n.noise || !n.final && n.after < 3*n.slopeSD {
		return false
	}
	p := n.k.c.p
	s := &p.step
	return n.k.free > n.k.from || s.size > 0 && n.t-p.cap.t[s.at&p.cap.mask] < topNs && n.after > s.slope-3*n.slopeSD
}

const topNs = int64(2e9) // that a step of the supply takes at most

// slowed tells whether the pressure of a vessel goes on rising, only not as fast:
// gas comes at its own pace, and a line through what came before says nothing
// of what must follow.
func (n *naming) slowed() bool {
	return n.m.opt.Rig == RunawayRig && n.onset-n.lowest < n.noise
}

// untried tells whether a small fall that was called so soon after the trace
// began that nobody knew what comes and goes on it, such as a pump's pulses, has
// come back since.
func (n *naming) untried() bool {
	p := n.k.c.p
	if n.k.onset > p.levels[0].young || n.depth > shockMost*n.gauge {
		return false
	}
	block := max(4, int(n.k.ns/n.k.c.period)/2)
	for i := p.cap.find(n.deepT); i+block <= n.to; i += block / 2 {
		if v, count := p.cap.mean(i, i+block); count > 0 && n.line(p.cap, i+block/2)-v < 0.3*n.depth {
			return true
		}
	}
	return false
}

// empty tells whether an opening before has left next to nothing to open for,
// and what is left goes on leaving as before.
func (n *naming) empty() bool {
	prev := n.m.openBefore(n.r)
	return prev != nil && prev.ev.PressurePa != nil && n.gauge < emptyShare*n.k.gauge(*prev.ev.PressurePa) && !n.hastens()
}

const emptyShare = 0.03

// receding tells whether a small fall goes back to the line further than gas
// that warms up again after a vent has shut could.
func (n *naming) receding() bool {
	most := 1 - n.m.warming()
	slow := n.depth < slowShock*n.gauge && float64(n.fall90)*float64(n.k.c.period) > slowShockNs
	if slow || !n.m.supplyOpenAt(n.t) && n.before*n.length < 0.05*n.depth {
		most = 0.945 // nothing rises by itself where nothing was filled; a small vent shuts soon
	}
	if n.sharp() {
		return false // heat takes longer to come through; a supply may fill up what a vent let out
	}
	return n.depth < shockMost*n.gauge && n.depth > 2*n.noise && n.recovers() && n.left < most*n.depth
}

// warming is the share of a small and fast fall that gas makes good as it warms
// up again: (gamma-1)/gamma of it (isentropic expansion, then back to the wall's
// temperature at constant volume), and a margin.
func (m *Monitor) warming() float64 {
	switch m.opt.Fixture.Gas {
	case "Ar":
		return 0.40 + warmer
	case "CO2":
		return 0.23 + warmer
	}
	return 0.286 + warmer
}

// bulge tells whether what bends the ramp yields: it takes more and more. Where
// that can't be told, a ramp that goes on flatter may be a bulge as well.
func (n *naming) bulge() Kind {
	q := &n.kink
	if n.before <= 0 || q.len == 0 || !n.ramped() {
		return ""
	}
	ratio, told := n.yields()
	if told && (ratio > yieldLikely || ratio < -yieldSure) {
		if ratio > 0 && ratio < yieldSure {
			n.r.ev.flag(FlagKindUncertain)
		}
		if ratio > 0 {
			return Bulge
		}
	} else if n.gives() {
		return Bulge
	} else if told && n.risesOn() {
		n.r.ev.flag(FlagKindUncertain)
		if n.k.until == 0 && n.rest > bulgeLeast*n.before-2*n.restSD && n.before-n.rest > 3*n.restSD {
			return Bulge // nothing comes of it
		}
	}
	return n.flatter(told && ratio < -yieldSure)
}

// flatter tells whether the ramp goes on, straight but flatter. Where it is
// known to have bent at once, an opening that small must be excluded: its
// outflow cools the gas, which the wall then warms, so that the slope comes back
// by 1-1/gamma of what was lost.
func (n *naming) flatter(kinked bool) Kind {
	q := &n.kink
	if q.s0SD > 0.12*n.before || q.offset > 3*q.offsetSD+0.4*n.depth {
		return ""
	}
	share := q.s0 / n.before
	if share > bulgeMost {
		return SupplyStep // the ramp's own bend
	}
	if share < bulgeLeast-q.s0SD/n.before || q.offset > 3*q.offsetSD+0.1*n.depth {
		return ""
	}
	back := (n.before - q.s0) * (1 - 1/n.m.gamma()) / warmS
	if dim := q.driftSD > warmMost*back; kinked && (dim || q.drift > math.Min(back/2, math.Max(3*q.driftSD, back/8))) {
		n.r.ev.flag(FlagKindUncertain)
		if !dim || n.k.until > 0 {
			return "" // what is followed by another so soon was an opening itself
		}
	}
	if q.drift > 3*q.driftSD+0.01*q.s0 || q.drift < -bulgeDrift*q.s0-3*q.driftSD {
		return ""
	}
	return Bulge
}

// gives tells whether the pressure goes on rising, only slower and slower, by
// less than all but a very small vent takes: what gas leaves through is open at
// once, what yields gives way faster and faster.
func (n *naming) gives() bool {
	q := &n.kink
	lost := n.before - n.rest
	if !n.ramped() || lost < 3*n.restSD || lost+2*n.restSD > seepShare*(n.gauge+n.k.ambient) {
		return false
	}
	if n.rest-2*n.restSD < givesLeast*n.before || q.offset > 3*q.offsetSD+0.1*n.depth {
		return false
	}
	if n.length < givesS || q.drift > -givesSigma*q.driftSD {
		return false // a very small vent looks as straight
	}
	n.r.ev.flag(FlagKindUncertain)
	return true
}

const (
	givesLeast = 0.15 // share of the ramp that is left by what gives way at least
	givesSigma = 1.5  // by which it must be seen to fall faster and faster
	givesS     = 0.04 // s that it takes at least; an opening is open by then
)

// leak tells whether the pressure stood and now falls slowly and steadily.
func (n *naming) leak() Kind {
	q := &n.kink
	abs := n.gauge + n.k.ambient
	rate := n.before - q.s0
	if q.len == 0 || q.s0 >= -4*q.s0SD || n.moves(rate) || rate > slowShare*abs {
		return ""
	}
	if q.offset > 3*q.offsetSD+0.15*n.depth || q.drift > 3*q.driftSD+0.6*rate/math.Max(q.len, 1) {
		return ""
	}
	if e := &n.m.supply.closed; e.covers(n.t, n.r.slack) {
		return ""
	}
	if n.ended() {
		rate = -n.after // nothing came in any more
		n.r.ev.flag(FlagKindUncertain)
	}
	n.r.ev.RatePaS = ptr(rate)
	return Leak
}

// ended tells, where nobody tells that the supply goes on, whether a ramp may have
// ended just then with a slow way out: what leaves once the gas has cooled is far
// too little for a vent, and it falls too steeply for gas that only cools.
func (n *naming) ended() bool {
	return !n.m.supplyOpenAt(n.t) && n.before > 0 && n.k.until == 0 && n.after < -4*n.slopeSD &&
		-n.after < seepShare*(n.gauge+n.k.ambient) && n.kink.s0 < -n.m.coolingMost()*n.before-3*n.kink.s0SD
}

// moves tells whether the pressure was not standing before, against the rate of
// what came, and the ramp has not ended just then.
func (n *naming) moves(rate float64) bool {
	if n.ended() {
		return false
	}
	share := 0.1
	if n.m.supplyOpenAt(n.t) {
		share = 0.02
	}
	return math.Abs(n.before) > share*rate+3*n.kink.s0SD
}

// level tells whether the ramp goes over into a level and stays there.
func (n *naming) level() Kind {
	if !n.ramped() || !n.settles() && (!n.stopped() || n.top-n.lowest >= 2.5*n.noise+0.02*n.depth) {
		return ""
	}
	if n.m.supplyOpenAt(n.t) && !n.m.supply.closed.covers(n.t, n.r.slack) {
		n.r.ev.flag(FlagKindUncertain) // with the supply on, a level is an opening that balances it
		return ""
	}
	if n.doubtful() || n.k.until > 0 && n.length < 0.5 {
		return n.halt()
	}
	return SupplyStep
}

// ramped tells whether the slope before was a ramp, and not what a step of the
// supply settles with.
func (n *naming) ramped() bool {
	if r := n.m.book.at(n.k.c.p.lastRise); r != nil && n.t-r.ev.Onset < int64(100e6) && n.t > r.ev.Onset {
		return false
	}
	return true
}

// cooling tells whether gas cools after a fast fill.
func (n *naming) cooling() Kind {
	drop := n.top - n.lowest
	if n.coolish(n.gauge) && drop < 0.35*n.gauge && n.after-n.first > 4*n.slopeSD && n.after > 0.85*n.first &&
		n.after < 3*n.slopeSD && n.length > 0.2 && !n.m.supply.open {
		if n.k.until > 0 {
			return n.halt()
		}
		return SupplyStep
	}
	return ""
}

// broken tells whether the pressure collapsed to ambient as fast as the sensor
// can follow. Then a large vent and a rupture look alike.
func (n *naming) broken() Kind {
	if n.m.rupture(n.k, n.course) {
		n.r.ev.flag(FlagKindUncertain)
		return Rupture
	}
	return ""
}

// rupture tells whether the pressure collapsed to ambient as fast as the
// sensor can follow. Then a large vent and a rupture look alike.
func (m *Monitor) rupture(k *watch, s *course) bool {
	gauge := k.gauge(s.onset)
	left := k.gauge(s.end)
	lag := k.c.cfg.LagS / (float64(k.c.period) * 1e-9)
	return gauge > 0 && left < 0.05*gauge && float64(s.fall90) <= math.Max(4*lag+2, 8)
}

// gauge turns a pressure in the channel's reference into gauge.
func (k *watch) gauge(pa float64) float64 { return k.gaugeOf(pa, k.c.cfg.Reference) }

// gaugeOf turns a pressure in reference ref into gauge.
func (k *watch) gaugeOf(pa float64, ref daq.Reference) float64 {
	if ref == daq.Absolute {
		return pa - k.ambient
	}
	return pa
}
