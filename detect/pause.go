package detect

import "math"

const (
	pauseBlocks = 256  // into which a course is cut to find where its ramp goes on
	pauseLeast  = 6    // blocks on either side
	pauseSeen   = 12   // samples of a stretch that tell its slope
	pauseGoes   = 0.5  // share of the ramp with which it goes on at least
	pauseStands = 0.1  // share of the ramp that is left while it pauses at most
	pauseJoins  = 0.15 // share of the fall by which lines that ought to meet may miss
)

// A pause is a ramp that bends, and bends back later: a straight line up to then,
// and one from there on.
type pause struct {
	s        float64 // s from the onset until it goes on
	during   float64 // slope, Pa/s
	duringSD float64
	on       float64 // slope afterwards, Pa/s
	onSD     float64
	begins   float64 // how far the first line begins below the line before, Pa
	jumps    float64 // from the first line to the second one, Pa
	levelSD  float64 // of the two
	found    bool
}

// paused tells, where nobody tells of the supply valve, whether the ramp may have
// been interrupted: gas that comes no more leaves the rest to cool, and the ramp
// goes on later. A vent that takes what the supply brings, within what cooling
// hides, and shuts again looks alike; it must meet the supply's flow for that.
func (n *naming) paused() Kind {
	if n.m.supply.known || n.before <= 0 || n.k.until > 0 || !n.ramped() || n.hurries() {
		return ""
	}
	q := n.pause()
	misses := pauseJoins*n.depth + 3*q.levelSD
	most := n.coolsMost() * n.before
	switch {
	case !q.found || q.on < pauseGoes*n.before-3*q.onSD || n.onset-n.lowest > most*q.s+n.noise:
		return ""
	case q.begins > misses || math.Abs(q.jumps) > misses:
		return ""
	case q.during < -most-3*q.duringSD || q.during > n.before-3*q.duringSD:
		return ""
	case q.during > pauseStands*n.before+3*q.duringSD:
		n.r.ev.flag(FlagKindUncertain)
		return ""
	}
	return n.halt()
}

// throttled tells, where nobody tells of the supply, whether a supply turned down
// explains an opening as well: the ramp bends at once, and never falls faster than
// the gas it has warmed cools.
func (n *naming) throttled() bool {
	q := &n.kink
	if n.m.supply.known || n.before <= 0 || q.len == 0 || !n.ramped() || n.hurries() {
		return false
	}
	most := n.coolsMost() * n.before
	return q.s0 > -most-3*q.s0SD && q.offset < 3*q.offsetSD+0.1*n.depth && n.onset-n.lowest < most*n.length+n.noise
}

// hurries tells whether the pressure falls faster somewhere than cooling gas.
func (n *naming) hurries() bool {
	return n.fastest > n.coolsMost()*n.before+n.noise*math.Sqrt2/(n.blockS/2)
}

// coolsMost is the share of a ramp at which the pressure falls at most when its
// supply is shut. A liquid warms too little.
func (n *naming) coolsMost() float64 {
	if n.m.opt.Medium == Liquid {
		return 0
	}
	return n.m.coolingMost()
}

// pause finds where the course bends back, and the lines on both sides.
func (n *naming) pause() (q pause) {
	p := n.k.c.p
	block := max(1, n.n/pauseBlocks)
	at := n.bendsBack(block)
	if at == 0 {
		return q
	}
	guard := max(block, int(n.k.ns/n.k.c.period)/4, int(3e9*n.k.c.cfg.LagS/float64(n.k.c.period)))
	a, b := at-n.from-guard-block, n.to-at-guard-block // samples on either side
	if a < pauseSeen || b < pauseSeen {
		return q
	}
	t := p.cap.t[at&p.cap.mask]
	v0, during, ok := p.cap.line(n.from+guard, at-block, n.t)
	v1, on, good := p.cap.line(at+guard, n.to, t)
	if !ok || !good {
		return q
	}
	dt := float64(n.k.c.period) * 1e-9
	sigma := p.sigma() * p.excess()
	q = pause{s: float64(t-n.t) * 1e-9, during: during, on: on, found: true}
	q.duringSD, q.onSD = sigma*slopeSD(a)/dt, sigma*slopeSD(b)/dt
	q.begins, q.jumps = n.onset-v0, v1-(v0+during*q.s)
	q.levelSD = 2 * sigma * math.Sqrt(1/float64(a)+1/float64(b)+4/float64(max(n.span, leastSeen/2)))
	return q
}

// bendsBack is the capture number at which two straight lines best meet the
// course's means of block samples; 0: there are too few.
func (n *naming) bendsBack(block int) int {
	var left, right scatter
	var v []float64
	for i := n.from; i+block <= n.to; i += block {
		mean, count := n.k.c.p.cap.mean(i, i+block)
		if count == 0 {
			return 0
		}
		v = append(v, mean-n.onset)
		right.add(float64(len(v)-1), mean-n.onset, 1)
	}
	best, at := math.Inf(1), 0
	for i, y := range v {
		left.add(float64(i), y, 1)
		right.add(float64(i), y, -1)
		if i+1 < pauseLeast || len(v)-i-1 < pauseLeast {
			continue
		}
		if rss := left.rest() + right.rest(); rss < best {
			best, at = rss, n.from+(i+1)*block
		}
	}
	return at
}

// A scatter sums up points for the straight line through them.
type scatter struct{ n, x, y, xx, xy, yy float64 }

// add adds a point (sign 1) or takes it away (-1).
func (s *scatter) add(x, y, sign float64) {
	s.n += sign
	s.x, s.y = s.x+sign*x, s.y+sign*y
	s.xx, s.xy, s.yy = s.xx+sign*x*x, s.xy+sign*x*y, s.yy+sign*y*y
}

// rest is the residual sum of squares of the line.
func (s *scatter) rest() float64 {
	xx, xy, yy := s.xx-s.x*s.x/s.n, s.xy-s.x*s.y/s.n, s.yy-s.y*s.y/s.n
	return math.Max(0, yy-xy*xy/xx)
}
