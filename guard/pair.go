package guard

import (
	"math"

	"ventward/daq"
)

const (
	pairPoints = 8           // means remembered of each channel of a pair
	pairStepNS = int64(20e6) // at least so far apart
)

// point is the mean of a stretch of samples.
type point struct {
	T int64   `json:"t"`
	V float64 `json:"v"`
}

// pair is what a deviation rule remembers of its two channels, newest last.
type pair [2][pairPoints]point

// take adds the mean of the sound samples of a stretch.
func (p *pair) take(side int, s []daq.Sample) bool {
	var n int
	var dt, v float64
	for i := range s {
		if s[i].Q&daq.Bad == 0 && s[i].V-s[i].V == 0 {
			n++
			dt += float64(s[i].T - s[0].T)
			v += s[i].V
		}
	}
	if n == 0 {
		return false
	}
	ring := &p[side]
	x := point{s[0].T + int64(dt/float64(n)), v / float64(n)}
	if x.T-ring[pairPoints-1].T < pairStepNS {
		return false
	}
	copy(ring[:], ring[1:])
	ring[pairPoints-1] = x
	return true
}

// at is a channel's value at time t, by interpolation.
func at(ring *[pairPoints]point, t int64) float64 {
	for i := pairPoints - 1; i > 0; i-- {
		a, b := &ring[i-1], &ring[i]
		if t >= a.T && a.T != 0 && b.T > a.T {
			return a.V + (b.V-a.V)*min(1, float64(t-a.T)/float64(b.T-a.T))
		}
	}
	for i := range ring {
		if ring[i].T != 0 {
			return ring[i].V
		}
	}
	return 0
}

// difference is how far the channels are apart at the newest time that both
// have reached; ok is false while one of them has said nothing for staleNS.
func (p *pair) difference(staleNS int64) (t int64, d float64, ok bool) {
	a, b := p[0][pairPoints-1].T, p[1][pairPoints-1].T
	t = min(a, b)
	if t == 0 || max(a, b)-t > staleNS {
		return 0, 0, false
	}
	return t, math.Abs(at(&p[0], t) - at(&p[1], t)), true
}

// deviate judges whether a redundant pair agrees. The two are compared at the
// same time, so that a ramp seen by instruments of different speed is no
// deviation. A channel that is no measurement changes nothing: the fault and
// stale rules speak for it.
func (g *Guard) deviate(c *condition, ch daq.ChannelID, s []daq.Sample, now int64) {
	p := &g.s.Pairs[c.aux]
	side := 0
	if ch != g.o.Rules[c.rule].Channels[0] {
		side = 1
	}
	if !p.take(side, s) {
		return
	}
	t, d, ok := p.difference(g.freshNS)
	if !ok {
		return
	}
	bound := c.edge
	if c.Raw {
		bound = c.back
	}
	over := d >= bound
	if over && !c.Holds {
		c.Value = finite(d)
	}
	g.set(c, over, t, now)
}
