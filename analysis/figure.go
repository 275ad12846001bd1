package analysis

import "math"

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
	figCap // ln
	figZero
	figLag
	figRing // ln f
	figDamp
	figLoss // ln
	figLeft
	figShuts // ln
	figStop  // ln
	figBefore
	figOldRate  // ln
	figOldWidth // ln
	figOldShape
	figStep
	figures
)

// What is known beforehand of the figures that hardly show: standard
// deviations of normal priors, and the ranges within which the logarithms of
// rate and opening time are held equally likely (judgement, no source).
const (
	shapeMean, shapeSD = 1.6, 0.4
	heatSD             = 1.0 // of the rate's logarithm, see middlingHeat
	holdMean, holdSD   = 0.5, 0.5
	warmMean, warmSD   = 0.9, 0.35   // of what a ramp of many seconds warms the gas by; a short one does less
	ringMean, ringSD   = 1000.0, 0.8 // Hz, of its logarithm: short lines ring at hundreds of Hz to some kHz
	dampMean, dampSD   = 0.28, 0.17  // of a line's damping ratio: the delay of a ramp goes with it
	statedRingSD       = 0.08        // of its logarithm, where the bench states it: gas and its warmth are another than when it was identified
	statedDampSD       = 0.3         // of itself, the same
	stopMean, stopSD   = 0.03, 1.5   // s, of its logarithm: who shuts a supply on an opening does so in some hundredths of seconds
	capMean, capSD     = 2.0, 1.2    // of the ramp, of its logarithm: a regulator's orifice lets through a few times what the ramp needs
	leftSD             = 0.05        // of the area: a flap that closes leaks by some per cent
	shutsMean, shutsSD = 3e-3, 1.5   // s, of its logarithm: it closes in some milliseconds
	bendSD             = 0.03        // 1/s: by how much of itself the ramp changes in a second
	widthMean, widthSD = 0.8e-3, 1.5 // s, of its logarithm: scored metal tears open in tenths of milliseconds, a flap in some
	oldShapeMean       = 0.5
	oldShapeSD         = 0.4
	modelSlack         = 1e-3  // of what has fallen: by so much transducer, gas and outflow are thought to differ from the model's (judgement, no source)
	widestOpening      = 0.03  // s
	slowestOpening     = 0.5   // s, tried where the widest is not enough
	usualOpening       = 0.004 // s: less of the fall is never fitted alone
	fastestFall        = 2e4   // 1/s, where no volume tells better
)

// slot is where a course keeps a figure, and whether the figure is its logarithm.
func (c *course) slot(f figure) (v *float64, logarithm bool) {
	switch f {
	case figOnset:
		return &c.onset, false
	case figLevel:
		return &c.level, false
	case figRamp:
		return &c.ramp, false
	case figRate:
		return &c.rate, true
	case figWidth:
		return &c.width, true
	case figShape:
		return &c.shape, false
	case figHeat:
		return &c.heat, true
	case figWarm:
		return &c.warm, false
	case figBend:
		return &c.bend, false
	case figHold:
		return &c.hold, false
	case figFeed:
		return &c.feed, false
	case figCap:
		return &c.cap, true
	case figZero:
		return &c.zero, false
	case figRing:
		return &c.ring, true
	case figDamp:
		return &c.damp, false
	case figLoss:
		return &c.loss, true
	case figLeft:
		return &c.left, false
	case figShuts:
		return &c.shuts, true
	case figStop:
		return &c.stop, true
	case figBefore:
		return &c.before, false
	case figOldRate:
		return &c.oldRate, true
	case figOldWidth:
		return &c.oldWidth, true
	case figOldShape:
		return &c.oldShape, false
	case figStep:
		return &c.step, false
	}
	return &c.lag, false
}

func (c *course) get(f figure) float64 {
	v, logarithm := c.slot(f)
	if logarithm {
		return math.Log(*v)
	}
	return *v
}

func (c *course) set(f figure, x float64) {
	v, logarithm := c.slot(f)
	if logarithm {
		x = math.Exp(x)
	}
	*v = x
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
	if a.power {
		b[figShape] = bound{low: powerLeast, high: powerTop, mean: powerMean, sd: powerSD, scale: powerSD}
	}
	zero := math.Max(a.ch.Curve.UOffset, math.Max(sd, 1e-3*math.Abs(a.start.level)))
	b[figZero] = bound{low: -10 * zero, high: 10 * zero, sd: zero, scale: zero}
	bend := math.Max(bendSD*math.Abs(a.start.ramp), 1e-3*sd)
	if a.bent {
		x := a.start.onset - a.s.t[a.from]
		bend = math.Max(bend, math.Abs(a.start.level-a.s.v[a.from])/(x*x))
	}
	if a.earlier == straightRamp {
		bend = math.Max(math.Max(bend, a.bowed), math.Abs(a.curved))
		if span := a.start.onset - a.s.t[a.from]; (a.s.first > 0 || a.start.ramp < 0) && span < earlierSpan { // what went before is not over yet
			bend = math.Max(bend, 0.5*math.Abs(a.start.ramp)/math.Max(span, 4*a.s.dt))
		}
	}
	b[figBend] = bound{low: -20 * bend, high: 20 * bend, sd: bend, scale: bend}
	free = []figure{figOnset, figLevel, figRamp, figRate, figWidth, figBend, figShape, figZero}
	if a.warms() {
		mean := math.Log(a.middlingHeat())
		b[figHeat] = bound{low: mean - 3.2*heatSD, high: mean + 3.2*heatSD, mean: mean, sd: heatSD, scale: heatSD}
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
	if a.capped {
		ramp := math.Max(math.Abs(a.start.ramp), 1)
		if a.earlier == earlierStep {
			ramp = math.Max(a.stepFlow()/capMean, 1)
		}
		b[figCap] = bound{low: math.Log(0.01 * ramp), high: math.Log(1e3 * ramp), mean: math.Log(capMean * ramp), sd: capSD, scale: 0.3}
		free = append(free, figCap)
	}
	if a.closes {
		b[figLoss] = bound{low: -14, high: 3, scale: 0.1}
		b[figLeft] = bound{low: 0, high: 0.9, sd: leftSD, scale: leftSD}
		b[figShuts] = bound{low: math.Log(a.narrowest()), high: math.Log(0.1), mean: math.Log(shutsMean), sd: shutsSD, scale: 1}
		free = append(free, figLoss, figLeft, figShuts)
	}
	if a.stops {
		b[figStop] = bound{low: math.Log(1e-3), high: math.Log(2), mean: math.Log(stopMean), sd: stopSD, scale: 0.3}
		free = append(free, figStop)
	}
	free = append(free, a.earlierBounds(&b)...)
	if a.second {
		b[figDamp] = bound{low: 0.4, high: 0.97, mean: secondMean, sd: secondSD, scale: 0.05}
		free = append(free, figDamp)
	}
	if a.rings {
		b[figRing] = bound{low: math.Log(20), high: math.Log(2 / a.s.dt), mean: math.Log(ringMean), sd: ringSD, scale: 0.1}
		b[figDamp] = bound{low: 0.005, high: 0.9, mean: dampMean, sd: dampSD, scale: 0.05}
		if a.stated() {
			mean := math.Log(a.ch.ResonanceHz)
			b[figRing] = bound{low: mean - 4*statedRingSD, high: mean + 4*statedRingSD, mean: mean, sd: statedRingSD, scale: 0.1}
			if a.ch.ResonanceDamping > 0 {
				b[figDamp].mean, b[figDamp].sd = a.statedDamping(), statedDampSD*a.statedDamping()
			}
		}
		free = append(free, figRing, figDamp)
	}
	return b, free
}

// earlierBounds sets the bounds of what went before, and gives its figures.
func (a *opening) earlierBounds(b *[figures]bound) []figure {
	first, last := a.b.t[0], a.b.t[len(a.b.t)-1]
	switch a.earlier {
	case earlierOpening:
		b[figBefore] = bound{low: first, high: last, scale: 100 * a.s.dt}
		b[figOldRate] = bound{low: -14, high: math.Log(a.fastest()), scale: 1}
		b[figOldWidth] = bound{low: math.Log(a.narrowest()), high: math.Log(0.1), mean: math.Log(0.003), sd: 2, scale: 1}
		b[figOldShape] = bound{low: -0.5, high: 1.5, mean: oldShapeMean, sd: oldShapeSD, scale: oldShapeSD}
		return []figure{figBefore, figOldRate, figOldWidth, figOldShape}
	case earlierStep:
		b[figBefore] = bound{low: first, high: last, scale: 100 * a.s.dt}
		b[figStep] = bound{low: 0, high: math.Inf(1), scale: 1e3 * a.noise.sd()}
		b[figFeed] = bound{low: 0, high: 1e4, scale: 10}
		return []figure{figBefore, figStep, figFeed}
	}
	return nil
}

// lag is the transducer's time constant and its standard uncertainty, s: what
// the channel says, or the guess under trial where it says nothing.
func (a *opening) lag() (l, u float64) {
	if a.guess > 0 {
		return a.guess, guessPart * a.guess
	}
	return a.ch.LagS, a.ch.LagUS
}

// stated tells whether the bench states the resonance of the impulse line.
func (a *opening) stated() bool { return a.ch.ResonanceHz > 0 }

// statedDamping is the line's damping ratio as the bench states it, or a middling
// one where it states the resonance only.
func (a *opening) statedDamping() float64 {
	if a.ch.ResonanceDamping > 0 {
		return math.Max(0.005, math.Min(a.ch.ResonanceDamping, 0.88))
	}
	return dampMean
}

// warms tells whether the fall lasts so long that the walls' heat may show.
func (a *opening) warms() bool {
	return !a.liquid && a.s.t[a.to-1]-a.start.onset > 0.03
}

// warmer is by how much of the walls' temperature a long ramp warms the gas at a
// middling exchange of heat. It is as uncertain as it is large.
func (a *opening) warmer() float64 {
	ramp := a.start.ramp
	if best := bestOf(a.fits); best != nil { // before an earlier event, where there was one
		ramp = best.ramp
	}
	rho := math.Max(ramp, 0) / math.Max(a.start.level+a.gauge, 1)
	return (a.gas.Gamma-1)*rho/(rho+a.middlingHeat()) + 1e-4
}

// middlingHeat is how fast the walls bring the gas to their temperature where
// nobody knows better, 1/s. Turbulent free convection, Nu = 0.13·Ra^(1/3) (common
// practice, no source), gives nitrogen of 20 bar that is 20 K warmer 30 W/(m²·K)
// and so 0.23/s in a cube of 100 mL; a fixture has about twice a cube's surface.
// The rate goes with (p·V)^(-1/3).
func (a *opening) middlingHeat() float64 {
	v := a.o.Fixture.VolumeM3
	if v <= 0 {
		v = 100e-6
	}
	p := math.Max(a.start.level+a.gauge, 1e5)
	return 0.46 / math.Cbrt(v/100e-6*p/20e5)
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
	most := math.Max(widestOpening, 40*a.s.dt)
	if a.slow {
		most = slowestOpening
	}
	return math.Max(math.Min(most, 2*(a.s.t[a.to-1]-a.start.onset)), 6*a.s.dt)
}

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
