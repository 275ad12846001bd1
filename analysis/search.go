package analysis

import "math"

// characterise fits the models that what was seen so far suggests, and keeps
// the first that explains the data, or else the best.
func (a *opening) characterise() {
	if a.turns {
		to := a.to
		a.closes = true
		a.to = max(to, a.s.index(a.lowest+math.Max(0.6*(a.lowest-a.start.onset), 24*a.s.dt+4*a.ch.LagS)))
		a.refine()
		if len(a.fits) > 0 && a.excess() < 2 {
			return
		}
		a.forget()
		a.closes, a.to = false, to
	}
	if p, ok := a.lookBack(); ok {
		from, noise := a.from, a.noise
		if p.kind == earlierStep {
			a.alone = a.likeliest()
			a.forget()
		}
		if a.afterEarlier(p) || p.kind != earlierStep {
			a.refine()
		}
		limit := 3.0
		if p.kind == earlierStep { // nobody says that there was one
			limit = 1.5
		}
		if len(a.fits) > 0 && a.excess() < limit && (p.kind != earlierStep || bestOf(a.fits).step > a.noise.sd()) {
			return
		}
		stepped := *a
		a.forget()
		a.earlier, a.from, a.noise = straightRamp, from, noise
		if stepped.perhapsStep() {
			if a.refine(); len(a.fits) == 0 || a.excess() > stepped.excess() {
				*a = stepped
				return
			}
			a.split()
			return
		}
	}
	a.refine()
	a.split()
}

// perhapsStep tells whether the fit is one of a supply's step that shows and that
// leaves something unexplained, though not much: it may still be better than one
// without the step.
func (a *opening) perhapsStep() bool {
	return a.earlier == earlierStep && len(a.fits) > 0 && a.excess() < plausibly && bestOf(a.fits).step > a.noise.sd()
}

// forget drops what a refinement found.
func (a *opening) forget() {
	a.fits, a.listened, a.regulated, a.rings, a.fed, a.capped, a.ignoring, a.stops, a.second = nil, 0, 0, a.stated(), false, false, false, false, false
}

// refine fits the forward model, first to the beginning of the fall, then to as
// much of it as the model explains, then under each of the hypotheses that the
// data can't tell apart.
func (a *opening) refine() {
	find := a.likeliest
	if a.earlier == earlierStep {
		find = a.likeliestStep
	}
	best := find()
	if best == nil {
		return
	}
	a.hypotheses(best)
	if p := a.overtaken(best); p != nil {
		a.hypotheses(p)
	}
}

// astray is by how much better, in chi square, one of the hypotheses must explain the
// data than the search's best fit to show that the search went astray.
const astray = 30

// overtaken is the best fit from where one of the hypotheses explains the data much
// better than what the search ended with; nil: none does.
func (a *opening) overtaken(best *profile) *profile {
	b := bestOf(a.fits)
	if b.chi2 > best.chi2-astray || b.grows || b.first || b.earlier == earlierStep {
		return nil
	}
	kept := *a
	a.rings, a.second = a.stated() || b.ring > 0, b.second
	a.stops, a.capped, a.fed = b.stop > 0, b.cap > 0, b.feed > 0
	_, free := a.bounds()
	c := b.course
	c.width = math.Max(c.width, a.s.dt/2)
	if p, ok := a.fit(c, free, 60); ok && p.chi2 < best.chi2-astray {
		return &p
	}
	*a = kept
	return nil
}

// likeliest is the best fit alone; nil: none converged.
func (a *opening) likeliest() *profile {
	s := &a.s
	near := math.Max(32*s.dt, 4*a.ch.LagS)
	centres := []float64{a.start.onset}
	if a.earlier != straightRamp {
		centres = append(centres, a.past.onset)
	}
	a.b = s.bin(a.from, a.to, near, 1.0/12, 1.0/32, centres...)
	if a.earlier == straightRamp {
		a.b = a.rebinned(&a.b)
	}
	a.white = a.whitened(&a.b)
	a.slow, a.cramped = false, false
	best := a.likeliestWidth()
	if best != nil && best.width >= widthCramps*a.widest() {
		a.cramped = true
	}
	if best == nil || a.earlier != straightRamp || !a.cramped || a.widest() >= slowestOpening {
		return best
	}
	used := a.used
	a.slow = true
	slow := a.likeliestWidth()
	if slow != nil && slow.width > best.width && (a.used > used || a.used == used && slow.chi2 < best.chi2) {
		return slow
	}
	a.slow, a.used = false, used
	return best
}

// rebinned are the bins with what the model may be off by.
func (a *opening) rebinned(b *bins) bins {
	c := *b
	c.slack = make([]float64, len(b.t))
	for i, t := range b.t {
		if fallen := a.start.level + a.start.ramp*(t-a.start.onset) - b.y[i]; t > a.start.onset && fallen > 0 {
			c.slack[i] = modelSlack * modelSlack * fallen * fallen
		}
	}
	return c
}

// widthCramps is the share of the widest opening from which a fit counts as
// running into that bound.
const widthCramps = 0.8

// whitened is the whitener of bins of the stretch.
func (a *opening) whitened(b *bins) *whitener {
	from := b.first[0]
	at := a.s.places(from, b.end[len(b.end)-1])
	return newWhitener(&a.noise, b, func(i int) int { return at[i-from] })
}

// likeliestWidth is likeliest within the opening times that are allowed.
func (a *opening) likeliestWidth() *profile {
	a.used = a.early()
	first := a.begin()
	if first == nil {
		return nil
	}
	return a.extend(first.course)
}

// begin fits the beginning of the fall from several guesses.
func (a *opening) begin() *profile {
	basic := []figure{figOnset, figLevel, figRamp, figRate, figWidth}
	if a.closes {
		basic = append(basic, figLoss)
	}
	switch a.earlier {
	case earlierOpening:
		basic = append(basic, figBefore, figOldRate, figOldWidth)
	case earlierStep:
		basic = append(basic, figBefore, figStep, figFeed)
		if a.capped {
			basic = append(basic, figCap)
		}
	}
	start := a.startCourse()
	var best *profile
	if a.earlier == earlierStep && a.alone != nil {
		c := start
		c.onset, c.width, c.rate = a.alone.onset, a.alone.width, a.alone.rate
		if p, ok := a.fit(c, basic, 25); ok {
			if best = &p; a.misfit(best) == 1 && !best.hidden() {
				return best
			}
		}
	}
	widths := []float64{0.5e-3, 4e-3, 20e-3}
	if a.slow {
		widths = []float64{0.08, 0.25}
	}
	for _, w := range widths {
		for _, k := range []float64{1, 4} {
			c := start
			c.width = math.Max(a.narrowest(), math.Min(w, a.widest()))
			if a.slow { // the coarse picture's onset is where the fall begins
				c.onset += c.width / 2
			}
			c.rate = math.Min(k*c.rate, a.fastest())
			if p, ok := a.fit(c, basic, 25); ok && (best == nil || p.chi2 < best.chi2) {
				best = &p
				if a.misfit(best) == 1 && !best.hidden() {
					return best
				}
			}
		}
	}
	return best
}

// extend fits the longest part of the fall that the model explains: what comes
// later than that (a supply valve that shuts, a closing flap, heat) says nothing
// of the opening.
func (a *opening) extend(early course) *profile {
	plain := a.startCourse()
	plain.width = early.width
	seeds := []course{early, plain}
	if l := a.ch.LagS; a.start.tau < 4*l {
		// Lag and fall look alike: begin from a fall that the lag hides, too.
		for _, w := range []float64{0.3 * l, 2 * l} {
			fast := plain
			fast.rate, fast.width = math.Min(8/l, a.fastest()), math.Min(math.Max(w, a.narrowest()), a.widest())
			seeds = append(seeds, fast)
		}
	}
	last := a.b.t[len(a.b.t)-1] - a.start.onset
	var best *profile
	for span := last; ; span /= 2.5 {
		n := len(a.b.t)
		for n > 0 && a.b.t[n-1] > a.start.onset+span {
			n--
		}
		if best != nil && (n-a.after(a.start.onset) < 20 || span < 0.04*last || span < 6*a.ch.LagS+30*a.s.dt+usualOpening) {
			return best
		}
		a.used = n
		_, free := a.bounds()
		p := a.whole(seeds, free)
		if p == nil {
			return best
		}
		best = p
		a.cramped = a.cramped || p.width >= widthCramps*a.widest()
		if a.misfit(best) == 1 {
			return best
		}
		for _, try := range []func(*profile) *profile{a.orders, a.supplies, a.listen, a.answers, a.regulate} {
			if q := try(best); q != nil {
				if best = q; a.misfit(best) == 1 {
					return best
				}
			}
		}
		seeds = []course{early, best.course}
	}
}

// mostTries bounds how often a window is searched for a ringing line and for a
// regulator: each search is some twenty fits.
const mostTries = 1

// stopSeeds are times after the onset at which the supply is tried to shut, s.
var stopSeeds = []float64{5e-3, 0.03, 0.15}

// supplies tries whether a supply that shuts or a regulator that answers explains
// what the best course does not, and takes the likelier: nil if neither does. The
// other stays for the hypotheses.
func (a *opening) supplies(best *profile) *profile {
	shut := a.halts(best)
	stops := a.stops
	a.stops = false
	var fed *profile
	if a.earlier == straightRamp {
		fed = a.choke(best)
	}
	if shut != nil && (fed == nil || shut.chi2 <= fed.chi2) {
		a.fed, a.capped, a.stops = false, false, stops
		return shut
	}
	return fed
}

// answers tries whether a regulator that answers to an earlier opening, too,
// explains what the best course does not: nil if not. A line that still rings from
// there shows more: it is looked for before.
func (a *opening) answers(best *profile) *profile {
	if a.earlier != earlierOpening {
		return nil
	}
	return a.choke(best)
}

// halts tries whether a supply that shuts after the opening explains what the
// best course does not: nil if not.
func (a *opening) halts(best *profile) *profile {
	if a.stops || a.closes || a.earlier != straightRamp || !a.suppliesMuch(best) {
		return nil
	}
	a.stops = true
	if p := a.stopped(best); p != nil && p.chi2 < best.chi2-20 {
		return p
	}
	a.stops = false
	return nil
}

// stopped is the best fit with a supply that shuts; stops must be set.
func (a *opening) stopped(best *profile) *profile {
	_, free := a.bounds()
	var found *profile
	for _, t := range stopSeeds {
		if t > a.b.t[a.used-1]-best.onset {
			break
		}
		c := best.course
		c.stop, c.heat, c.warm, c.hold, c.width = t, a.middlingHeat(), warmMean, holdMean, math.Min(c.width, widthMean)
		if p, ok := a.fit(c, free, 25); ok && (found == nil || p.chi2 < found.chi2) {
			found = &p
			if p.cov[figStop][figStop] > shows*shows*stopSD*stopSD && math.Abs(p.chi2-best.chi2) < 0.5 { // nothing shows of it
				break
			}
		}
	}
	return found
}

// shows is the part of its prior standard deviation below which something shows of
// a figure.
const shows = 0.8

// feedSeeds are how fast regulators are tried to answer, 1/s: in some
// milliseconds to tenths of seconds (common practice, no source).
var feedSeeds = []float64{50, 10, 250}

// choke tries whether a regulator that gives more as the pressure falls, up to
// what its orifice lets through, explains what the best course does not: nil if
// not.
func (a *opening) choke(best *profile) *profile {
	if a.fed || a.closes || !a.mayRegulate(best) {
		return nil
	}
	a.fed, a.capped = true, true
	_, free := a.bounds()
	var found *profile
	a.answered = nil
	for _, feed := range feedSeeds {
		p := a.choked(best, free, feed)
		if p == nil {
			continue
		}
		a.answered = append(a.answered, *p)
		if found == nil || p.chi2 < found.chi2 {
			found = p
		}
	}
	if found != nil && found.chi2 < best.chi2-20 {
		return found
	}
	a.fed, a.capped = false, false
	return nil
}

// choked is the best fit with a regulator of limited flow that answers at the
// rate feed; capped must be set.
func (a *opening) choked(best *profile, free []figure, feed float64) *profile {
	var found *profile
	for _, part := range []float64{0.7, 6} {
		c := best.course
		c.feed, c.cap = feed, part*math.Max(math.Abs(best.ramp), 1)
		if p, ok := a.fit(c, free, 25); ok && (found == nil || p.chi2 < found.chi2) {
			found = &p
			if p.cov[figCap][figCap] > shows*shows*capSD*capSD && math.Abs(p.chi2-best.chi2) < 0.5 {
				break
			}
		}
	}
	return found
}

// mayRegulate tells whether a regulator may be at work that matters.
func (a *opening) mayRegulate(best *profile) bool {
	return (a.earlier == straightRamp || a.earlier == earlierOpening) && a.w.SupplyOpen != 0 && best.ramp > 0 && a.supplyPart(best) > 2e-3/mostOfRamp
}

// mostOfRamp is how many times the ramp's flow a regulator lets through at most
// (common practice, no source): on a slow ramp it is hardly open.
const mostOfRamp = 20

// suppliesMuch tells whether the supply makes up so much of the fall that it
// matters when it shuts.
func (a *opening) suppliesMuch(p *profile) bool {
	return a.supplyPart(p) > 2e-3
}

// supplyPart is the part of the fall that the ramp's supply makes up.
func (a *opening) supplyPart(p *profile) float64 {
	return math.Abs(p.ramp) / (p.rate * math.Max(p.level+a.gauge, 1))
}

// regulate tries whether a regulator that gives more as the pressure falls
// explains what the best course does not: nil if not.
func (a *opening) regulate(best *profile) *profile {
	if a.fed || a.regulated >= mostTries {
		return nil
	}
	a.regulated++
	a.fed = true
	_, free := a.bounds()
	start := a.startCourse()
	start.ring, start.damp, start.second = best.ring, best.damp, best.second
	var found *profile
	for _, feed := range []float64{0.3, 1, 4} {
		for _, w := range []float64{4 * a.narrowest(), 0.001, 0.004} {
			c := start
			c.width = math.Min(w, a.widest())
			c.feed = feed / a.start.tau
			if p, ok := a.fit(c, free, 30); ok && (found == nil || p.chi2 < found.chi2) {
				found = &p
			}
		}
	}
	if found != nil && found.chi2 < best.chi2-20 && a.misfit(found) < 0.5*a.misfit(best)+0.5 {
		return found
	}
	a.fed = false
	return nil
}

// after is the number of bins before time t.
func (a *opening) after(t float64) int {
	n := 0
	for n < len(a.b.t) && a.b.t[n] < t {
		n++
	}
	return n
}

// listen looks for a ringing of the line where the best course does not
// explain the data: nil where there is none.
func (a *opening) listen(best *profile) *profile {
	if a.rings || a.listened >= mostTries {
		return nil
	}
	a.listened++
	second := a.second
	a.rings, a.second = true, false
	_, free := a.bounds()
	var found *profile
	top := 0.5 / a.s.dt
	for f := top; f > top/40; f /= 1.7 {
		c := best.toFirst()
		c.ring, c.damp = f, dampMean
		if p, ok := a.fit(c, free, 14); ok && (found == nil || p.chi2 < found.chi2) {
			found = &p
		}
	}
	if found != nil {
		if p, ok := a.fit(found.course, free, 60); ok && p.chi2 < found.chi2 {
			found = &p
		}
		if found.chi2 < best.chi2-20 {
			return found
		}
	}
	a.rings, a.second = false, second
	return nil
}

// early is the number of bins up to where the first quarter of the fall has
// passed, but for fast falls.
func (a *opening) early() int {
	h := a.start
	aim := h.level - 0.25*(h.level-(a.ambient-a.gauge))
	after := 0
	for i, t := range a.b.t {
		if t < h.onset {
			continue
		}
		if after++; a.b.y[i] < aim && after >= 16 {
			return i + 1
		}
	}
	return len(a.b.t)
}

// whole fits the whole stretch from each of the seeds, with several guesses of
// the walls' heat, which shows only later.
func (a *opening) whole(seeds []course, free []figure) *profile {
	var best *profile
	for _, c := range seeds {
		for _, heat := range []float64{a.middlingHeat(), 0.2, 10} {
			c.heat = heat
			if p, ok := a.fit(c, free, 40); ok && (best == nil || p.chi2 < best.chi2) {
				best = &p
			}
			if !a.warms() || best != nil && best.rate > 5 { // too fast to show
				break
			}
		}
		if best != nil && a.misfit(best) == 1 && !best.hidden() {
			return best
		}
	}
	return best
}

// startCourse turns the coarse picture into a course.
func (a *opening) startCourse() course {
	h := a.start
	c := course{onset: h.onset - a.ch.LagS, ramp: h.ramp, lag: a.ch.LagS, shape: shapeMean,
		width: widthMean, heat: a.middlingHeat(), warm: warmMean, hold: holdMean}
	c.level = h.level + h.ramp*(c.onset-h.onset+a.ch.LagS)
	p := math.Max(c.level+a.gauge, 1)
	c.rate = h.drop / h.tau / p
	// A fall as fast as the lag says little of the vessel's own.
	if a.ch.LagS > 0 && c.rate > 0.5/a.ch.LagS {
		c.rate = 2 / a.ch.LagS
	}
	c.rate = math.Max(math.Min(c.rate, a.fastest()), 1e-6)
	if a.stated() {
		c.ring, c.damp = a.ch.ResonanceHz, a.statedDamping()
	}
	if p := a.past; a.earlier != straightRamp {
		c.earlier, c.before = a.earlier, p.onset
		n := max(1, min(a.s.index(p.onset)-a.from, 200))
		c.ramp, c.level = lineOf(a.s.t[a.from:a.from+n], a.s.v[a.from:a.from+n], p.onset)
		c.oldRate = math.Max(math.Min(p.size/p.tau/math.Max(c.level+a.gauge, 1), a.fastest()), 1e-6)
		c.oldWidth, c.oldShape = 3e-3, oldShapeMean
		c.step, c.feed = p.size, math.Min(1/p.tau, 1e4)
		if a.earlier == earlierStep {
			c.oldRate, c.oldWidth = 0, 0
			a.react(&c)
		} else {
			c.feed, c.step = 0, 0
		}
	}
	if a.closes {
		c.loss = c.rate * math.Max(a.lowest-h.onset, a.s.dt)
		c.left, c.shuts = leftSD/2, math.Max(shutsMean, a.narrowest())
	}
	return c
}

// lineOf is the straight line through v over t: its slope and its value at x.
func lineOf(t, v []float64, x float64) (slope, at float64) {
	var s1, s2, r0, r1 float64
	for i := range t {
		d := t[i] - x
		s1, s2, r0, r1 = s1+d, s2+d*d, r0+v[i]-v[0], r1+(v[i]-v[0])*d
	}
	n := float64(len(t))
	det := n*s2 - s1*s1
	if len(t) < 3 || det <= 0 {
		return 0, v[0] + r0/n
	}
	slope = (n*r1 - s1*r0) / det
	return slope, v[0] + (r0-slope*s1)/n
}
