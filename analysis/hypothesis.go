package analysis

import (
	"math"
	"slices"
)

// lagGrid are time constants that are tried where none is known, s, each with
// guessPart of itself as its standard uncertainty (common practice, no source).
var lagGrid = []float64{0.15e-3, 0.5e-3, 1.5e-3, 4e-3}

const guessPart = 0.45

// guessLags fits under lags that a transducer of unknown lag may have.
func (a *opening) guessLags(plain *profile, hidden bool) {
	for _, l := range lagGrid {
		a.guess = l
		_, free := a.bounds()
		c := plain.course
		c.lag, c.onset = l, c.onset-l
		a.under(c, free, hidden, plain.share-math.Log(guessPart*l))
	}
	a.guess = 0
}

// hypotheses fits under what the data may not tell apart: lines that ring at
// one frequency or another or not at all, and falls that are faster than lag
// and samples show. Each gets its share by likelihood and by the volume of what
// it leaves open.
func (a *opening) hypotheses(best *profile) {
	_, free := a.bounds()
	a.fits = nil
	hidden := best.hidden()
	a.under(best.course, free, hidden, 0)
	if len(a.fits) == 0 {
		a.fits = []profile{*best}
	}
	free = a.orStops(best, free)
	free = a.orChokes(best, free)
	if a.rings && !a.stated() {
		free = without(free, figRing, figDamp)
	}
	plain := *bestOf(a.fits)
	if plain.stop > 0 && !slices.Contains(free, figStop) || plain.cap > 0 && !slices.Contains(free, figCap) {
		plain = a.fits[0]
	}
	if a.ch.LagS <= 0 {
		a.guessLags(&plain, hidden)
		plain = *bestOf(a.fits)
		free = without(free, figLag)
		if plain.lag > 0 {
			free = append(free, figLag)
			a.guess = plain.lag
		}
	}
	if !a.stated() { // else there is no other line to think of
		a.overLines(&plain, free, hidden)
	}
	a.weigh()
}

// orStops adds the hypothesis that the supply shuts after the opening, and
// returns what is free where that is the likelier one.
func (a *opening) orStops(best *profile, free []figure) []figure {
	if a.stops || a.closes || a.fed || a.earlier != straightRamp || !a.suppliesMuch(best) {
		return free
	}
	a.stops = true
	p := a.stopped(best)
	if p == nil || p.chi2 >= best.chi2+10 {
		a.stops = false
		return free
	}
	p.share = -math.Log(stopSD)
	a.fits = append(a.fits, *p)
	if p.evidence(1) > a.fits[0].evidence(1) {
		_, free = a.bounds()
	} else {
		a.stops = false
	}
	return free
}

// regulatorOdds are the odds of a regulator that answers within the fall against
// a steady supply (judgement, no source).
const regulatorOdds = 0.5

// orChokes adds the hypothesis of a regulator that gives more as the pressure
// falls, up to what its orifice lets through, and returns what is free where
// that is the likelier one. A needle valve and a regulator look alike on the
// ramp; what comes through the one and the other after the opening does not.
func (a *opening) orChokes(best *profile, free []figure) []figure {
	if a.fed || a.closes || slices.Contains(free, figStop) || !a.mayRegulate(best) {
		return free
	}
	a.capped = true
	with := append(append([]figure(nil), free...), figCap)
	likelier := false
	for _, feed := range feedSeeds {
		p := a.choked(best, with, feed)
		if p == nil {
			continue
		}
		p.share = math.Log(regulatorOdds) - math.Log(capSD)
		blind := p.cov[figCap][figCap] > 0.8*0.8*capSD*capSD
		if !blind {
			p.share -= math.Log(float64(len(feedSeeds)))
		}
		likelier = likelier || p.evidence(1) > a.fits[0].evidence(1)
		a.fits = append(a.fits, *p)
		if blind { // how fast it answers shows even less
			break
		}
	}
	if likelier {
		return with
	}
	a.capped = false
	return free
}

// overLines adds the impulse lines that are held possible beforehand.
func (a *opening) overLines(plain *profile, free []figure, hidden bool) {
	a.rings = true // for the bounds
	free = append(append([]figure(nil), free...), figDamp)
	heard := plain.ring
	if heard > 0 {
		a.fits[0].share += lineShare - math.Log(lineSpacing)
	}
	for _, f := range lineGrid {
		if heard > 0 && math.Abs(math.Log(f/heard)) < lineSpacing {
			continue
		}
		for _, damp := range dampGrid {
			if !a.withLine(plain, free, hidden, f, damp) {
				break
			}
		}
	}
}

// withLine adds the line of one resonance (Hz) and damping. It tells whether
// another damping would come out differently.
func (a *opening) withLine(plain *profile, free []figure, hidden bool, ring, damp float64) bool {
	c := plain.course
	c.ring, c.damp = ring, damp
	n := len(a.fits)
	if plain.ring == 0 {
		a.under(c, free, hidden, plain.share+lineShare)
		p := bestOf(a.fits[n:])
		if p != nil && p.cov[figDamp][figDamp] > 0.7*0.7*dampSD*dampSD && math.Abs(p.chi2-plain.chi2) < 1 {
			for i := range a.fits[n:] { // nothing shows of it
				a.fits[n+i].share += math.Log(float64(len(dampGrid)))
			}
			return false
		}
		if p == nil || math.Abs(p.chi2-plain.chi2) < 9 || p.chi2 > plain.chi2+200 {
			return true
		}
		c, a.fits = p.course, a.fits[:n]
	}
	// The frequency shows.
	a.under(c, append(append([]figure(nil), free...), figRing), hidden, plain.share+lineShare-math.Log(lineSpacing))
	a.dropTwin(n)
	return true
}

// dropTwin removes the fits from number n on that came out at the resonance of
// one before.
func (a *opening) dropTwin(n int) {
	for _, p := range a.fits[:n] {
		if len(a.fits) > n && p.ring > 0 && math.Abs(math.Log(p.ring/a.fits[n].ring)) < 0.1 && math.Abs(p.chi2-a.fits[n].chi2) < 1 {
			a.fits = a.fits[:n]
		}
	}
}

// hidden tells whether lag and samples hide how fast the fall is.
func (p *profile) hidden() bool { return p.cov[figRate][figRate] > 0.8*0.8 }

// lineGrid are resonances of the impulse line that are tried, Hz. Beforehand
// each is as likely as the others, and all together lineOdds times as likely as
// none.
var lineGrid = []float64{2400, 1200, 600, 320}

// dampGrid are damping ratios that are tried at each.
var dampGrid = []float64{0.08, 0.25}

// lineSpacing is the distance of the grid's logarithms.
const lineSpacing = 0.67

// lineOdds are the odds of a line that rings slowly enough to delay the reading
// against a stiff or short one (judgement, no source).
const lineOdds = 0.33

// lineShare is the logarithm of a line's prior share against that of none, with
// the damping's prior density.
var lineShare = math.Log(lineOdds/float64(len(lineGrid))) - math.Log(dampSD) - math.Log(float64(len(dampGrid)))

// under fits under one hypothesis; where lag and samples hide the rate, over a
// grid of rates.
func (a *opening) under(c course, free []figure, hidden bool, share float64) {
	if !hidden {
		if p, ok := a.fit(c, free, 30); ok {
			p.share = share
			a.fits = append(a.fits, p)
		}
		return
	}
	free = without(free, figRate)
	least := math.Inf(1)
	for k := a.fastest(); k > 1e-3; k /= 2.2 {
		c.rate = k
		p, ok := a.fit(c, free, 20)
		if !ok {
			continue
		}
		c, p.share = p.course, share
		a.fits = append(a.fits, p)
		least = math.Min(least, p.chi2)
		if p.chi2 > least+25 {
			return
		}
	}
}
