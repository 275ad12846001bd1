package detect

import (
	"math"
	"slices"

	"ventward/daq"
)

const (
	// fillCooling bounds the slope at which the pressure of gas falls when a fill
	// stops, relative to the ramp before: the gas was heated by compression at
	// most at (gamma-1)/gamma of the rate of pressure (isentropic compression,
	// gamma <= 1.67), and a margin.
	fillCooling = 0.5
	fastFill    = 0.5e5 // Pa/s; a slower fill leaves the gas no warmer
	coolS       = 1.0   // s in which cooling shows that it slows down
	fillS       = 8.0   // s; nor does a longer one

	// slowShare is the share of the absolute pressure that goes in a second below
	// which a way out that appears while the pressure stands is a leak and no
	// opening (common practice, no source).
	slowShare = 0.15
	// A bulge leaves this share of the ramp at least: the bottom gives way a
	// little, no gas gets out (common practice, no source).
	bulgeLeast, bulgeMost = 0.60, 0.97
	bulgeDrift            = 0.35 // 1/s; most relative change of the slope after it
	// coolingMost is the most that the slope may be negative, relative to the
	// ramp, where a supply shuts: (gamma-1)/gamma of a monatomic gas is 0.4.
	coolingMost = 0.42
	// cutoffAheadNs and cutoffAfterNs bound when the pressure shows that the supply
	// valve shut, round the moment at which its input changed: a valve takes some
	// ms, and its contact sits anywhere on the way.
	cutoffAheadNs = int64(15e6)
	cutoffAfterNs = int64(30e6)
	cutoffNearNs  = int64(6e6)
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
	// burst is how many times the noise before the trace's own roughness must be
	// to count as a burst of noise, and roughLeast how many standard deviations of
	// it a fall must be then.
	burst, roughLeast = 1.6, 9.0
)

// A naming is an event's course with what its names are judged by.
type naming struct {
	*course
	m     *Monitor
	r     *record
	k     *watch
	kink  kink
	final bool
	noise float64 // Pa: a block mean is not further from the truth by chance
	gauge float64 // pressure at the onset, Pa gauge
}

// shapeOf gives the kind that the course means; empty: no change. What a sensor
// or a valve does is asked first.
func (m *Monitor) shapeOf(r *record, k *watch, s *course, final bool) (Kind, Fault) {
	n := naming{course: s, m: m, r: r, k: k, final: final, noise: 4 * s.sd, gauge: k.gauge(s.onset)}
	if kind, fault := n.sensor(); kind != "" {
		return kind, fault
	}
	if s.depth < n.noise && s.left < -n.noise {
		return SupplyStep, "" // it stands above the line: a rise that settled
	}
	if !final {
		return "", ""
	}
	if n.noisy() {
		return SensorFault, FaultSpike
	}
	n.kink = k.kinked(s)
	for _, ask := range []func() Kind{n.stop, n.cutoff, n.bulge, n.leak, n.level, n.cooling, n.broken} {
		if kind := ask(); kind != "" {
			return kind, ""
		}
	}
	return "", ""
}

// sensor tells what only a sensor does.
func (n *naming) sensor() (Kind, Fault) {
	switch {
	case n.equal && n.n > 6 && n.fall90 <= 3:
		return SensorFault, FaultRail
	case n.lowest < n.m.leastPa(n.k.c.cfg.Reference)-n.noise && (n.sunk || n.final && n.returned(true)):
		return SensorFault, FaultRail
	case n.final && (n.passed() || n.continues() || n.empty()):
		return SensorFault, FaultSpike
	case n.m.contradicted(n.r, n.k, n.course), n.returned(n.final), n.final && n.receding():
		if n.length < 0.02 || n.n < 24 {
			return SensorFault, FaultSpike
		}
		if n.final {
			return SensorFault, FaultThermalShock
		}
	}
	return "", ""
}

// passed tells whether the trace is in the end where the straight line through
// the second before the whole disturbance leads: nothing lasting has happened,
// whatever a short baseline made of it. What was called before in the same
// disturbance is taken back with it.
func (n *naming) passed() bool {
	p, dt := n.k.c.p, n.k.c.period
	far := n.m.disturbedFrom(n.r)
	end := n.k.c.lastT
	if n.k.until > 0 || float64(end-far) > 3*passSpanNs {
		return false
	}
	on := p.cap.find(far) - max(8, int(int64(passAheadNs)/dt))
	from := max(on-int(int64(passSpanNs)/dt), p.cap.oldest(), n.m.ventFrom(n.k.c, far))
	if on-from < 4*leastSeen {
		return false
	}
	v, slope, ok := p.cap.line(from, on, end)
	last := max(leastSeen, n.n/4)
	mean, count := p.cap.mean(p.cap.n-last, p.cap.n)
	if !ok || count < leastSeen/2 || last >= n.n {
		return false
	}
	mean += slope * float64(int64(last/2)*dt) * 1e-9 // carried on to the end
	sd := p.sigma() * p.excess()
	away := float64(end-p.cap.t[((from+on)/2)&p.cap.mask]) * 1e-9
	err := 4 * sd * (1/math.Sqrt(float64(count)) + slopeSD(on-from)/(float64(dt)*1e-9)*away)
	if math.Abs(mean-v) > 0.15*n.depth+err || err > 0.5*n.depth {
		return false
	}
	n.m.takeBack(n.k.c, far, n.r)
	return true
}

const (
	passSpanNs  = 1e9  // of line before a disturbance
	passAheadNs = 10e6 // between that line and the disturbance
	disturbNs   = int64(150e6)
)

// disturbedFrom is the onset of the first of the channel's events that follow
// each other closely up to r.
func (m *Monitor) disturbedFrom(r *record) int64 {
	first := r.ev.Onset
	for i := len(m.book.recs) - 1; i >= 0; i-- {
		x := m.book.recs[i]
		if x.ev.ID >= r.ev.ID || x.seat != r.seat || x.ev.Kind == Dump {
			continue
		}
		if first-x.ev.Onset > disturbNs {
			break
		}
		first = min(first, x.ev.Onset)
	}
	return first
}

// ventFrom is the capture number just behind the channel's last opening before
// t, from which a line may begin.
func (m *Monitor) ventFrom(c *channel, t int64) int {
	for i := len(m.book.recs) - 1; i >= 0; i-- {
		if x := m.book.recs[i]; x.ev.Onset < t && x.seat == c.id && (x.ev.Opens() || x.gentle() || x.ev.Kind == Dump) {
			return c.p.cap.find(max(x.ev.Onset, x.ev.End) + int64(passAheadNs))
		}
	}
	return 0
}

// takeBack names the channel's openings from time t on, before r, a disturbance.
func (m *Monitor) takeBack(c *channel, t int64, r *record) {
	for i := len(m.book.recs) - 1; i >= 0; i-- {
		x := m.book.recs[i]
		if x.ev.Onset < t {
			return
		}
		if x != r && x.seat == c.id && x.ev.Opens() && x.ev.Onset <= r.ev.Onset {
			x.toFault(FaultSpike, c.lastT)
			m.book.revise(x)
		}
	}
}

// continues tells whether a fall soon after another only goes on with it: the
// share of the pressure that goes in a second is hardly more than before, as
// the line's ringing or a transducer's lag bends the trace.
func (n *naming) continues() bool {
	prev := n.m.openBefore(n.r)
	p := n.k.c.p
	if prev == nil || n.t-prev.ev.Onset > ringNs || prev.seat != n.r.seat {
		return false
	}
	if n.t-prev.ev.Onset < oneNs {
		return true
	}
	lag := int64(n.k.c.cfg.LagS * 1e9)
	since := n.t - prev.ev.Onset
	base := since - min(lag, since/3)
	span := max(since, 4*n.k.c.period)
	a, na := p.meanNear(prev.ev.Onset-2*n.k.c.period, n.k.c.period)
	b, nb := p.meanNear(n.t, n.k.c.period)
	c, nc := p.meanNear(n.t+span, n.k.c.period)
	if na == 0 || nb == 0 || nc == 0 || n.t+span > n.k.c.lastT {
		return false
	}
	up := n.k.ambient // to absolute
	if n.k.c.cfg.Reference == daq.Absolute {
		up = 0
	}
	floor := 0.3 * n.k.ambient
	before := math.Log(math.Max(a+up, floor)/math.Max(b+up, floor)) / float64(base)
	after := math.Log(math.Max(b+up, floor)/math.Max(c+up, floor)) / float64(span)
	return before > 0 && after < faster*before
}

const (
	oneNs  = int64(1500e3) // falls closer than this are one
	ringNs = int64(40e6)   // after an opening in which ringing is looked for
	faster = 1.5           // a second opening drains the rest at least so much faster
)

// meanNear is the mean of the three samples round time t.
func (p *pressure) meanNear(t, period int64) (float64, int) {
	return p.cap.mean(p.cap.find(t-period-period/2), p.cap.find(t+period+period/2))
}

// empty tells whether an opening before has left next to nothing to open for.
func (n *naming) empty() bool {
	prev := n.m.openBefore(n.r)
	return prev != nil && prev.ev.PressurePa != nil && n.gauge < emptyShare*n.k.gauge(*prev.ev.PressurePa)
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

// noisy tells whether a burst of noise, or nothing at all, explains the fall.
func (n *naming) noisy() bool {
	if n.depth < 1.25*n.noise && n.left < n.noise {
		return true
	}
	rough := n.k.roughness(n.course)
	sigma := n.k.c.p.sigma()
	if rough < burst*sigma || sigma == 0 || n.depth > shockMost*n.gauge {
		return false
	}
	return n.depth < roughLeast*n.sd*rough/sigma
}

// roughness is the standard deviation of a sample as the second differences
// show it, before or after the onset, whichever is more. It leaves the fall
// itself out.
func (k *watch) roughness(s *course) float64 {
	p := k.c.p
	after := p.scatter(k.decide, min(s.to, k.decide+4*roughSpan))
	return math.Max(after, p.scatter(k.onset-4*roughSpan, k.onset))
}

const roughSpan = 64

// scatter is the standard deviation of a sample as second differences in
// [from, to) show it: medians, so that spikes and the fall itself don't count.
// 0: too few samples.
func (p *pressure) scatter(from, to int) float64 {
	var sums [4]float64
	n := 0
	for from = max(from, p.cap.oldest()+2); n < len(sums) && from+roughSpan <= to; from += roughSpan {
		var d [roughSpan]float64
		for i := range d {
			j := from + i
			d[i] = math.Abs(p.cap.v[j&p.cap.mask] - 2*p.cap.v[(j-1)&p.cap.mask] + p.cap.v[(j-2)&p.cap.mask])
		}
		slices.Sort(d[:])
		sums[n] = 1.4826 * d[roughSpan/2] / math.Sqrt(6)
		n++
	}
	if n == 0 {
		return 0
	}
	slices.Sort(sums[:n])
	return sums[(n-1)/2]
}

// stop tells whether the supply valve's shutting explains the course: the ramp
// ends, and the gas cools at most.
func (n *naming) stop() Kind {
	e := &n.m.supply.closed
	if !e.covers(n.r.ev.Onset, n.r.slack) || n.before <= 0 || n.kink.len == 0 {
		return ""
	}
	if n.kink.s0 < -coolingMost*n.before-3*n.kink.s0SD || n.kink.offset > 3*n.kink.offsetSD+0.1*n.depth {
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
	t := n.r.ev.Onset
	if !e.set || t < e.from-cutoffAheadNs-n.r.slack || t > e.to+cutoffAfterNs {
		return ""
	}
	before := n.m.openBefore(n.r)
	if before == nil {
		return ""
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

// openBefore is the opening before r on the same channel that has not shut
// since; nil: none.
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

// bulge tells whether the ramp goes on, straight but flatter.
func (n *naming) bulge() Kind {
	q := &n.kink
	if n.before <= 0 || q.len == 0 || q.s0SD > 0.12*n.before || q.offset > 3*q.offsetSD+0.4*n.depth {
		return ""
	}
	share := q.s0 / n.before
	if share > bulgeMost {
		return SupplyStep // the ramp's own bend
	}
	if share < bulgeLeast-q.s0SD/n.before || q.offset > 3*q.offsetSD+0.1*n.depth {
		return ""
	}
	// A vent's outflow cools the gas, which then warms up: the slope comes back.
	if q.drift > 3*q.driftSD+0.01*q.s0 || q.drift < -bulgeDrift*q.s0-3*q.driftSD {
		return ""
	}
	return Bulge
}

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
	if e := &n.m.supply.closed; e.covers(n.r.ev.Onset, n.r.slack) {
		return ""
	}
	n.r.ev.RatePaS = ptr(rate)
	return Leak
}

// moves tells whether the pressure was not standing before, against the rate of
// what came.
func (n *naming) moves(rate float64) bool {
	share := 0.1
	if n.m.supplyOpenAt(n.t) {
		share = 0.02
	}
	return math.Abs(n.before) > share*rate+3*n.kink.s0SD
}

// level tells whether the ramp goes over into a level and stays there.
func (n *naming) level() Kind {
	if !n.stopped() || n.top-n.lowest >= 2.5*n.noise+0.02*n.depth || !n.ramped() {
		return ""
	}
	if n.m.supplyOpenAt(n.t) && !n.m.supply.closed.covers(n.t, n.r.slack) {
		n.r.ev.flag(FlagKindUncertain) // with the supply on, a level is an opening that balances it
		return ""
	}
	if n.doubtful() || n.k.until > 0 && n.length < 0.5 {
		n.r.ev.flag(FlagKindUncertain)
		return ""
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

// contradicted tells whether a healthy redundant sensor, which followed the
// ramp like this one, does not see the fall.
func (m *Monitor) contradicted(r *record, k *watch, s *course) bool {
	if s.depth < 8*s.sd || s.depth > shockMost*k.gauge(s.onset) {
		return false
	}
	for i := range m.channels {
		c := &m.channels[i]
		if c.p == nil || c == k.c || c.period == 0 || c.cfg.Role != k.c.cfg.Role {
			continue
		}
		if m.sees(c, k, s) == -1 {
			return true
		}
	}
	return false
}

// sees tells whether sensor c shows the fall that the watch follows: 1 yes, -1
// no, 0 it can't tell.
func (m *Monitor) sees(c *channel, k *watch, s *course) int {
	p := c.p
	if len(p.cap.t) == 0 || !p.noise.ready() || c.seenT < s.deepT {
		return 0
	}
	half := max(int64(k.ns)/2, 4*c.period)
	on := p.cap.find(s.t)
	from := p.cap.find(s.t - int64(s.span)*k.c.period)
	guard := int((max(k.ns/4, 2*c.period) + int64(c.cfg.LagS*1e9)) / c.period)
	lo, hi := p.cap.find(s.deepT-half), p.cap.find(s.deepT+half)
	v, slope, ok := p.cap.line(from, on-guard, s.t)
	mean, n := p.cap.mean(lo, hi)
	if !ok || n < 3 || on-guard-from < 16 || lo <= on {
		return 0
	}
	if 2*n < hi-lo || p.cap.q[lo&p.cap.mask]&daq.Saturated != 0 {
		return 0
	}
	t := float64(s.deepT-s.t) * 1e-9
	span := float64(on-guard-from) * float64(c.period) * 1e-9
	sd := p.sigma() * p.excess()
	slopeErr := sd * slopeSD(on-guard-from) / (float64(c.period) * 1e-9)
	if math.Abs(slope-s.before)*span > 0.2*math.Abs(s.before)*span+6*slopeErr*span+6*p.sigma() {
		return 0 // it does not follow the pressure anyway
	}
	dev := v + math.Max(s.before, 0)*math.Min(t, s.goOn) - mean
	err := 3 * (sd/math.Sqrt(float64(n)) + sd*2/math.Sqrt(float64(on-guard-from)))
	switch {
	case err > 0.3*s.depth:
		return 0
	case dev < 0.3*s.depth+err:
		return -1
	}
	return 1
}

// A kink is the course after a fall without a jump: a parabola in time from the
// onset, fitted to what comes after the transition.
type kink struct {
	s0, s0SD         float64 // slope just after, Pa/s
	drift, driftSD   float64 // change of the slope, Pa/s2
	offset, offsetSD float64 // how far the parabola begins below the line, Pa
	len              float64 // s fitted; 0: too little
}

// kinked fits the kink.
func (k *watch) kinked(s *course) (q kink) {
	p := k.c.p
	dt := float64(k.c.period) * 1e-9
	guard := max(int(k.ns/k.c.period)/4, int(5*k.c.cfg.LagS/dt), int(0.004/dt), 1)
	from := s.from + guard
	if s.to-from < 24 {
		return q
	}
	var a [3][4]float64
	half := float64(p.cap.t[(s.to-1)&p.cap.mask]-s.t) * 1e-9
	for i := from; i < s.to; i++ {
		j := i & p.cap.mask
		if p.cap.q[j]&daq.Bad != 0 {
			continue
		}
		x := float64(p.cap.t[j]-s.t) * 1e-9 / half
		v := p.cap.v[j] - s.onset
		x2 := x * x
		a[0][0]++
		a[0][1] += x
		a[0][2] += x2
		a[1][2] += x2 * x
		a[2][2] += x2 * x2
		a[0][3] += v
		a[1][3] += v * x
		a[2][3] += v * x2
	}
	a[1][1], a[1][0], a[2][0], a[2][1] = a[0][2], a[0][1], a[0][2], a[1][2]
	c, cov, ok := solve3(a)
	if !ok {
		return q
	}
	sigma := p.sigma() * p.excess()
	x0 := float64(guard) * dt / half
	q.len = half - float64(guard)*dt
	q.s0 = (c[1] + 2*c[2]*x0) / half
	q.s0SD = sigma * math.Sqrt(math.Max(0, cov[1][1]+4*x0*cov[1][2]+4*x0*x0*cov[2][2])) / half
	q.drift, q.driftSD = 2*c[2]/(half*half), 2*sigma*math.Sqrt(cov[2][2])/(half*half)
	q.offset = -c[0]
	q.offsetSD = math.Hypot(sigma*math.Sqrt(cov[0][0]), 2*sigma/math.Sqrt(float64(max(s.span, leastSeen/2))))
	return q
}

// solve3 solves the normal equations a (the last column is the right side) and
// inverts them.
func solve3(a [3][4]float64) (x [3]float64, inv [3][3]float64, ok bool) {
	det := a[0][0]*(a[1][1]*a[2][2]-a[1][2]*a[2][1]) - a[0][1]*(a[1][0]*a[2][2]-a[1][2]*a[2][0]) + a[0][2]*(a[1][0]*a[2][1]-a[1][1]*a[2][0])
	if !(math.Abs(det) > 0) || math.IsInf(det, 0) {
		return x, inv, false
	}
	for i := range 3 {
		for j := range 3 {
			r0, r1, c0, c1 := (j+1)%3, (j+2)%3, (i+1)%3, (i+2)%3
			inv[i][j] = (a[r0][c0]*a[r1][c1] - a[r0][c1]*a[r1][c0]) / det
		}
	}
	for i := range 3 {
		for j := range 3 {
			x[i] += inv[i][j] * a[j][3]
		}
	}
	return x, inv, true
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
	base := math.Max(s.before, 0)
	return s.left < 0.95*s.depth && (s.after > base+3*s.slopeSD || s.rest > base+4*s.restSD)
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
