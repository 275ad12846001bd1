package analysis

import (
	"math"

	"ventward/daq"
	"ventward/detect"
)

// afterEvent is the relative standard uncertainty of an area by the unknown gas
// temperature after an earlier event: half of 8 % (judgement, no source).
const afterEvent = 0.04

// idealGas is the relative standard uncertainty of an area by taking the gas for
// ideal: nitrogen's flow at some tens of bar differs by up to a per cent (common
// practice, no source).
const idealGas = 0.005

// A liquid's pressure is gone before the hole is half open: the effective onset
// lies behind the fall by some of the opening time, which doesn't show
// (judgement, no source).
const (
	emptyEarly  = 0.05e-3 // s
	emptyEarlyU = 0.08e-3 // s, standard

	// Where a liquid is gone before the hole is open, the rest of its growth is a
	// guess from the beginning's: so much of the opening time, standard.
	unseenGrowth = 0.2
)

// emptiedAt is the part of an opening time of width s at which the pressure of a
// liquid is gone, where the hole grows straight and empties the vessel at the
// initial rate (1/s) once open: p falls by rate·x·√(p/p0) of p0, from Torricelli's
// law. Above 1 the hole is open before.
func emptiedAt(width, rate float64) float64 { return math.Sqrt(4 / (rate * math.Max(width, 1e-9))) }

// nanos rounds a time in s to ns, at most a hundred seconds either way.
func nanos(s float64) int64 {
	return int64(math.Round(math.Max(-1e11, math.Min(1e11, s*1e9))))
}

// A seen is what one sensor's fit says of the opening. Uncertainties are
// standard ones, of the fit alone.
type seen struct {
	onset, onsetU float64 // s of bench time from the seat's trigger, without the line's transport delay
	start, startU float64
	level, levelU float64 // Pa absolute
	cal           float64 // standard uncertainty of the calibration at the level, Pa
	ramp, width   float64
	lnK, lnKU     float64
	common        float64 // part of the onset's variance that lag, line and hypotheses make, not the noise
	resolved      bool    // time constant and area can be told
	dof           float64 // degrees of freedom of the noise that all uncertainties scale with; 0: not known
}

// look reads what the fits say; false where a figure is not finite.
func (a *opening) look() (seen, bool) {
	var v seen
	v.onset, v.onsetU = a.mixed(figOnset)
	for _, p := range a.fits {
		v.width += p.weight * p.width
	}
	v.common = 1 - math.Min(a.noiseOf(figOnset)/(v.onsetU*v.onsetU+1e-300), 1)
	v.start, v.startU = a.mixture(func(p *profile) float64 { return p.onset - p.width/2 }, figOnset, 1, figWidth, -v.width/2)
	v.startU = math.Hypot(v.startU, v.onsetU)
	v.level, v.levelU = a.mixed(figLevel)
	shift, more := a.drift()
	v.level, v.levelU = v.level+shift, math.Hypot(v.levelU, more)
	v.dof = a.noise.dof
	v.ramp, _ = a.mixed(figRamp)
	v.lnK, v.lnKU = a.mixedRate()
	if left := a.unexplained(); left > 0 {
		v.doubt(left, math.Max(v.level+a.gauge-a.ambient, left))
	}
	for _, x := range []float64{v.onset, v.onsetU, v.start, v.startU, v.level, v.levelU, v.ramp, v.lnK} {
		if math.IsNaN(x) || math.IsInf(x, 0) {
			return v, false
		}
	}
	if a.liquid && math.Exp(v.lnK) > 0.3*fastestFall {
		v.onset += emptyEarly
		v.onsetU, v.startU = math.Hypot(v.onsetU, emptyEarlyU), math.Hypot(v.startU, emptyEarlyU)
	}
	if a.liquid && emptiedAt(v.width, math.Exp(v.lnK)) < 1 {
		v.onsetU = math.Hypot(v.onsetU, unseenGrowth*v.width/2)
	}
	v.withinWindow(a.b.t[len(a.b.t)-1]-a.b.t[0], a.noise.sd())
	a.withinHole(&v)
	v.cal = a.ch.Curve.U(v.level)
	if math.Abs(v.ramp)*rampSpan < 2*a.step() && a.noise.sd() < 0.4*a.step() {
		// The reading rests on one code: its error does not average out.
		v.levelU = math.Hypot(v.levelU, a.step()/math.Sqrt(12))
	}
	rate := math.Exp(v.lnK)
	tenth := 0.1 * (v.level - (a.ambient - a.gauge)) / (rate * math.Max(v.level+a.gauge, 1))
	v.resolved = 1/rate >= 3*a.ch.LagS && tenth >= 10*a.s.dt && v.lnKU < 0.3
	v.level += a.gauge
	v.onset, v.start = v.onset-a.ch.DelayS, v.start-a.ch.DelayS
	return v, true
}

// doubt widens what the fit says by a misfit of left, Pa, at an opening under the
// gauge pressure over, Pa: the onset by the time in which the pressure falls by as
// much, the area by its part of the fall.
func (v *seen) doubt(left, over float64) {
	late := left / (math.Exp(v.lnK) * over)
	v.levelU = math.Hypot(v.levelU, left)
	v.onsetU, v.startU = math.Hypot(v.onsetU, late), math.Hypot(v.startU, late)
	v.lnKU = math.Hypot(v.lnKU, left/(fallFraction*over))
}

// unexplainedSpan is how many samples before the onset a fit that explains the rest
// badly is asked how far it is off.
const unexplainedSpan = 48

// unexplained is by how much, Pa, the best fit is off in the mean of three neighbours
// at most, shortly before the onset, where it was led astray; 0: it was not. The
// pressure of opening may be off by as much: the rest of the misfit's statistics holds
// only for what is missing everywhere alike.
func (a *opening) unexplained() float64 {
	best := bestOf(a.fits)
	if best == nil || best.first || a.excess() < plausibly {
		return 0
	}
	y := make([]float64, a.used)
	sv := a.solver(&best.course)
	sv.read(&best.course, a.b.t[:a.used], y)
	most := 0.0
	for i := 1; i < a.used-1; i++ {
		if t := a.b.t[i] - best.onset; t < -unexplainedSpan*a.s.dt || t > 0 {
			continue
		}
		sum := 0.0
		for k := i - 1; k <= i+1; k++ {
			sum += a.b.y[k] - y[k]
		}
		most = math.Max(most, math.Abs(sum)/3)
	}
	return most
}

// withinWindow keeps the uncertainties within what the window itself bounds: the
// onset is somewhere in its span (s), whatever a fit that is flat there says of
// it, and the level is then known as far as the ramp goes in that time. sd is
// the noise, Pa.
func (v *seen) withinWindow(span, sd float64) {
	most := span / math.Sqrt(12)
	if v.onsetU > most {
		v.onsetU, v.dof = most, math.Inf(1) // no longer the noise's
		v.levelU = math.Min(v.levelU, math.Hypot(2*sd, v.ramp*most))
	}
	v.startU = math.Min(v.startU, 2*most)
}

// holeSamples is how many samples before a hole an onset may seem to lie that
// lies in it: nothing in the hole says where.
const holeSamples = 12

// withinHole keeps the onset within a hole of the record that it lies in: the
// samples before were on the ramp, the one after is not. The level is then
// known as far as the ramp spans the hole.
func (a *opening) withinHole(v *seen) {
	s := &a.s
	i := s.index(v.onset + a.ch.LagS)
	for range holeSamples { // or just before it
		if i > 0 && i+1 < len(s.t) && s.t[i]-s.t[i-1] < 1.5*s.dt {
			i++
		}
	}
	if i < 2 || i >= len(s.t) || s.t[i]-s.t[i-1] < 1.5*s.dt {
		return
	}
	from, to := s.t[i-1]-a.ch.LagS-s.dt, s.t[i]
	fallen := v.level + v.ramp*(to-v.onset) - s.v[i]
	if fallen < 12*a.noise.sd() || 4*v.onsetU < to-from {
		return
	}
	u := (to - from) / math.Sqrt(12)                                         // anywhere in it
	if v.level+v.ramp*(from-v.onset)-s.v[i-1] > 12*a.noise.sd()+4*v.levelU { // it has begun before
		return
	}
	own := math.Max(v.levelU*v.levelU-math.Pow(v.ramp*v.onsetU, 2), 0)
	line, at := lineOf(s.t[a.from:i], s.v[a.from:i], (from+to)/2)
	v.onset, v.onsetU = (from+to)/2, u
	v.start, v.startU = math.Min(v.start, v.onset), math.Max(v.startU, u)
	v.level, v.ramp = at, line
	v.levelU = math.Hypot(math.Min(math.Sqrt(own), 2*a.noise.sd()), line*u)
	v.dof = math.Inf(1) // the hole's width counts, not the noise
}

// report writes the finding.
func (a *opening) report() {
	f := a.f
	v, ok := a.look()
	if !ok {
		a.absent("the fit gave no finite figure")
		return
	}
	own := v
	a.consult(&v)
	a.reportTimes(&v)
	level, ramp, u := v.level-a.gauge, v.ramp, 2*math.Hypot(v.levelU, v.cal)
	f.PressurePa, f.PressureUPa, f.RampPaS = &level, &u, &ramp
	if v.dof > 0 && !math.IsInf(v.dof, 1) {
		f.FitDof = &v.dof
	}
	loss := math.Max(ramp, 0) * (a.s.dt + a.ch.LagS + a.ch.DelayS)
	f.PeakLossPa = &loss
	low := a.reportDrop(own.onset+a.ch.DelayS, own.level-a.gauge)
	a.reportArea(&v, own.level-a.gauge, low)
	if a.s.hole(own.start+a.ch.DelayS-2*a.s.dt, own.onset+a.ch.DelayS+own.width/2+2*a.s.dt) > 0 {
		a.flag(detect.FlagGap)
	}
}

// reportTimes writes onset and start, both as the vessel had them: without the
// line's transport delay.
func (a *opening) reportTimes(x *seen) {
	f := a.f
	at, begin := a.s.origin+nanos(x.onset), a.s.origin+nanos(x.start)
	u, v := nanos(2*x.onsetU), nanos(2*x.startU)
	f.Onset, f.OnsetU, f.Start, f.StartU = &at, &u, &begin, &v
}

// step is the quantisation step, Pa; 0: not known.
func (a *opening) step() float64 { return math.Max(a.w.StepPa, a.ch.Step) }

// reportDrop is the fall from the line at the onset to the lowest level seen in
// the window, which it returns (NaN: none).
func (a *opening) reportDrop(onset, level float64) float64 {
	s := &a.s
	i0 := s.index(onset)
	n := len(s.t) - i0
	size := min(max(1, n/64), 64)
	low, sum := math.Inf(1), 0.0
	for i := i0; i < len(s.t); i++ {
		sum += s.v[i]
		if i-i0 >= size {
			sum -= s.v[i-size]
		}
		if i-i0 >= size-1 {
			low = math.Min(low, sum/float64(size))
		}
	}
	if math.IsInf(low, 1) {
		a.f.Absent["drop_Pa"] = "no good sample after the onset"
		return math.NaN()
	}
	drop := math.Max(level-low, 0)
	a.f.DropPa = &drop
	return low
}

// vaguest is the relative standard uncertainty of an area from which on not even a
// bound is given: it would be less than a thousandth.
const vaguest = 4

// reportArea gives the time constant and the effective area, where they are
// resolved, and the kind that goes with them.
func (a *opening) reportArea(v *seen, level, low float64) {
	f := a.f
	rate, sdK, resolved := math.Exp(v.lnK), v.lnKU, v.resolved
	tau := 1 / rate
	if resolved {
		f.TauS = &tau
	} else {
		f.Absent["tau_s"] = "the fall is not resolved by lag and sample rate"
	}
	area := math.NaN()
	defer func() { a.judge(level, low, area, resolved) }()
	if a.noVolume != "" {
		f.Absent["area_m2"] = a.noVolume
		return
	}
	x := a.o.Fixture
	mean := a.gas.AreaFromTau(x.VolumeM3, a.gas.Gamma/rate, x.TemperatureK)
	rel := math.Sqrt(sdK*sdK + idealGas*idealGas + a.warmth2() + math.Pow(x.VolumeUM3/x.VolumeM3, 2) + math.Pow(x.TemperatureU/x.TemperatureK/2, 2))
	if !resolved && rel > vaguest {
		f.Absent["area_m2"] = "the fall hardly shows beside the supply and the noise"
		return
	}
	if !resolved {
		area = mean * math.Exp(-1.645*rel) // one-sided 95 %
		f.AreaLowerM2 = &area
		f.Absent["area_m2"] = "the fall is not resolved by lag and sample rate; a lower bound is given"
		return
	}
	area = mean
	u := 2 * rel * mean
	f.AreaM2, f.AreaUM2 = &mean, &u
}

// warmth2 is the relative variance of the area from the gas's unknown warmth
// on the ramp, where the fit took it as given: the outflow goes with the square
// root of the temperature.
func (a *opening) warmth2() float64 {
	if a.liquid {
		return 0
	}
	if a.earlier == straightRamp && (a.w.After || a.start.ramp < 0) { // an earlier event has cooled or warmed the gas by some per cent
		return afterEvent * afterEvent
	}
	if a.earlier == earlierStep {
		// The step has compressed the gas; of the warmth half is thought uncertain,
		// since its jet stirs the gas and the walls' heat with it (judgement, no source).
		u := (1 - 1/a.gas.Gamma) * a.past.size / math.Max(a.start.level+a.gauge, 1e5) / 4
		return u * u
	}
	if a.warms() {
		return 0
	}
	u := a.warmer() / 2
	return u * u
}

// saturation deals with an opening that happened while the reading was at the
// end of its range: all that is known is that the pressure was at least the
// highest one read. It tells whether that was so.
func (a *opening) saturation() bool {
	s := &a.s
	if len(s.saturated) == 0 {
		return false
	}
	// Saturated samples before the trigger that no good sample separates from
	// the fall by more than a few samples.
	first, last := math.Inf(1), math.Inf(-1)
	for _, t := range s.saturated {
		if t <= 4*s.dt {
			first, last = math.Min(first, t), math.Max(last, t)
		}
	}
	if math.IsInf(last, -1) || s.index(0)-s.index(last) > 400 {
		return false
	}
	f := a.f
	a.flag(detect.FlagSaturated)
	a.flag(detect.FlagLowerBound)
	peak := s.peak
	cal := 2 * a.ch.Curve.U(peak)
	at, u := s.origin+nanos(last-a.ch.DelayS-a.ch.LagS), nanos(math.Max(last-first, 2*s.dt)+a.ch.LagS)
	f.Onset, f.OnsetU, f.PressurePa, f.PressureUPa = &at, &u, &peak, &cal
	f.Kind = detect.VentOpening
	a.flag(detect.FlagKindUncertain)
	a.reportDrop(last, peak)
	a.absent("the reading was at the end of its range")
	return true
}

// unsettled tells whether any sample of the window has an unsettled clock.
func unsettled(w *detect.Window) bool {
	for i := max(w.From, 0); i < len(w.Q) && (w.Until <= 0 || i < w.Until); i++ {
		if w.Q[i]&daq.Unsettled != 0 {
			return true
		}
	}
	return false
}
