package analysis

import (
	"cmp"
	"math"
	"slices"
)

// lagGrid are time constants that are tried where none is known, s, each with
// guessPart of itself as its standard uncertainty (common practice, no source).
var lagGrid = []float64{0.15e-3, 0.5e-3, 1.5e-3, 4e-3}

const guessPart = 0.45

// guessLags fits under lags that a transducer of unknown lag may have. Each is
// tried with plain alone and stands for what the others make of it, too.
func (a *opening) guessLags(plain *profile, hidden bool) {
	share := plain.share + a.besides(plain)
	for _, l := range lagGrid {
		a.guess = l
		_, free := a.bounds()
		free = plain.keptHeat(free)
		c := plain.course
		c.lag, c.onset = l, c.onset-l
		a.under(c, free, hidden, share-math.Log(guessPart*l))
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
	switch {
	case a.earlier == earlierStep:
		a.orReacts(best, hidden)
	case a.closes:
		free = a.orAnswers(best, free)
	case a.stops || a.capped:
		free = a.orOther(best, free)
	default:
		free = a.orStops(best, free)
		free = a.orChokes(best, free)
	}
	if !hidden {
		a.orWarmer(free)
	}
	if a.rings && !a.stated() {
		free = without(free, figRing, figDamp)
	}
	plain := *a.bestOfSupply(free)
	free = plain.keptHeat(free)
	if a.ch.LagS <= 0 {
		a.guessLags(&plain, hidden)
		plain = *bestOf(a.fits)
		free = without(free, figLag)
		if plain.lag > 0 {
			free = append(free, figLag)
			a.guess = plain.lag
		}
	}
	a.countHeard(&plain)
	a.countOrder(&plain)
	if plain.ring > 0 {
		a.orOpens(&plain, append(append([]figure(nil), free...), figRing, figDamp), hidden)
	} else {
		a.orOpens(&plain, free, hidden)
	}
	plain.share += a.besides(&plain)
	a.orOrder(&plain, free, hidden)
	defer a.weigh()
	if !hidden {
		defer a.orGrowsOn(&plain, free)
		defer a.orFlies(&plain, free)
	}
	if n := len(a.fits); !a.stated() { // else there is no other line to think of
		a.overLines(&plain, free, hidden)
		for i := range a.fits[min(n, len(a.fits)):] {
			a.fits[n+i].tried = !hidden
		}
	}
}

// keptHeat is free without the walls' heat where p holds it, as one of several
// that stand for its range: what is compared with p must leave as much open.
func (p *profile) keptHeat(free []figure) []figure {
	if p.cov[figHeat][figHeat] > 0 {
		return free
	}
	return without(free, figHeat)
}

// snapOdds are the odds of an opening at once, as of a disc that bursts, against
// one that takes its time (judgement, no source).
const snapOdds = 0.4

// orOpens adds other ways of opening that the data may not tell from the best
// one: at once, and where another opening time is a best fit of its own.
func (a *opening) orOpens(best *profile, free []figure, hidden bool) {
	c := best.course
	c.width = 0.02 * a.s.dt
	// What is free in the others besides carries no share of its own there.
	share := best.share + math.Log(snapOdds) + math.Log(widthSD) + math.Log(shapeSD)
	a.under(c, without(free, figWidth, figShape), hidden, share)
	if hidden {
		return
	}
	n := len(a.fits)
	c = best.course
	c.width = math.Min(math.Max(4*c.width, 2*a.ch.LagS), a.widest())
	if c.width*c.rate > 1 {
		c.rate = math.Min(4*c.rate, a.fastest())
	}
	a.under(c, free, hidden, best.share)
	for _, p := range a.fits[:n] {
		if len(a.fits) > n && math.Abs(math.Log(p.width/a.fits[n].width)) < 0.3 {
			a.fits = a.fits[:n]
		}
	}
}

// besides is the logarithm of what all fits so far weigh together, over what p
// alone does. The impulse line is tried with p and stands for the others, too.
func (a *opening) besides(p *profile) float64 {
	sum, excess := 0.0, a.excess()
	for i := range a.fits {
		sum += math.Exp(math.Min(a.fits[i].evidence(excess)-p.evidence(excess), 50))
	}
	return math.Log(math.Max(sum, 1))
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
	if a.fed || a.closes || !a.mayRegulate(best) {
		return free
	}
	stops, top := a.stops, math.Inf(-1)
	for i := range a.fits {
		top = math.Max(top, a.fits[i].evidence(1))
	}
	a.capped, a.stops = true, false
	with := append(without(free, figStop), figCap)
	var found []profile
	least, most := math.Inf(1), math.Inf(-1)
	for _, feed := range feedSeeds {
		p := a.choked(best, with, feed)
		if p == nil {
			continue
		}
		if p.cov[figCap][figCap] > shows*shows*capSD*capSD { // how fast it answers shows even less
			a.overCaps(p, without(with, figCap))
			break
		}
		p.share = math.Log(regulatorOdds/capSD) - math.Log(float64(len(feedSeeds)))
		found = append(found, *p)
		least, most = math.Min(least, p.chi2), math.Max(most, p.chi2)
	}
	if most > least+feedShows {
		a.fed = true
		free := append(append([]figure(nil), with...), figFeed)
		if p, ok := a.fit(bestOf(found).course, free, 30); ok && p.chi2 < least+1 {
			p.share = math.Log(regulatorOdds/capSD/feedRange) - math.Log(math.Max(p.feed, 1))
			found, with = append(farFrom(found, p.feed), p), free
		} else {
			a.fed = false
		}
	}
	a.fits = append(a.fits, found...)
	for i := range found {
		if found[i].evidence(1) > top {
			return with
		}
	}
	a.capped, a.stops, a.fed = false, stops, false
	return free
}

// farFrom are those of the fits with a held rate of answer that another one near
// feed does not stand for.
func farFrom(found []profile, feed float64) []profile {
	return slices.DeleteFunc(found, func(p profile) bool { return math.Abs(math.Log(p.feed/feed)) < feedApart })
}

// feedApart is half the distance of the logarithms of feedSeeds.
const feedApart = 0.8

// feedShows is the difference of chi square from which on how fast a regulator
// answers is fitted.
const feedShows = 6

// heatShows is the part of its prior standard deviation below which the fall
// tells the walls' heat.
const heatShows = 0.5

// orWarmer adds, where the fall does not tell how much heat the walls take, walls
// that take much less and much more than the fit's (Gauss and Hermite's rule): the
// warmth that the ramp leaves in the gas, and with it the area, is far from
// straight in the heat's logarithm.
func (a *opening) orWarmer(free []figure) {
	p := *a.bestOfSupply(free)
	if limit := heatShows * heatSD; !slices.Contains(free, figHeat) || p.cov[figHeat][figHeat] < limit*limit {
		return
	}
	n := len(a.fits)
	for _, side := range []float64{-1, 1} {
		c := p.course
		c.heat = a.middlingHeat() * math.Exp(side*math.Sqrt(3)*heatSD)
		c.rate = math.Min(c.rate*math.Sqrt(a.warmed(&p.course)/a.warmed(&c)), a.fastest())
		a.under(c, without(free, figHeat), false, p.share+math.Log(heatSD/6))
	}
	for i := range a.fits[:n] {
		a.fits[i].share += math.Log(2.0 / 3)
	}
}

// warmed is the ratio of the gas's temperature to the walls' before the opening.
func (a *opening) warmed(c *course) float64 {
	s := solver{law: a.law}
	th, _ := s.warmth(c, math.Max(c.level+a.gauge, 1))
	return th
}

// overCaps adds a regulator whose limit does not show, at three limits that stand
// for all that are thought possible (Gauss and Hermite's rule): the area goes
// with the limit, which may be any of a wide range, not with its logarithm.
func (a *opening) overCaps(p *profile, free []figure) {
	limits, _ := a.bounds()
	for _, node := range []struct{ at, weight float64 }{{-math.Sqrt(3), 1.0 / 6}, {0, 2.0 / 3}, {math.Sqrt(3), 1.0 / 6}} {
		c := p.course
		c.cap = math.Exp(limits[figCap].mean + node.at*capSD)
		if q, ok := a.fit(c, free, 25); ok {
			q.share = math.Log(regulatorOdds * node.weight)
			a.fits = append(a.fits, q)
		}
	}
}

// feedRange is the logarithm of the range of rates that regulators answer at.
const feedRange = 5

// orOther adds the other of a supply that shuts and a regulator that answers to
// the one that the fit rests on, and returns what is free in the likelier.
func (a *opening) orOther(best *profile, free []figure) []figure {
	c := *best
	shuts := math.Log(1 / stopSD)
	answers := func(p *profile) float64 {
		return math.Log(regulatorOdds/capSD/feedRange) - math.Log(math.Max(p.feed, 1))
	}
	stops, fed, capped := a.stops, a.fed, a.capped
	var other *profile
	if a.stops {
		a.share(shuts)
		a.stops, a.fed, a.capped = false, true, true
		c.stop = 0
		_, with := a.bounds()
		for _, feed := range feedSeeds {
			if p := a.choked(&c, with, feed); p != nil && (other == nil || p.chi2 < other.chi2) {
				other = p
			}
		}
		if other != nil {
			other.share = answers(other)
		}
	} else if a.suppliesMuch(best) {
		a.share(answers(best))
		a.orAnswersAt(answers)
		a.stops, a.fed, a.capped = true, false, false
		c.feed, c.cap = 0, 0
		if other = a.stopped(&c); other != nil {
			other.share = shuts
		}
	}
	if other != nil {
		a.fits = append(a.fits, *other)
		if other.evidence(1) > a.fits[0].evidence(1) {
			_, free = a.bounds()
			return free
		}
	}
	a.stops, a.fed, a.capped = stops, fed, capped
	return a.orSteady(best, free)
}

// orSteady adds, to a supply that shuts or answers and a reading that rings, a supply
// that goes on as before: the search took the one before it had heard the other. It
// returns what is free in the likelier.
func (a *opening) orSteady(best *profile, free []figure) []figure {
	if best.ring <= 0 && !best.second || a.stated() {
		return free
	}
	stops, fed, capped := a.stops, a.fed, a.capped
	a.stops, a.fed, a.capped = false, false, false
	c := best.course
	c.stop, c.feed, c.cap = 0, 0, 0
	_, with := a.bounds()
	if p, ok := a.fit(c, with, 30); ok {
		likelier := p.evidence(1) > a.fits[0].evidence(1)
		a.fits = append([]profile{p}, a.fits...)
		if likelier {
			return a.orChokes(&p, a.orStops(&p, with))
		}
	}
	a.stops, a.fed, a.capped = stops, fed, capped
	return free
}

// orAnswersAt adds, to a regulator that answers, the others that the search found:
// one that answers at another rate may be as likely with quite another area.
func (a *opening) orAnswersAt(share func(p *profile) float64) {
	_, free := a.bounds()
	for i := range a.answered {
		q := &a.answered[i]
		if !apart(a.fits, q.feed) || q.chi2 > bestOf(a.fits).chi2+answersApart {
			continue
		}
		if p, ok := a.fit(q.course, free, 25); ok && apart(a.fits, p.feed) {
			p.share = share(&p)
			a.fits = append(a.fits, p)
		}
	}
}

// answersApart is by how much worse, in chi square, a regulator that answers at
// another rate is still heard.
const answersApart = 16

// apart tells whether none of the fits is of a regulator that answers about as fast
// as feed.
func apart(fits []profile, feed float64) bool {
	for i := range fits {
		if fits[i].cap > 0 && math.Abs(math.Log(fits[i].feed/feed)) < feedApart {
			return false
		}
	}
	return true
}

// orAnswers adds, to a hole that shuts again, one that stays open and a regulator
// that answers: in both the pressure turns. It returns what is free in the
// likelier.
func (a *opening) orAnswers(best *profile, free []figure) []figure {
	if a.earlier != straightRamp || !a.mayRegulate(best) {
		return free
	}
	c := *best
	c.loss, c.width = 0, math.Min(c.width, widthMean)
	fed, capped := a.fed, a.capped
	a.closes, a.fed, a.capped = false, true, true
	_, with := a.bounds()
	var other *profile
	for _, feed := range feedSeeds {
		if p := a.choked(&c, with, feed); p != nil && (other == nil || p.chi2 < other.chi2) {
			other = p
		}
	}
	if other != nil && !other.hidden() {
		a.share(-math.Log(lossRange))
		other.share = math.Log(regulatorOdds/capSD/feedRange) - math.Log(math.Max(other.feed, 1))
		a.fits = append(a.fits, *other)
		if other.evidence(1) > a.fits[0].evidence(1) {
			return with
		}
	}
	a.closes, a.fed, a.capped = true, fed, capped
	return free
}

// lossRange is the logarithm of the range of times after which a hole may shut.
const lossRange = 5

// share adds to the logarithm of the prior share of all fits so far.
func (a *opening) share(more float64) {
	for i := range a.fits {
		a.fits[i].share += more
	}
}

// bestOfSupply is the likeliest of the fits whose supply does what is free: of
// those that stand for a range the middle one, unless the data speak against it.
func (a *opening) bestOfSupply(free []figure) *profile {
	var b *profile
	for i := range a.fits {
		p := &a.fits[i]
		if (p.stop > 0) == slices.Contains(free, figStop) && (p.cap > 0) == slices.Contains(free, figCap) && (b == nil || p.evidence(1) > b.evidence(1)) {
			b = p
		}
	}
	if b == nil {
		return &a.fits[0]
	}
	return b
}

// countHeard gives the fits with a line that was heard the share of one. p, which
// stands for what is fitted next, is among them.
func (a *opening) countHeard(p *profile) {
	if a.stated() {
		return
	}
	for i := range a.fits {
		if a.fits[i].ring > 0 {
			a.fits[i].share += lineShare - math.Log(lineSpacing)
		}
	}
	if p.ring > 0 {
		p.share += lineShare - math.Log(lineSpacing)
	}
}

// overLines adds the impulse lines that are held possible beforehand.
func (a *opening) overLines(plain *profile, free []figure, hidden bool) {
	second := a.second
	a.rings, a.second = true, false // for the bounds
	defer func() { a.second = second }()
	free = append(without(free, figDamp), figDamp)
	heard := plain.ring
	switch {
	case heard*a.s.dt > mirrorLeast:
		a.mirrored(plain, free, hidden)
	case plain.second && !hidden:
		a.likeSecond(plain, free)
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

// likeSecond adds, to a transducer of second order that rings, a line that rings
// like it before one of first order: nothing on the grid may be near enough.
func (a *opening) likeSecond(plain *profile, free []figure) {
	ring, damp, _ := plain.sensor()
	n := len(a.fits)
	a.under(lined(plain, ring, damp), append(append([]figure(nil), free...), figRing), false, plain.share-secondShare+lineShare-math.Log(lineSpacing))
	a.dropTwin(n)
}

// mirrorLeast is the part of the sample rate from which on a line that was heard may
// be its mirror image: far below it the image would ring too fast to be seen.
const mirrorLeast = 0.2

// mirrored adds, to a line that was heard, the one that rings as far on the other side
// of half of the sample rate and dies away as fast: samples hardly tell the two apart.
func (a *opening) mirrored(plain *profile, free []figure, hidden bool) {
	ring := math.Abs(1/a.s.dt - plain.ring)
	if ring <= 0 {
		return
	}
	n := len(a.fits)
	damp := math.Min(plain.damp*plain.ring/ring, 0.8)
	a.under(lined(plain, ring, damp), append(append([]figure(nil), free...), figRing), hidden, plain.share)
	a.dropTwin(n)
}

// withLine adds the line of one resonance (Hz) and damping. It tells whether
// another damping would come out differently.
func (a *opening) withLine(plain *profile, free []figure, hidden bool, ring, damp float64) bool {
	c := lined(plain, ring, damp)
	n := len(a.fits)
	plainShare := plain.share
	if plain.second {
		plainShare -= secondShare
	}
	share := plainShare + lineShare - math.Log(lineSpacing)
	if plain.ring > 0 {
		share = plain.share
	} else {
		a.under(c, free, hidden, plainShare+lineShare)
		p := bestOf(a.fits[n:])
		if p != nil && p.cov[figDamp][figDamp] > 0.7*0.7*dampSD*dampSD && math.Abs(p.chi2-plain.chi2) < 1 {
			for i := range a.fits[n:] { // nothing shows of it
				a.fits[n+i].share += math.Log(float64(len(dampGrid)))
			}
			return false
		}
		told := p != nil && p.cov[figDamp][figDamp] < dampShows*dampShows*dampSD*dampSD
		if p == nil || math.Abs(p.chi2-plain.chi2) < 9 && !told || p.chi2 > plain.chi2+200 {
			return true
		}
		c, a.fits = p.course, a.fits[:n]
	}
	// The frequency shows.
	a.under(c, append(append([]figure(nil), free...), figRing), hidden, share)
	a.dropTwin(n)
	return true
}

// dampShows is the part of its prior standard deviation below which the data tell
// a line's damping, and so its resonance.
const dampShows = 0.3

// lined is where to begin with a line of one resonance (Hz) and damping: it delays
// the reading.
func lined(plain *profile, ring, damp float64) course {
	c := plain.toFirst()
	c.ring, c.damp = ring, damp
	late := newLine(ring, damp, 0).delay - newLine(plain.ring, plain.damp, 0).delay
	c.onset -= late
	if c.earlier == straightRamp {
		c.level -= c.ramp * late
	}
	return c
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
var dampGrid = []float64{0.12, 0.4}

// lineSpacing is the distance of the grid's logarithms.
const lineSpacing = 0.67

// lineOdds are the odds of a line that rings slowly enough to delay the reading
// against a stiff or short one (judgement, no source).
const lineOdds = 0.67

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
	a.overRates(c, without(free, figRate), share)
}

// rateStep is the distance of the rates' logarithms at first.
const rateStep = 0.8

// finerRates is how many rates more may be fitted where neighbours differ much.
const finerRates = 6

// manyFits is from how many fits on a further grid of rates is left as it is: it
// is one of several alike.
const manyFits = 40

// overRates fits over a grid of rates from that of c on, finer where the fits
// tell them apart, each with the share of the range that it stands for.
func (a *opening) overRates(c course, free []figure, share float64) {
	var grid []profile
	least := math.Inf(1)
	try := func(c course, lnK float64) *profile {
		c.rate = math.Exp(lnK)
		p, ok := a.fit(c, free, 20)
		if !ok {
			return nil
		}
		p.share = share
		grid = append(grid, p)
		least = math.Min(least, p.chi2)
		return &grid[len(grid)-1]
	}
	top, middle := math.Log(a.fastest()), math.Log(c.rate)
	for _, way := range []float64{1, -1} {
		from := c
		for k := middle; k > -7; k += way * rateStep {
			if way < 0 && k == middle {
				continue
			}
			p := try(from, math.Min(k, top))
			if p != nil {
				if from = p.course; p.chi2 > least+25 {
					break
				}
			}
			if k >= top {
				break
			}
		}
	}
	byRate := func(p, q profile) int { return cmp.Compare(q.rate, p.rate) }
	slices.SortFunc(grid, byRate)
	for range finerRates {
		if len(a.fits) > manyFits {
			break
		}
		i := coarsest(grid, least)
		if i < 0 || try(grid[i].course, math.Log(grid[i].rate*grid[i-1].rate)/2) == nil {
			break
		}
		slices.SortFunc(grid, byRate)
	}
	for i := range grid {
		from, to := max(i-1, 0), min(i+1, len(grid)-1)
		if from < to {
			grid[i].share += math.Log(math.Log(grid[from].rate/grid[to].rate) / 2 / rateStep)
		}
	}
	a.fits = append(a.fits, grid...)
}

// coarsest is the number of the profile that differs most from the one before,
// in its misfit or in its onset, where either is likely; -1: none does by much.
func coarsest(grid []profile, least float64) int {
	worst, at := 1.0, -1
	for i := 1; i < len(grid); i++ {
		p, q := &grid[i-1], &grid[i]
		if math.Min(p.chi2, q.chi2) > least+7 || math.Log(p.rate/q.rate) < 0.04 {
			continue
		}
		sd := math.Sqrt(p.cov[figOnset][figOnset]) + math.Sqrt(q.cov[figOnset][figOnset])
		apart := math.Max(math.Abs(p.chi2-q.chi2)/3, math.Abs(p.onset-q.onset)/(2*sd+1e-300)*math.Exp(-math.Max(p.chi2, q.chi2)/2+least/2))
		if apart > worst {
			worst, at = apart, i
		}
	}
	return at
}
