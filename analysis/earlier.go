package analysis

import (
	"math"
	"slices"
)

const (
	earlierSpan  = 0.35 // s before the onset within which an earlier event still shapes the course
	earlierRamp  = 0.5  // s of ramp before it that are used at most
	straightPart = 0.25 // of the time from there to the onset over which the ramp before a supply's step is straight at least
	earlierLeast = 5    // samples after it, at least, that the coarse picture needs
)

// An event before the opening whose course is still under way.
type past struct {
	kind  earlier
	onset float64 // s
	size  float64 // Pa, of the fall or the step that is under way
	tau   float64 // s, of its course
	chi2  float64 // of the coarse picture
}

// steepStep is the size of a step in standard deviations of the noise from which
// on it may have been what the monitor saw.
const steepStep = 6

// lookBack finds the event whose course the opening cuts short: the one that
// the monitor says the ramp begins after, or a supply's step where the ramp
// before the onset is bent. ok is false where there is none to be fitted.
func (a *opening) lookBack() (p past, ok bool) {
	s := &a.s
	end := a.s.index(a.start.onset - 2*s.dt)
	if s.first > 0 {
		at := s.t[s.first]
		if at < a.start.onset-earlierSpan || s.first < 2*earlierLeast || end < s.first {
			return p, false
		}
		from := s.index(at - earlierRamp)
		p, ok = a.hingeBefore(from, end, at, earlierOpening)
		if q, step := a.hingeBefore(from, end, at, earlierStep); step && q.size > steepStep*a.noise.sd() && (!ok || q.chi2 < p.chi2) {
			return q, true // what the monitor took for an opening at first
		}
		if a.w.After && !a.drains(end) && a.bows(end) {
			return past{}, false
		}
		return p, ok
	}
	short := s.t[a.from] > a.start.onset-0.1 && s.t[0] < s.t[a.from]-0.05
	if !a.bent && !short && a.noise.cov[0] < 6*a.firstVariance() {
		return p, false
	}
	return a.hingeBefore(s.index(a.start.onset-earlierSpan), end, math.NaN(), earlierStep)
}

// drained is the part of the pressure a second that a hole takes at least where it
// is one: what yields takes less than a third of it (see theory.md, naming).
const drained = 0.1

// drains tells whether the pressure falls up to sample end as through a hole, such
// as a valve that is still opening.
func (a *opening) drains(end int) bool {
	s := &a.s
	from := (s.first + end) / 2
	if end-from < 3 {
		return false
	}
	slope, at := lineOf(s.t[from:end], s.v[from:end], s.t[end-1])
	return slope < -drained*math.Max(at+a.gauge, 1e5)
}

// bows tells whether what is under way up to sample end bends downwards: a
// volume that grows does, no opening's fall. The fit then goes by the ramp's
// bend.
func (a *opening) bows(end int) bool {
	s := &a.s
	end = min(end, a.quietEnd(a.start.onset))
	for from := s.first; end-from >= 4*curveBlocks; from = (from + end) / 2 {
		c, ok := parabola(s.t[from:end], s.v[from:end])
		if !ok {
			continue
		}
		if c.coef[2] > 0 {
			return false
		}
		a.from, a.curved, a.bent = from, c.bend(), false
		a.noise = newNoise(lineResiduals(s.t[from:end], a.flattened(from, end)), a.floor()*a.floor())
		return true
	}
	return false
}

// hingeBefore is the best hinge within the samples [from, to), downwards for an
// opening, upwards for a step; near is where it is thought to be.
func (a *opening) hingeBefore(from, to int, near float64, kind earlier) (past, bool) {
	s := &a.s
	sign := 1.0
	if kind == earlierStep {
		sign = -1
	}
	b := bins{}
	size := max(1, (to-from)/400)
	for i := from; i < to; i += size {
		j := min(i+size, to)
		t, v := 0.0, 0.0
		for k := i; k < j; k++ {
			t, v = t+s.t[k], v+sign*s.v[k]
		}
		n := float64(j - i)
		b.t, b.y, b.n = append(b.t, t/n), append(b.y, v/n), append(b.n, n)
	}
	if len(b.t) < 3*earlierLeast {
		return past{}, false
	}
	last := b.t[len(b.t)-1]
	variance := a.noise.cov[0]
	best := hinge{chi2: math.Inf(1)}
	b.room = make([]float64, 2*len(b.t))
	for k := 2; k < len(b.t)-earlierLeast; k++ {
		onset := b.t[k]
		if !math.IsNaN(near) && math.Abs(onset-near) > 0.03 {
			continue
		}
		m := b.moments(onset)
		for tau := 2 * s.dt; tau < 2; tau *= 2.5 {
			if h, ok := fitHinge(&b, &m, tau, variance, best.chi2); ok {
				best = h
			}
		}
	}
	if math.IsInf(best.chi2, 1) || best.drop <= 0 || last <= best.onset {
		return past{}, false
	}
	return past{kind: kind, onset: best.onset - a.ch.LagS, size: best.drop, tau: best.tau, chi2: best.chi2}, true
}

// afterEarlier begins a fit of an opening after what lookBack found. It tells
// whether the ramp before that was straight for some of the time from there to the
// opening: before a supply's step it is, a volume that grows bends it all along.
func (a *opening) afterEarlier(p past) (straight bool) {
	s := &a.s
	a.past, a.earlier = p, p.kind
	a.from = max(s.index(p.onset-earlierRamp), 0)
	// Straight before the earlier event, as far as it goes.
	end := s.index(p.onset - 3*a.ch.LagS - 4*s.dt)
	whole := end - a.from
	for end-a.from > 64 && bend(s.t[a.from:end], s.v[a.from:end]) >= 3 {
		a.from = (a.from + end) / 2
	}
	straight = end-a.from == whole || s.t[end]-s.t[a.from] > straightPart*(a.start.onset-p.onset)
	if end-a.from >= 48 {
		a.noise = newNoise(lineResiduals(s.t[a.from:end], s.v[a.from:end]), a.floor()*a.floor())
	}
	return straight
}

// splitWorth is how much better two openings in one must explain the data than
// one alone: chi square for the three figures more.
const splitWorth = 16

// split tries whether what was taken for one opening is two, so close that the
// monitor could not tell them apart; if so the figures become those of the
// first.
func (a *opening) split() {
	one := bestOf(a.fits)
	if one == nil || a.liquid {
		return
	}
	misfit := a.excess()
	wide := one.width > math.Max(3e-3, 4*a.s.dt) && one.cov[figWidth][figWidth] < wideShows*wideShows
	if misfit < 1.5 && !wide {
		return
	}
	kept, start := *a, a.start
	a.earlier, a.first = earlierOpening, true
	var found *opening
	for _, part := range []float64{0.2, 0.4} {
		a.forget()
		w := math.Max(one.width, 4*a.s.dt)
		a.past = past{kind: earlierOpening, onset: one.onset - part*w, size: 0.05 * (one.level + a.gauge), tau: 0.02}
		a.start.onset = one.onset + 0.1*w + a.ch.LagS
		if best := a.likeliest(); best != nil && (found == nil || best.chi2/float64(a.used) < found.fits[0].chi2/float64(found.used)) {
			c := *a
			c.fits = []profile{*best}
			found = &c
		}
		a.start = start
	}
	*a = kept
	if found == nil {
		return
	}
	two := &found.fits[0]
	apart := two.onset - two.before
	near := apart > 0 && apart <= math.Max(12*a.s.dt+2*a.ch.LagS, twoNear)
	if !near || found.excess() > 0.5*misfit+0.5 || misfit == 1 && (found.used < kept.used || two.chi2 > one.chi2-splitWorth) {
		if misfit < 1.5 {
			a.orTwo(found, misfit)
		}
		return
	}
	*a = *found
	a.hypotheses(two)
	a.start, a.settled = start, a.excess()
	for i := range a.fits {
		a.fits[i].becomeFirst()
	}
}

// What is thought of two openings in one beforehand (judgement, no source).
const (
	twoNear   = 0.01 // s: so close the monitor may take them for one
	twoOdds   = 0.2  // against a single slow one
	twoClear  = 1.5  // of the time at which one is open before the other begins: else they are one of another growth
	rateRange = 10.0 // of the logarithm of a rate
	wideShows = 0.3  // of its logarithm, the most standard deviation of an opening time that shows

	quickOpening = 0.5e-3 // s
)

// orTwo adds to the fits of a slow opening that it may be two, of which the first
// is meant: both are fitted to the same bins again, and compared.
func (a *opening) orTwo(found *opening, misfit float64) {
	both, single := *found, *a
	both.b = a.rebinned(&found.b)
	both.white = a.whitened(&both.b)
	both.used = both.after(a.b.t[a.used-1] + a.s.dt/2)
	single.b, single.white, single.used = both.b, both.white, both.used
	single.rings = a.stated()
	one := a.bare()
	if one == nil {
		return
	}
	again, ok := single.fit(one.course, one.freed(), 30)
	two := both.clearest(one, &found.fits[0])
	if !ok || two == nil || again.chi2 > plausibly*float64(single.used) {
		return
	}
	// Its odds against one on these bins are those against all that one stands for:
	// not against a hole of another growth.
	all := a.besides(one)
	alike := *a
	alike.fits = slices.DeleteFunc(slices.Clone(a.fits), func(p profile) bool { return p.grows })
	two.share += one.evidence(misfit) - again.evidence(misfit) + alike.besides(one)
	// Growth that is none of the model's looks like two, too: where nothing is left
	// unexplained they count no more than the one.
	two.share -= math.Max(two.evidence(misfit)-one.evidence(misfit)-all, 0)
	two.becomeFirst()
	a.settled = misfit
	a.fits = append(a.fits, *two)
	a.weigh()
}

// plausibly is chi square a bin above which a fit was led astray.
const plausibly = 3

// bare is the best of the fits that free what the opening is set up for, without a
// line or a lag that nobody stated: the one that can be fitted again.
func (a *opening) bare() *profile {
	var b *profile
	for i := range a.fits {
		p := &a.fits[i]
		same := (p.cap > 0) == a.capped && (p.stop > 0) == a.stops && (p.ring > 0) == a.stated() && p.second == a.second && (p.lag > 0) == (a.ch.LagS > 0)
		if same && !p.grows && (b == nil || p.chi2 < b.chi2) {
			b = p
		}
	}
	return b
}

// clearest is the best fit of two openings that are apart, begun from the one
// that was found and from two quick ones, of a third and two thirds of the area,
// that open on average when and over as long as the slow one does; nil: none is.
// Its share is that of two against one.
func (a *opening) clearest(one, found *profile) *profile {
	quick := found.course
	quick.oldWidth, quick.width = quickOpening, quickOpening
	quick.oldRate, quick.rate = one.rate/3, one.rate*2/3
	quick.before, quick.onset = one.onset-one.width/3, one.onset+one.width/6
	quick.level = one.level + one.ramp*(quick.before-one.onset)
	var best *profile
	try := func(c course, free []figure, share float64) {
		p, ok := a.fit(c, free, 40)
		apart := p.onset - p.before
		if ok && apart <= twoNear && apart > twoClear*(p.oldWidth+p.width)/2 {
			p.share = share
			if best == nil || p.evidence(1) > best.evidence(1) {
				best = &p
			}
		}
	}
	free, share := found.freed(), math.Log(twoOdds)+math.Log(math.Sqrt(2*math.Pi)/rateRange)+math.Log(math.Sqrt(2*math.Pi)/twoNear)
	try(found.course, free, share-math.Log(2*oldShapeSD))
	try(quick, free, share-math.Log(2*oldShapeSD))
	// both held quick, with half of the odds
	try(quick, without(free, figWidth, figShape, figOldWidth, figOldShape), share+math.Log(widthSD*shapeSD/2))
	return best
}

// freed are the figures that were fitted.
func (p *profile) freed() []figure {
	var list []figure
	for f := range figures {
		if p.cov[f][f] > 0 {
			list = append(list, f)
		}
	}
	return list
}

// becomeFirst exchanges the opening with the earlier one: from here on the
// figures are those of the first. The course is no longer one to be solved.
func (p *profile) becomeFirst() {
	p.first = true
	p.onset, p.before = p.before, p.onset
	p.rate, p.oldRate = p.oldRate, p.rate
	p.width, p.oldWidth = p.oldWidth, p.width
	for _, x := range [][2]figure{{figOnset, figBefore}, {figRate, figOldRate}, {figWidth, figOldWidth}} {
		f, g := x[0], x[1]
		p.cov[f], p.cov[g] = p.cov[g], p.cov[f]
		for k := range p.cov {
			p.cov[k][f], p.cov[k][g] = p.cov[k][g], p.cov[k][f]
		}
	}
}
