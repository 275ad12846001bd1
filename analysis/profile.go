package analysis

import (
	"math"
	"slices"
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
	figLoss // ln
	figStop // ln
	figBefore
	figOldRate  // ln
	figOldWidth // ln
	figStep
	figures
)

// What is known beforehand of the figures that hardly show: standard
// deviations of normal priors, and the ranges within which the logarithms of
// rate and opening time are held equally likely (judgement, no source).
const (
	shapeMean, shapeSD = 1.6, 0.4
	heatMean, heatSD   = -0.3, 1.3 // of ln(rate·s): small vessels lose their heat in some tenths of seconds to seconds
	holdMean, holdSD   = 0.5, 0.5
	warmMean, warmSD   = 0.9, 0.35   // of what a ramp of many seconds warms the gas by; a short one does less
	ringMean, ringSD   = 1000.0, 0.8 // Hz, of its logarithm: short lines ring at hundreds of Hz to some kHz
	dampMean, dampSD   = 0.15, 0.9
	stopMean, stopSD   = 0.03, 1.5   // s, of its logarithm: who shuts a supply on an opening does so in some hundredths of seconds
	bendSD             = 0.03        // 1/s: by how much of itself the ramp changes in a second
	widthMean, widthSD = 0.8e-3, 1.5 // s, of its logarithm: scored metal tears open in tenths of milliseconds, a flap in some
	modelSlack         = 1e-3        // of what has fallen: by so much transducer, gas and outflow are thought to differ from the model's (judgement, no source)
	widestOpening      = 0.03        // s
	usualOpening       = 0.004       // s: less of the fall is never fitted alone
	fastestFall        = 2e4         // 1/s, where no volume tells better
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
	case figLoss:
		return math.Log(c.loss)
	case figStop:
		return math.Log(c.stop)
	case figBefore:
		return c.before
	case figOldRate:
		return math.Log(c.oldRate)
	case figOldWidth:
		return math.Log(c.oldWidth)
	case figStep:
		return c.step
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
	case figLoss:
		c.loss = math.Exp(v)
	case figStop:
		c.stop = math.Exp(v)
	case figBefore:
		c.before = v
	case figOldRate:
		c.oldRate = math.Exp(v)
	case figOldWidth:
		c.oldWidth = math.Exp(v)
	case figStep:
		c.step = v
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
	b[figWidth] = bound{low: math.Log(a.narrowest()), high: math.Log(a.widest()), mean: math.Log(widthMean), sd: widthSD, scale: 1}
	b[figShape] = bound{low: 0.9, high: 3, mean: shapeMean, sd: shapeSD, scale: shapeSD}
	zero := math.Max(a.ch.Curve.UOffset, math.Max(sd, 1e-3*math.Abs(a.start.level)))
	b[figZero] = bound{low: -10 * zero, high: 10 * zero, sd: zero, scale: zero}
	bend := math.Max(bendSD*math.Abs(a.start.ramp), 1e-3*sd)
	if a.bent {
		x := a.start.onset - a.s.t[a.from]
		bend = math.Max(bend, math.Abs(a.start.level-a.s.v[a.from])/(x*x))
	}
	b[figBend] = bound{low: -20 * bend, high: 20 * bend, sd: bend, scale: bend}
	free = []figure{figOnset, figLevel, figRamp, figRate, figWidth, figBend, figShape, figZero}
	if a.warms() {
		b[figHeat] = bound{low: heatMean - 3.2*heatSD, high: heatMean + 3.2*heatSD, mean: heatMean, sd: heatSD, scale: heatSD}
		b[figWarm] = bound{low: -0.5, high: 2, mean: warmMean, sd: warmSD, scale: warmSD}
		b[figHold] = bound{low: -0.1, high: 1.1, mean: holdMean, sd: holdSD, scale: holdSD}
		free = append(free, figHeat, figWarm, figHold)
	}
	if l, u := a.lag(); l > 0 && u > 0 {
		b[figLag] = bound{low: math.Max(0.05*l, l-4*u), high: l + 4*u, mean: l, sd: u, scale: u}
		free = append(free, figLag)
	}
	if a.fed && a.earlier != earlierStep {
		b[figFeed] = bound{low: 0, high: 1e4, scale: 10}
		free = append(free, figFeed)
	}
	if a.closes {
		b[figLoss] = bound{low: -14, high: 3, scale: 0.1}
		free = append(free, figLoss)
	}
	if a.stops {
		b[figStop] = bound{low: math.Log(1e-3), high: math.Log(2), mean: math.Log(stopMean), sd: stopSD, scale: 0.3}
		free = append(free, figStop)
	}
	switch a.earlier {
	case earlierOpening:
		b[figBefore] = bound{low: first, high: last, scale: 100 * a.s.dt}
		b[figOldRate] = bound{low: -14, high: math.Log(a.fastest()), scale: 1}
		b[figOldWidth] = bound{low: math.Log(a.narrowest()), high: math.Log(0.1), mean: math.Log(0.003), sd: 2, scale: 1}
		free = append(free, figBefore, figOldRate, figOldWidth)
	case earlierStep:
		b[figBefore] = bound{low: first, high: last, scale: 100 * a.s.dt}
		b[figStep] = bound{low: 0, high: inf, scale: 1e3 * sd}
		b[figFeed] = bound{low: 0, high: 1e4, scale: 10}
		free = append(free, figBefore, figStep, figFeed)
	}
	if a.rings {
		b[figRing] = bound{low: math.Log(20), high: math.Log(2 / a.s.dt), mean: math.Log(ringMean), sd: ringSD, scale: 0.1}
		b[figDamp] = bound{low: math.Log(0.003), high: math.Log(0.9), mean: math.Log(dampMean), sd: dampSD, scale: 0.3}
		free = append(free, figRing, figDamp)
	}
	return b, free
}

// lag is the transducer's time constant and its standard uncertainty, s: what
// the channel says, or the guess under trial where it says nothing.
func (a *opening) lag() (l, u float64) {
	if a.guess > 0 {
		return a.guess, guessPart * a.guess
	}
	return a.ch.LagS, a.ch.LagUS
}

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

// warms tells whether the fall lasts so long that the walls' heat may show.
func (a *opening) warms() bool {
	return !a.liquid && a.s.t[a.to-1]-a.start.onset > 0.03
}

// warmer is by how much of the walls' temperature a long ramp warms the gas at a
// middling exchange of heat. It is as uncertain as it is large.
func (a *opening) warmer() float64 {
	rho := math.Max(a.start.ramp, 0) / math.Max(a.start.level+a.gauge, 1)
	return (a.gas.Gamma-1)*rho/(rho+math.Exp(heatMean)) + 1e-4
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
	at, slope float64 // pressure and ramp at the onset as they would be without the opening, Pa and Pa/s
	chi2      float64
	cov       [figures][figures]float64
	lnDet     float64 // of the free figures' covariance
	share     float64 // logarithm of its prior share
	weight    float64
}

// fit fits the given figures from course c on.
func (a *opening) fit(c course, free []figure, most int) (profile, bool) {
	b := &a.b
	n := a.used
	limits, _ := a.bounds()
	sv := a.solver(&c)
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
			d := unpack(th)
			sv.read(&d, b.t[:n], y[:n])
			for i, k := range soft {
				y[n+i] = th[k] / limits[free[k]].sd
			}
		},
		Whiten: func(v []float64) { a.white.apply(v[:n]) },
	}
	r, err := Fit(p, theta, FitOptions{Iterations: most, Tolerance: 1e-5})
	if err != nil {
		return profile{}, false
	}
	if r.Cov == nil { // what rests on its bound is taken for known
		var inside []figure
		for k, f := range free {
			if r.Theta[k] > lower[k] && r.Theta[k] < upper[k] {
				inside = append(inside, f)
			}
		}
		if len(inside) == len(free) || !slices.Contains(inside, figOnset) || !slices.Contains(inside, figLevel) {
			return profile{}, false
		}
		return a.fit(unpack(r.Theta), inside, most)
	}
	out := profile{course: unpack(r.Theta), chi2: r.RSS, lnDet: lnDet(r)}
	for i, f := range free {
		for j, g := range free {
			out.cov[f][g] = r.Cov.At(i, j)
		}
	}
	out.at, out.slope = out.level, out.ramp
	if !a.first {
		out.seen(sv, free, &limits)
	}
	return out, true
}

// solver prepares for courses near c over the bins in use.
func (a *opening) solver(c *course) *solver {
	return newSolver(a.law, c.onset, math.Max(a.b.t[a.used-1]+2*a.s.dt, c.onset+4*a.s.dt), c.rate)
}

// seen fills in level and ramp at the onset where an earlier event leads there:
// the level's row of the covariance is then that of the level at the onset.
func (p *profile) seen(sv *solver, free []figure, limits *[figures]bound) {
	if p.earlier == straightRamp {
		return
	}
	sv.solve(&p.course)
	p.at, p.slope = sv.aim-sv.gauge+p.zero, sv.slope
	var grad [figures]float64
	for _, f := range free {
		c, h := p.course, 1e-4*limits[f].scale
		c.set(f, c.get(f)+h)
		sv.solve(&c)
		grad[f] = (sv.aim - sv.gauge + c.zero - p.at) / h
	}
	var row [figures]float64
	for _, f := range free {
		for _, g := range free {
			row[f] += grad[g] * p.cov[g][f]
		}
	}
	own := 0.0
	for _, f := range free {
		own += grad[f] * row[f]
	}
	for _, f := range free {
		p.cov[figLevel][f], p.cov[f][figLevel] = row[f], row[f]
	}
	p.cov[figLevel][figLevel] = own
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
		a.afterEarlier(p)
		a.refine()
		limit := 3.0
		if p.kind == earlierStep { // nobody says that there was one
			limit = 1.5
		}
		if len(a.fits) > 0 && a.excess() < limit {
			return
		}
		a.forget()
		a.earlier, a.from, a.noise = straightRamp, from, noise
	}
	a.refine()
	a.split()
}

// forget drops what a refinement found.
func (a *opening) forget() {
	a.fits, a.listened, a.regulated, a.rings, a.fed, a.stops = nil, 0, 0, false, false, false
}

// refine fits the forward model, first to the beginning of the fall, then to as
// much of it as the model explains, then under each of the hypotheses that the
// data can't tell apart.
func (a *opening) refine() {
	s := &a.s
	near := math.Max(32*s.dt, 4*a.ch.LagS)
	centres := []float64{a.start.onset}
	if a.earlier != straightRamp {
		centres = append(centres, a.past.onset)
	}
	a.b = s.bin(a.from, a.to, near, 1.0/12, 1.0/32, centres...)
	for i, t := range a.b.t {
		if fallen := a.start.level + a.start.ramp*(t-a.start.onset) - a.b.y[i]; a.earlier == straightRamp && t > a.start.onset && fallen > 0 {
			a.b.slack[i] = modelSlack * modelSlack * fallen * fallen
		}
	}
	origin := s.t[a.from]
	a.white = newWhitener(&a.noise, &a.b, func(i int) int { return int(math.Round((s.t[i] - origin) / s.dt)) })
	a.used = a.early()
	first := a.begin()
	if first == nil {
		return
	}
	best := a.extend(first.course)
	if best == nil {
		return
	}
	a.hypotheses(best)
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
	}
	start := a.startCourse()
	var best *profile
	for _, w := range []float64{0.5e-3, 4e-3, 20e-3} {
		for _, k := range []float64{1, 4} {
			c := start
			c.width = math.Max(a.narrowest(), math.Min(w, a.widest()))
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
	if !a.stops && !a.closes && !a.fed && a.earlier == straightRamp && a.suppliesMuch(best) {
		a.stops = true
		if p := a.stopped(best); p != nil && p.chi2 < best.chi2+10 {
			p.share = -math.Log(stopSD)
			a.fits = append(a.fits, *p)
			if p.evidence(1) > a.fits[0].evidence(1) {
				_, free = a.bounds()
			}
		}
		a.stops = false
	}
	if a.rings {
		free = without(free, figRing, figDamp)
	}
	plain := *bestOf(a.fits)
	if plain.stop > 0 && !slices.Contains(free, figStop) {
		plain = a.fits[0]
	}
	var base float64
	if a.ch.LagS <= 0 {
		a.guessLags(&plain, hidden)
		plain = *bestOf(a.fits)
		free = without(free, figLag)
		if plain.lag > 0 {
			free = append(free, figLag)
			a.guess = plain.lag
		}
	}
	base = plain.share
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
			c := plain.course
			c.ring, c.damp = f, damp
			n := len(a.fits)
			if heard == 0 {
				a.under(c, free, hidden, base+lineShare)
				p := bestOf(a.fits[n:])
				if p != nil && p.cov[figDamp][figDamp] > 0.7*0.7*dampSD*dampSD && math.Abs(p.chi2-plain.chi2) < 1 {
					for i := range a.fits[n:] { // nothing shows of it: another damping would come out the same
						a.fits[n+i].share += math.Log(float64(len(dampGrid)))
					}
					break
				}
				if p == nil || math.Abs(p.chi2-plain.chi2) < 9 || p.chi2 > plain.chi2+200 {
					continue
				}
				c, a.fits = p.course, a.fits[:n]
			}
			// The frequency shows.
			a.under(c, append(append([]figure(nil), free...), figRing), hidden, base+lineShare-math.Log(lineSpacing))
			a.dropTwin(n)
		}
	}
	a.weigh()
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

// lineGrid are resonances of the impulse line that are tried, Hz. No line and
// each of them are held equally likely beforehand: most benches have a line.
var lineGrid = []float64{2400, 1200, 600, 320}

// dampGrid are damping ratios that are tried at each.
var dampGrid = []float64{0.08, 0.25}

// lineSpacing is the distance of the grid's logarithms.
const lineSpacing = 0.67

// lineShare is the logarithm of a line's prior share against that of none, with
// the damping's prior density.
var lineShare = -math.Log(dampSD) - math.Log(float64(len(dampGrid)))

func without(from []figure, what ...figure) []figure {
	var out []figure
	for _, f := range from {
		keep := true
		for _, g := range what {
			keep = keep && f != g
		}
		if keep {
			out = append(out, f)
		}
	}
	return out
}

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
		if a.misfit(best) == 1 {
			return best
		}
		if q := a.halts(best); q != nil {
			if best = q; a.misfit(best) == 1 {
				return best
			}
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

// stopSeeds are times after the onset at which the supply is tried to shut, s.
var stopSeeds = []float64{5e-3, 0.03, 0.15}

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
		c.stop, c.heat, c.warm, c.hold, c.width = t, math.Exp(heatMean), warmMean, holdMean, math.Min(c.width, widthMean)
		if p, ok := a.fit(c, free, 25); ok && (found == nil || p.chi2 < found.chi2) {
			found = &p
		}
	}
	return found
}

// suppliesMuch tells whether the supply makes up so much of the fall that it
// matters when it shuts.
func (a *opening) suppliesMuch(p *profile) bool {
	return math.Abs(p.ramp) > 2e-3*p.rate*math.Max(p.level+a.gauge, 1)
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
	start.ring, start.damp = best.ring, best.damp
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
	a.rings = true
	_, free := a.bounds()
	var found *profile
	top := 0.5 / a.s.dt
	for f := top; f > top/40; f /= 1.7 {
		c := best.course
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
		for _, heat := range []float64{math.Exp(heatMean), 0.2, 10} {
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

func bestOf(p []profile) *profile {
	var b *profile
	for i := range p {
		if b == nil || p[i].chi2 < b.chi2 {
			b = &p[i]
		}
	}
	return b
}

// startCourse turns the coarse picture into a course.
func (a *opening) startCourse() course {
	h := a.start
	c := course{onset: h.onset - a.ch.LagS, ramp: h.ramp, lag: a.ch.LagS, shape: shapeMean,
		width: widthMean, heat: math.Exp(heatMean), warm: warmMean, hold: holdMean}
	c.level = h.level + h.ramp*(c.onset-h.onset+a.ch.LagS)
	p := math.Max(c.level+a.gauge, 1)
	c.rate = h.drop / h.tau / p
	// A fall as fast as the lag says little of the vessel's own.
	if a.ch.LagS > 0 && c.rate > 0.5/a.ch.LagS {
		c.rate = 2 / a.ch.LagS
	}
	c.rate = math.Max(math.Min(c.rate, a.fastest()), 1e-6)
	if p := a.past; a.earlier != straightRamp {
		c.earlier, c.before = a.earlier, p.onset
		n := max(1, min(a.s.index(p.onset)-a.from, 200))
		c.ramp, c.level = lineOf(a.s.t[a.from:a.from+n], a.s.v[a.from:a.from+n], p.onset)
		c.oldRate = math.Max(math.Min(p.size/p.tau/math.Max(c.level+a.gauge, 1), a.fastest()), 1e-6)
		c.oldWidth = 3e-3
		c.step, c.feed = p.size, math.Min(1/p.tau, 1e4)
		if a.earlier == earlierStep {
			c.oldRate, c.oldWidth = 0, 0
		} else {
			c.feed, c.step = 0, 0
		}
	}
	if a.closes {
		c.loss = c.rate * math.Max(a.lowest-h.onset, a.s.dt)
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

// weigh gives each profile its share: likelihood times the volume of the rest,
// under an even prior of ln w and ln K.
func (a *opening) weigh() {
	excess := a.excess()
	top := math.Inf(-1)
	for i := range a.fits {
		top = math.Max(top, a.fits[i].evidence(excess))
	}
	sum := 0.0
	for i := range a.fits {
		a.fits[i].weight = math.Exp(a.fits[i].evidence(excess) - top)
		sum += a.fits[i].weight
	}
	for i := range a.fits {
		a.fits[i].weight /= sum
	}
}

func (p *profile) evidence(excess float64) float64 {
	return p.share + p.lnDet/2 - p.chi2/2/excess
}

// mixed is mean and standard deviation of a figure over the profiles.
func (a *opening) mixed(f figure) (mean, sd float64) {
	return a.mixture(func(p *profile) float64 {
		switch f {
		case figLevel:
			return p.at
		case figRamp:
			return p.slope
		}
		return p.get(f)
	}, f, 1, f, 0)
}

// mixture is mean and standard deviation of a value that has the gradients gf
// and gg by the figures f and g.
func (a *opening) mixture(value func(p *profile) float64, f figure, gf float64, g figure, gg float64) (mean, sd float64) {
	for i := range a.fits {
		mean += a.fits[i].weight * value(&a.fits[i])
	}
	v := 0.0
	excess := a.excess()
	for i := range a.fits {
		p := &a.fits[i]
		q := gf*gf*p.cov[f][f] + 2*gf*gg*p.cov[f][g] + gg*gg*p.cov[g][g]
		d := value(p) - mean
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
	sv := a.solver(&p.course)
	sv.read(&p.course, a.b.t[:n], e)
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
	first := a.after(math.Min(p.onset-p.width/2, p.anchor()) - 3*a.s.dt)
	return math.Max(ratio(0, 6), ratio(min(first, n), 4))
}

// excess is the misfit of the best fit. It widens the intervals where the model
// is not the whole truth.
func (a *opening) excess() float64 {
	if a.settled > 0 {
		return a.settled
	}
	best := bestOf(a.fits)
	if best == nil {
		return 1
	}
	return a.misfit(best)
}
