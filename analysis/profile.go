package analysis

import (
	"math"
)

// A figure is a parameter of a course that a fit may free.
type figure int

const (
	figOnset figure = iota
	figLevel
	figRamp
	figBend
	figRate  // ln K
	figWidth // ln w
	figShape
	figHeat // ln
	figWarm
	figHold
	figFeed
	figZero
	figLag
	figRing // ln f
	figDamp // ln
	figures
)

// What is known beforehand of the figures that hardly show: standard
// deviations of normal priors, and the ranges within which the logarithms of
// rate and opening time are held equally likely (judgement, no source).
const (
	shapeMean, shapeSD = 1.6, 0.4
	heatMean, heatSD   = -0.5, 1.5 // of ln(rate·s): small vessels lose their heat in some tenths of seconds to seconds
	holdMean, holdSD   = 0.5, 0.5
	quickWalls         = 0.4         // 1/s, a middling rate for how warm a ramp makes the gas
	ringMean, ringSD   = 1000.0, 0.8 // Hz, of its logarithm: short lines ring at hundreds of Hz to some kHz
	dampMean, dampSD   = 0.12, 0.8
	bendSD             = 0.03  // 1/s: by how much of itself the ramp changes in a second
	widestOpening      = 0.03  // s
	usualOpening       = 0.004 // s: less of the fall is never fitted alone
	fastestFall        = 2e4   // 1/s, where no volume tells better
)

func (c *course) get(f figure) float64 {
	switch f {
	case figOnset:
		return c.onset
	case figLevel:
		return c.level
	case figRamp:
		return c.ramp
	case figRate:
		return math.Log(c.rate)
	case figWidth:
		return math.Log(c.width)
	case figShape:
		return c.shape
	case figHeat:
		return math.Log(c.heat)
	case figWarm:
		return c.warm
	case figBend:
		return c.bend
	case figHold:
		return c.hold
	case figFeed:
		return c.feed
	case figZero:
		return c.zero
	case figRing:
		return math.Log(c.ring)
	case figDamp:
		return math.Log(c.damp)
	}
	return c.lag
}

func (c *course) set(f figure, v float64) {
	switch f {
	case figOnset:
		c.onset = v
	case figLevel:
		c.level = v
	case figRamp:
		c.ramp = v
	case figRate:
		c.rate = math.Exp(v)
	case figWidth:
		c.width = math.Exp(v)
	case figShape:
		c.shape = v
	case figHeat:
		c.heat = math.Exp(v)
	case figWarm:
		c.warm = v
	case figBend:
		c.bend = v
	case figHold:
		c.hold = v
	case figFeed:
		c.feed = v
	case figZero:
		c.zero = v
	case figRing:
		c.ring = math.Exp(v)
	case figDamp:
		c.damp = math.Exp(v)
	case figLag:
		c.lag = v
	}
}

// A bound is what limits a figure: hard ends, and a normal prior where sd > 0.
type bound struct {
	low, high, mean, sd, scale float64
}

// bounds gives every figure's bound for this window; free lists those that a
// fit always frees.
func (a *opening) bounds() (b [figures]bound, free []figure) {
	first, last := a.b.t[0], a.b.t[len(a.b.t)-1]
	inf := math.Inf(1)
	sd := a.noise.sd()
	b[figOnset] = bound{low: first, high: last, scale: 100 * a.s.dt}
	b[figLevel] = bound{low: -inf, high: inf, scale: 1e3 * sd}
	b[figRamp] = bound{low: -inf, high: inf, scale: 1e3 * sd}
	b[figRate] = bound{low: -14, high: math.Log(a.fastest()), scale: 1}
	b[figWidth] = bound{low: math.Log(a.narrowest()), high: math.Log(a.widest()), scale: 1}
	b[figShape] = bound{low: 0.9, high: 3, mean: shapeMean, sd: shapeSD, scale: shapeSD}
	zero := math.Max(a.ch.Curve.UOffset, math.Max(sd, 1e-3*math.Abs(a.start.level)))
	b[figZero] = bound{low: -10 * zero, high: 10 * zero, sd: zero, scale: zero}
	bend := math.Max(bendSD*math.Abs(a.start.ramp), 1e-3*sd)
	if a.bent {
		x := a.start.onset - a.s.t[a.from]
		bend = math.Max(bend, math.Abs(a.start.level-a.s.v[a.from])/(x*x))
	}
	b[figBend] = bound{low: -20 * bend, high: 20 * bend, sd: bend, scale: bend}
	free = []figure{figOnset, figLevel, figRamp, figBend, figShape, figZero}
	if a.warms() {
		b[figHeat] = bound{low: heatMean - 5*heatSD, high: heatMean + 4*heatSD, mean: heatMean, sd: heatSD, scale: heatSD}
		m := a.warmer()
		b[figWarm] = bound{low: 1 - 2*m, high: 1 + 5*m, mean: 1 + m, sd: m, scale: m}
		b[figHold] = bound{low: -0.1, high: 1.1, mean: holdMean, sd: holdSD, scale: holdSD}
		free = append(free, figHeat, figWarm, figHold)
	}
	if l, u := a.ch.LagS, a.ch.LagUS; l > 0 && u > 0 {
		b[figLag] = bound{low: math.Max(0.05*l, l-4*u), high: l + 4*u, mean: l, sd: u, scale: u}
		free = append(free, figLag)
	}
	if a.fed {
		b[figFeed] = bound{low: 0, high: 1e4, scale: 10}
		free = append(free, figFeed)
	}
	if a.rings {
		b[figRing] = bound{low: math.Log(20), high: math.Log(2 / a.s.dt), mean: math.Log(ringMean), sd: ringSD, scale: 0.1}
		b[figDamp] = bound{low: math.Log(0.003), high: math.Log(0.9), mean: math.Log(dampMean), sd: dampSD, scale: 0.3}
		free = append(free, figRing, figDamp)
	}
	return b, free
}

// warms tells whether the fall lasts so long that the walls' heat may show.
func (a *opening) warms() bool {
	return !a.liquid && a.s.t[a.to-1]-a.start.onset > 0.03
}

// warmer is by how much of the walls' temperature a ramp is thought to warm the
// gas: half of what a long ramp does, (γ-1)ρ/(ρ+h) with ρ the ramp over the
// pressure, at a middling h. It is as uncertain as it is large.
func (a *opening) warmer() float64 {
	rho := math.Max(a.start.ramp, 0) / math.Max(a.start.level+a.gauge, 1)
	return 0.5*(a.gas.Gamma-1)*rho/(rho+quickWalls) + 1e-4
}

// fastest is the greatest rate thought possible, 1/s: a hole as large as the
// volume's own section.
func (a *opening) fastest() float64 {
	if v := a.o.Fixture.VolumeM3; v > 0 && !a.liquid {
		t := a.o.Fixture.TemperatureK
		if t <= 0 {
			t = 293
		}
		hole := 2 * math.Cbrt(v) * math.Cbrt(v)
		return a.gas.Gamma * hole / a.gas.AreaFromTau(v, 1, t)
	}
	return fastestFall
}

func (a *opening) narrowest() float64 { return 0.25 * a.s.dt }

func (a *opening) widest() float64 {
	return math.Max(math.Min(math.Max(widestOpening, 40*a.s.dt), 2*(a.s.t[a.to-1]-a.start.onset)), 6*a.s.dt)
}

// A profile is the best course with some figures held, its misfit and the
// covariance of all figures (nought for the held ones).
type profile struct {
	course
	chi2   float64
	cov    [figures][figures]float64
	lnDet  float64 // of the free figures' covariance
	weight float64
}

// fit fits the given figures from course c on.
func (a *opening) fit(c course, free []figure, most int) (profile, bool) {
	b := &a.b
	n := a.used
	limits, _ := a.bounds()
	span := b.t[n-1] - c.onset + c.width + 2*a.s.dt
	sv := newSolver(a.law, math.Max(span, 4*a.s.dt), c.rate)
	var theta, scale, lower, upper []float64
	obs := append([]float64(nil), b.y[:n]...)
	var soft []int // places in theta that carry a prior
	for k, f := range free {
		l := limits[f]
		theta, scale = append(theta, c.get(f)), append(scale, l.scale)
		lower, upper = append(lower, l.low), append(upper, l.high)
		if l.sd > 0 {
			soft = append(soft, k)
			obs = append(obs, l.mean/l.sd)
		}
	}
	unpack := func(th []float64) course {
		d := c
		for k, f := range free {
			d.set(f, th[k])
		}
		return d
	}
	p := Problem{Y: obs, Rough: true, Lower: lower, Upper: upper, Scale: scale,
		Predict: func(th, y []float64) {
			sv.read(unpack(th), b.t[:n], y[:n])
			for i, k := range soft {
				y[n+i] = th[k] / limits[free[k]].sd
			}
		},
		Whiten: func(v []float64) { a.white.apply(v[:n]) },
	}
	r, err := Fit(p, theta, FitOptions{Iterations: most, Tolerance: 1e-6})
	if err != nil || r.Cov == nil {
		return profile{}, false
	}
	out := profile{course: unpack(r.Theta), chi2: r.RSS, lnDet: lnDet(r)}
	for i, f := range free {
		for j, g := range free {
			out.cov[f][g] = r.Cov.At(i, j)
		}
	}
	return out, true
}

// lnDet is the logarithm of the determinant of the covariance, each figure in
// units of its scale of change.
func lnDet(r FitResult) float64 {
	_, m := r.J.Dims()
	// Cov is a product of triangles: its determinant by Cholesky, inline.
	l := make([]float64, m*m)
	sum := 0.0
	for i := 0; i < m; i++ {
		for j := 0; j <= i; j++ {
			s := r.Cov.At(i, j) / math.Sqrt(r.Cov.At(i, i)*r.Cov.At(j, j))
			for k := 0; k < j; k++ {
				s -= l[i*m+k] * l[j*m+k]
			}
			if i == j {
				l[i*m+i] = math.Sqrt(math.Max(s, 1e-12))
				sum += 2 * math.Log(l[i*m+i])
			} else {
				l[i*m+j] = s / l[j*m+j]
			}
		}
		sum += math.Log(r.Cov.At(i, i))
	}
	return sum
}

// refine fits the forward model: over a grid of opening times first, then with
// the opening time free where it shows, else over the grid's whole profile.
func (a *opening) refine() {
	s := &a.s
	near := math.Max(32*s.dt, 4*a.ch.LagS)
	a.b = s.bin(a.from, a.to, a.start.onset, near, 1.0/12, 1.0/32)
	origin := s.t[a.from]
	a.white = newWhitener(&a.noise, &a.b, func(i int) int { return int(math.Round((s.t[i] - origin) / s.dt)) })
	a.used = a.early()
	grid := a.overWidths([]figure{figOnset, figLevel, figRamp, figRate, figShape})
	best := bestOf(grid)
	if best == nil {
		return
	}
	best = a.extend(best.course)
	if best == nil {
		return
	}
	_, free := a.bounds() // the line's resonance may have joined
	withRate := append(append([]figure(nil), free...), figRate)
	spread := 1.0
	if p, ok := a.fit(best.course, append(append([]figure(nil), withRate...), figWidth), 60); ok {
		spread = math.Sqrt(p.cov[figWidth][figWidth])
		if p.chi2 < best.chi2+0.5 && math.Sqrt(p.cov[figWidth][figWidth]) < 0.07 && math.Sqrt(p.cov[figRate][figRate]) < 0.1 && p.rate*p.width < 1.5 {
			p.weight = 1
			a.fits = []profile{p}
			a.overLines(append(append([]figure(nil), withRate...), figWidth))
			return
		}
		if p.chi2 < best.chi2 {
			best = &p
		}
	}
	a.fits = a.around(best, withRate, spread)
	a.weigh()
	for i := range a.fits {
		if a.fits[i].weight > 0.01 && a.fits[i].cov[figRate][figRate] > 0.5*0.5 {
			a.fits = a.overRates(best, free)
			break
		}
	}
	a.weigh()
	a.overLines(withRate)
}

// overLines adds what a line that rings too little to be heard would change: it
// delays, too. No line and each of five resonances are held equally likely
// beforehand: most benches have a line.
func (a *opening) overLines(free []figure) {
	best := bestOf(a.fits)
	if a.rings || best == nil {
		return
	}
	a.rings = true // for the bounds
	defer func() { a.rings = false }()
	excess := a.excess()
	var sum float64
	grid := []float64{3000, 1700, 1000, 560, 320}
	for _, f := range grid {
		c := best.course
		c.ring, c.damp = f, dampMean
		p, ok := a.fit(c, append(append([]figure(nil), free...), figDamp), 12)
		if !ok {
			continue
		}
		d := (p.chi2 - best.chi2) / excess
		if d > 40 {
			continue
		}
		p.weight = math.Exp(-d/2 + (p.lnDet-best.lnDet)/2)
		a.fits = append(a.fits, p)
		sum += p.weight
	}
	for i := range a.fits {
		a.fits[i].weight /= 1 + sum
	}
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
		p := a.whole(seeds, append(free, figRate))
		if p == nil {
			return best
		}
		best = p
		if a.misfit(best) == 1 {
			return best
		}
		if q := a.listen(best); q != nil {
			if best = q; a.misfit(best) == 1 {
				return best
			}
		}
		if q := a.regulate(best); q != nil {
			if best = q; a.misfit(best) == 1 {
				return best
			}
		}
		seeds = []course{early, best.course}
	}
}

// mostTries bounds how often a window is searched for a ringing line and for a
// regulator: each search is some twenty fits.
const mostTries = 1

// regulate tries whether a regulator that gives more as the pressure falls
// explains what the best course does not: nil if not.
func (a *opening) regulate(best *profile) *profile {
	if a.fed || a.regulated >= mostTries {
		return nil
	}
	a.regulated++
	a.fed = true
	_, free := a.bounds()
	free = append(free, figRate)
	start := a.startCourse()
	start.ring, start.damp = best.ring, best.damp
	var found *profile
	for _, feed := range []float64{0.3, 1, 4} {
		for _, w := range []float64{4 * a.narrowest(), 0.001, 0.004} {
			c := start
			c.width = math.Min(w, a.widest())
			c.feed = feed / a.start.tau
			if p, ok := a.fit(c, append(free, figWidth), 30); ok && (found == nil || p.chi2 < found.chi2) {
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
	a.rings = true
	_, free := a.bounds()
	free = append(free, figRate)
	var found *profile
	top := 0.5 / a.s.dt
	for f := top; f > top/40; f /= 1.5 {
		for _, damp := range []float64{0.05, 0.25} {
			c := best.course
			c.ring, c.damp = f, damp
			if p, ok := a.fit(c, free, 14); ok && (found == nil || p.chi2 < found.chi2) {
				found = &p
			}
		}
	}
	if found != nil {
		if p, ok := a.fit(found.course, append(free, figWidth), 60); ok && p.chi2 < found.chi2 {
			found = &p
		}
		if found.chi2 < best.chi2-20 {
			return found
		}
	}
	a.rings = false
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
		for _, heat := range []float64{1.5, 0.2, 10} {
			c.heat = heat
			if p, ok := a.fit(c, free, 40); ok && (best == nil || p.chi2 < best.chi2) {
				best = &p
			}
			if !a.warms() || best != nil && best.rate > 5 { // too fast to show
				break
			}
		}
	}
	return best
}

func bestOf(p []profile) *profile {
	var b *profile
	for i := range p {
		if b == nil || p[i].chi2 < b.chi2 {
			b = &p[i]
		}
	}
	return b
}

// overWidths fits at opening times spaced by a factor, each from the best
// course met so far and from the coarse picture.
func (a *opening) overWidths(free []figure) []profile {
	var grid []profile
	start := a.startCourse()
	for w := a.narrowest(); w <= a.widest(); w *= 2.2 {
		var here []profile
		for _, c := range a.seeds(start, bestOf(grid)) {
			c.width = w
			if p, ok := a.fit(c, free, 25); ok {
				here = append(here, p)
			}
		}
		if b := bestOf(here); b != nil {
			grid = append(grid, *b)
		}
	}
	return grid
}

func (a *opening) seeds(start course, best *profile) []course {
	if best == nil {
		fast := start
		fast.rate = math.Min(4*start.rate, a.fastest())
		return []course{start, fast}
	}
	return []course{best.course}
}

// around fits at opening times to both sides of the best one, as far as the
// likelihood goes.
func (a *opening) around(best *profile, free []figure, spread float64) []profile {
	factor := math.Exp(math.Max(0.02, math.Min(0.3, spread)))
	var out []profile
	if p, ok := a.fit(best.course, free, 25); ok {
		out = append(out, p)
	}
	for _, step := range []float64{1 / factor, factor} {
		c := best.course
		for w := best.width * step; w >= a.narrowest() && w <= a.widest(); w *= step {
			c.width = w
			p, ok := a.fit(c, free, 25)
			if !ok {
				continue
			}
			out = append(out, p)
			if p.chi2 > best.chi2+16 {
				break
			}
			c = p.course
		}
	}
	return out
}

// overRates fits over a grid of rates and opening times: for a fall so fast
// that neither shows.
func (a *opening) overRates(best *profile, free []figure) []profile {
	var out []profile
	top := a.fastest()
	low := math.Max(best.rate/30, 1e-3)
	least := math.Inf(1)
	for w := a.narrowest(); w <= a.widest(); w *= 1.7 {
		c := best.course
		row := math.Inf(1)
		for k := top; k >= low; k /= 1.7 {
			c.width, c.rate = w, k
			p, ok := a.fit(c, free, 12)
			if !ok {
				continue
			}
			c = p.course
			out = append(out, p)
			least = math.Min(least, p.chi2)
			row = math.Min(row, p.chi2)
			if p.chi2 > row+40 {
				break
			}
		}
	}
	return out
}

// startCourse turns the coarse picture into a course.
func (a *opening) startCourse() course {
	h := a.start
	c := course{onset: h.onset - a.ch.LagS, ramp: h.ramp, lag: a.ch.LagS, shape: shapeMean,
		heat: math.Exp(heatMean), warm: 1 + a.warmer(), hold: holdMean}
	c.level = h.level + h.ramp*(c.onset-h.onset+a.ch.LagS)
	p := math.Max(c.level+a.gauge, 1)
	c.rate = h.drop / h.tau / p
	// A fall as fast as the lag says little of the vessel's own.
	if a.ch.LagS > 0 && c.rate > 0.5/a.ch.LagS {
		c.rate = 2 / a.ch.LagS
	}
	c.rate = math.Max(math.Min(c.rate, a.fastest()), 1e-6)
	return c
}

// weigh gives each profile its share: likelihood times the volume of the rest,
// under an even prior of ln w and ln K.
func (a *opening) weigh() {
	excess := a.excess()
	top := math.Inf(-1)
	for i := range a.fits {
		top = math.Max(top, a.fits[i].lnDet/2-a.fits[i].chi2/2/excess)
	}
	sum := 0.0
	for i := range a.fits {
		a.fits[i].weight = math.Exp(a.fits[i].lnDet/2 - a.fits[i].chi2/2/excess - top)
		sum += a.fits[i].weight
	}
	for i := range a.fits {
		a.fits[i].weight /= sum
	}
}

// mixed is mean and standard deviation of a figure over the profiles.
func (a *opening) mixed(f figure) (mean, sd float64) {
	return a.mixture(func(c *course) float64 { return c.get(f) }, f, 1, f, 0)
}

// mixture is mean and standard deviation of a value that has the gradients gf
// and gg by the figures f and g.
func (a *opening) mixture(value func(c *course) float64, f figure, gf float64, g figure, gg float64) (mean, sd float64) {
	for i := range a.fits {
		mean += a.fits[i].weight * value(&a.fits[i].course)
	}
	v := 0.0
	excess := a.excess()
	for i := range a.fits {
		p := &a.fits[i]
		q := gf*gf*p.cov[f][f] + 2*gf*gg*p.cov[f][g] + gg*gg*p.cov[g][g]
		d := value(&p.course) - mean
		v += p.weight * (q + d*d)
	}
	return mean, math.Sqrt(v * excess)
}

// misfit is Birge's ratio of a profile: by how much its sum of squares exceeds
// what the noise explains, over all bins or over those of the opening and the
// fall alone, whichever is more; not below 1, and only where that is no chance.
func (a *opening) misfit(p *profile) float64 {
	n := a.used
	e := make([]float64, n)
	sv := newSolver(a.law, math.Max(a.b.t[n-1]-p.onset+p.width+2*a.s.dt, 4*a.s.dt), p.rate)
	sv.read(p.course, a.b.t[:n], e)
	for i := range e {
		e[i] = a.b.y[i] - e[i]
	}
	a.white.apply(e)
	ratio := func(from int, taken float64) float64 {
		sum := 0.0
		for _, v := range e[from:] {
			sum += v * v
		}
		free := float64(n-from) - taken
		if free < 3 || sum < free+2.5*math.Sqrt(2*free) {
			return 1
		}
		return sum / free
	}
	first := a.after(p.onset - p.width/2 - 3*a.s.dt)
	return math.Max(ratio(0, 6), ratio(min(first, n), 4))
}

// excess is the misfit of the best fit. It widens the intervals where the model
// is not the whole truth.
func (a *opening) excess() float64 {
	best := bestOf(a.fits)
	if best == nil {
		return 1
	}
	return a.misfit(best)
}
