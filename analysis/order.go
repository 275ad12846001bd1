package analysis

import "math"

// A transducer's lag is stated as one time constant. Diaphragm and amplifier's
// filter together are of second order: where that shows, the lag is its delay of a
// ramp, and it is damped well enough not to ring (judgements, no source).
const (
	secondOdds           = 0.3 // against one of first order
	secondMean, secondSD = 0.8, 0.15
	secondLeast          = 0.7 // sample periods: the order of a shorter lag doesn't show
)

// secondShare is the logarithm of the prior share of a transducer of second order
// against that of one of first, with the damping's prior density.
var secondShare = math.Log(secondOdds) - math.Log(secondSD)

// sensor is what lies between vessel and reading: a resonance (Hz; 0: none) with
// its damping ratio, and a lag of first order, s.
func (c *course) sensor() (ring, damp, lag float64) {
	if c.second {
		return c.damp / (math.Pi * math.Max(c.lag, 1e-9)), c.damp, 0
	}
	return c.ring, c.damp, c.lag
}

// toSecond and toFirst are the course with a transducer of the other order and
// nothing else that rings.
func (c course) toSecond() course {
	late := newLine(c.ring, c.damp, 0).delay
	c.onset += late
	if c.earlier == straightRamp {
		c.level += c.ramp * late
	}
	c.ring, c.damp, c.second = 0, secondMean, true
	return c
}

func (c course) toFirst() course {
	if c.second {
		c.damp, c.second = 0, false
	}
	return c
}

// mayBeSecond tells whether the transducer's order may show.
func (a *opening) mayBeSecond() bool { return !a.stated() && a.ch.LagS > secondLeast*a.s.dt }

// orders tries whether a transducer of second order explains what the best course
// does not: nil if not.
func (a *opening) orders(best *profile) *profile {
	if a.second || a.rings || !a.mayBeSecond() {
		return nil
	}
	a.second = true
	_, free := a.bounds()
	if p, ok := a.fit(best.toSecond(), free, 30); ok && p.chi2 < best.chi2-20 {
		return &p
	}
	a.second = false
	return nil
}

// countOrder gives the fits with a transducer of second order the share of one. p,
// which stands for what is fitted next, is among them.
func (a *opening) countOrder(p *profile) {
	for i := range a.fits {
		if a.fits[i].second {
			a.fits[i].share += secondShare
		}
	}
	if p.second {
		p.share += secondShare
	}
}

// orOrder adds a transducer of the other order than plain's. Of a line that was
// heard it may be the truth.
func (a *opening) orOrder(plain *profile, free []figure, hidden bool) {
	if !a.mayBeSecond() {
		return
	}
	second, rings := a.second, a.rings
	if plain.second {
		a.second = false
		a.under(plain.toFirst(), without(free, figDamp), hidden, plain.share-secondShare)
	} else {
		share := plain.share + secondShare
		if plain.ring > 0 {
			share -= lineShare - math.Log(lineSpacing)
		}
		a.second, a.rings = true, false
		a.under(plain.toSecond(), append(without(free, figRing, figDamp), figDamp), hidden, share)
	}
	a.second, a.rings = second, rings
}
