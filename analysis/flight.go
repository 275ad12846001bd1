package analysis

import "math"

// A hole need not grow slowly, fast and slowly again: one may tear evenly, or fast
// at first, and be done at once.
const (
	powerOdds            = 0.5 // against one that begins and ends slowly (judgement, no source)
	powerMean, powerSD   = 1.0, 0.5
	flightDots           = 4.0 // samples that it takes at least
	powerLeast, powerTop = 0.35, 3.0
)

// orFlies adds, to plain that stands for all fits so far, holes that grow as a power
// of time and stop at once. Where they fit, a line that rings slowly is none.
func (a *opening) orFlies(plain *profile, free []figure) {
	shown := plain.width
	if plain.ring > 0 && !a.stated() {
		shown = math.Max(shown, 0.5/plain.ring)
	}
	if a.closes || a.earlier != straightRamp || shown < unseenLags*plain.lag || shown < flightDots*a.s.dt {
		return
	}
	c, share := a.bareOf(plain)
	free = with(with(free, figWidth), figShape)
	if !a.stated() {
		free = without(free, figRing, figDamp)
	}
	c.grows, c.shape = true, powerMean
	if c.width < shown {
		c.onset += plain.delayed()
		c.width = math.Min(2*shown, a.widest())
	}
	if p, ok := a.fitPower(c, free); ok {
		p.share = share + math.Log(powerOdds*shapeSD/powerSD)
		p.centre()
		a.fits = append(a.fits, p)
	}
}

// centre sets what p says of the effective onset: where a hole that opens at once to
// its full size would have to begin to let out as much, the mean time of its growth.
// For one that ends as slowly as it begins that is half of the opening time after
// the start, for the power s of time s/(1+s) of it.
func (p *profile) centre() {
	s, w := p.shape, p.width
	part := s/(1+s) - 0.5
	p.late = part * w
	p.at += p.slope * p.late
	for range 2 { // rows, then columns
		for f := range p.cov {
			r := &p.cov[f]
			more := part*w*r[figWidth] + w/(1+s)/(1+s)*r[figShape]
			r[figOnset] += more
			r[figLevel] += p.slope * more
		}
		for f := range p.cov {
			for g := range f {
				p.cov[f][g], p.cov[g][f] = p.cov[g][f], p.cov[f][g]
			}
		}
	}
}

// delayed is by how much the line that p holds delays a ramp, s.
func (p *profile) delayed() float64 { return newLine(p.ring, p.damp, 0).delay }

// bareOf is the course of plain with a transducer of first order and without an
// impulse line that nobody stated, and its share.
func (a *opening) bareOf(plain *profile) (c course, share float64) {
	c, share = plain.toFirst(), plain.share
	if plain.second {
		share -= secondShare
	}
	if plain.ring > 0 && !a.stated() {
		c.ring, c.damp = 0, 0
		share -= lineShare - math.Log(lineSpacing)
	}
	return c, share
}

// with is list with f.
func with(list []figure, f figure) []figure { return append(without(list, f), f) }
