package analysis

import (
	"math"

	"ventward/daq"
	"ventward/detect"
)

// afterEvent is the relative standard uncertainty of an area by the unknown gas
// temperature after an earlier event: half of 8 % (judgement, no source).
const afterEvent = 0.04

// nanos rounds a time in s to ns, at most a hundred seconds either way.
func nanos(s float64) int64 {
	return int64(math.Round(math.Max(-1e11, math.Min(1e11, s*1e9))))
}

// report writes the finding.
func (a *opening) report() {
	f := a.f
	onset, onsetSD := a.mixed(figOnset)
	width := 0.0
	for _, p := range a.fits {
		width += p.weight * p.width
	}
	start, startSD := a.mixture(func(p *profile) float64 { return p.onset - p.width/2 }, figOnset, 1, figWidth, -width/2)
	level, levelSD := a.mixed(figLevel)
	ramp, _ := a.mixed(figRamp)
	for _, v := range []float64{onset, onsetSD, start, startSD, level, levelSD, ramp} {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			a.absent("the fit gave no finite figure")
			return
		}
	}
	a.reportTimes(onset, onsetSD, start, startSD)
	cal := a.ch.Curve.U(level)
	u := 2 * math.Hypot(levelSD, cal)
	if math.Abs(ramp)*rampSpan < 2*a.step() && a.noise.sd() < 0.4*a.step() {
		// The reading rests on one code: its error does not average out.
		u = 2 * math.Hypot(u/2, a.step()/math.Sqrt(12))
	}
	f.PressurePa, f.PressureUPa, f.RampPaS = &level, &u, &ramp
	loss := math.Max(ramp, 0) * (a.s.dt + a.ch.LagS + a.ch.DelayS)
	f.PeakLossPa = &loss
	low := a.reportDrop(onset, level)
	a.reportArea(level, low)
	if a.s.hole(start-2*a.s.dt, onset+width/2+2*a.s.dt) > 0 {
		a.flag(detect.FlagGap)
	}
}

// reportTimes writes onset and start, both as the vessel had them: without the
// line's transport delay.
func (a *opening) reportTimes(onset, onsetSD, start, startSD float64) {
	f := a.f
	at := a.s.origin + nanos(onset-a.ch.DelayS)
	begin := a.s.origin + nanos(start-a.ch.DelayS)
	u, v := nanos(2*onsetSD), nanos(2*math.Hypot(startSD, onsetSD))
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

// reportArea gives the time constant and the effective area, where they are
// resolved, and the kind that goes with them.
func (a *opening) reportArea(level, low float64) {
	f := a.f
	lnK, sdK := a.mixed(figRate)
	rate := math.Exp(lnK)
	tau := 1 / rate
	full := level - (a.ambient - a.gauge)
	tenth := 0.1 * full / (rate * math.Max(level+a.gauge, 1))
	resolved := tau >= 3*a.ch.LagS && tenth >= 10*a.s.dt && sdK < 0.3
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
	rel := math.Sqrt(sdK*sdK + a.warmth2() + math.Pow(x.VolumeUM3/x.VolumeM3, 2) + math.Pow(x.TemperatureU/x.TemperatureK/2, 2))
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
	a.absent("the reading was at the end of its range")
	a.reportDrop(last, peak)
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
