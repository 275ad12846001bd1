package detect

import "math"

// A passage is how far a trace has been followed after a fall began, in block
// means, and what these showed.
type passage struct {
	block, step int // samples of a mean, and from one to the next
	next        int // capture number where the next mean begins
	// the line, and the marks and limits of spikes, with which it was followed
	t                   int64
	onset, before, goOn float64
	marks               int
	limits              limits

	begun, last, top, lowest float64 // Pa
	depth, back, fastest     float64
	deepT, lowT              int64
	high                     int // where the last mean that a pressure can have began; -1: none
}

// begin is the passage of which nothing has been followed.
func begin(s *course, c *capture, block int) passage {
	return passage{
		block: block, step: max(1, block/2), next: s.from, t: s.t, onset: s.onset, before: s.before, goOn: s.goOn,
		marks: c.marks, limits: limits{most: math.Inf(1)},
		last: math.NaN(), lowest: math.Inf(1), top: math.Inf(-1), high: -1,
	}
}

// holds tells whether following the trace anew would show the same so far.
func (g *passage) holds(s *course, c *capture, block int) bool {
	return g.block == block && g.t == s.t && g.onset == s.onset && g.before == s.before && g.goOn == s.goOn &&
		g.marks == c.marks && g.limits.hold(c.limit) && g.next-g.step+g.block <= s.to && c.oldest()+spikeLen <= s.from
}

// follow goes on to the last mean that ends before number to.
func (g *passage) follow(k *watch, s *course, to int) {
	c := k.c.p.cap
	horizon := s.from + int(max(8*k.ns, int64(1e8))/k.c.period)
	for ; g.next+g.block <= to; g.next += g.step {
		if v, n := c.calm(g.next, g.next+g.block); n > 0 {
			g.take(k, s, v, g.next < horizon)
		}
	}
}

// learn bounds the limits by the means from number from on.
func (g *passage) learn(c *capture, from int) {
	if g.next > from {
		g.limits.learn(c, from, g.next-g.step+g.block)
	}
}

// take takes the mean v that begins at next.
func (g *passage) take(k *watch, s *course, v float64, soon bool) {
	c := k.c.p.cap
	mid := g.next + g.block/2
	if fall := (g.last - v) / (s.blockS * float64(g.step) / float64(g.block)); fall > g.fastest {
		g.fastest = fall
	}
	if math.IsNaN(g.last) {
		g.begun = v
	}
	g.last = v
	if !(v < k.least) {
		g.high = g.next
	}
	if v < g.lowest {
		g.lowest, g.lowT = v, c.t[mid&c.mask]
	}
	g.top = math.Max(g.top, v)
	dev := s.line(c, mid) - v
	if dev > g.depth {
		g.depth, g.back, g.deepT = dev, dev, c.t[mid&c.mask]
	}
	if soon {
		g.back = math.Min(g.back, dev)
	}
}

// tell makes what the means showed part of the course.
func (g *passage) tell(s *course) {
	s.begun, s.top, s.lowest, s.lowT = g.begun, g.top, g.lowest, g.lowT
	s.depth, s.deepT, s.back, s.fastest = g.depth, g.deepT, g.back, g.fastest
	s.sunk = g.high <= s.from+s.n/4
}
