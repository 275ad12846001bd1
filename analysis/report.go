package analysis

import (
	"math"

	"ventward/detect"
)

func nanos(s float64) *int64 {
	n := int64(math.Round(math.Max(-9e9, math.Min(9e9, s)) * 1e9))
	return &n
}

// report writes the finding.
func (a *opening) report() {
	f := a.f
	if len(a.fits) == 0 {
		a.absent("the fit did not converge")
		return
	}
	onset, onsetSD := a.mixed(figOnset)
	var width float64
	for _, p := range a.fits {
		width += p.weight * p.width
	}
	start, startSD := a.mixture(func(c *course) float64 { return c.onset - c.width/2 }, figOnset, 1, figWidth, -width/2)
	level, levelSD := a.mixed(figLevel)
	ramp, _ := a.mixed(figRamp)
	at := a.s.origin + *nanos(onset - a.ch.DelayS)
	f.Onset, f.OnsetU = &at, nanos(2*onsetSD)
	begin := a.s.origin + *nanos(start - a.ch.DelayS)
	f.Start, f.StartU = &begin, nanos(2*startSD)
	cal := math.Hypot(a.ch.Curve.UOffset, a.ch.Curve.UGain*level)
	u := 2 * math.Hypot(levelSD, cal)
	f.PressurePa, f.PressureUPa, f.RampPaS = &level, &u, &ramp
	loss := math.Max(ramp, 0) * (a.s.dt + a.ch.LagS + a.ch.DelayS)
	f.PeakLossPa = &loss
	a.reportDrop(onset, level)
	a.reportArea(level)
}

// reportDrop is the fall from the line at the onset to the lowest level seen.
func (a *opening) reportDrop(onset, level float64) {
	s := &a.s
	i0 := s.index(onset)
	n := len(s.t) - i0
	size := min(max(1, n/64), 64)
	low := math.Inf(1)
	sum := 0.0
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
		return
	}
	drop := math.Max(level-low, 0)
	a.f.DropPa = &drop
}

// reportArea gives the time constant and the effective area, where they are
// resolved.
func (a *opening) reportArea(level float64) {
	f := a.f
	lnK, sdK := a.mixed(figRate)
	rate := math.Exp(lnK)
	tau := 1 / rate
	full := level - (a.ambient - a.gauge)
	tenth := 0.1 * full / (rate * (level + a.gauge))
	resolved := tau >= 3*a.ch.LagS && tenth >= 10*a.s.dt && sdK < 0.3
	if resolved {
		f.TauS = &tau
	} else {
		f.Absent["tau_s"] = "the fall is not resolved by lag and sample rate"
		a.flag(detect.FlagKindUncertain)
	}
	f.Kind = detect.VentOpening
	if a.noVolume != "" {
		f.Absent["area_m2"] = a.noVolume
		return
	}
	x := a.o.Fixture
	area := a.gas.AreaFromTau(x.VolumeM3, a.gas.Gamma/rate, x.TemperatureK)
	rel := math.Sqrt(sdK*sdK + a.warmth2() + math.Pow(x.VolumeUM3/x.VolumeM3, 2) + math.Pow(x.TemperatureU/x.TemperatureK/2, 2))
	if !resolved {
		low := area * math.Exp(-1.645*rel)
		f.AreaLowerM2 = &low
		f.Absent["area_m2"] = "the fall is not resolved by lag and sample rate; a lower bound is given"
		return
	}
	u := 2 * rel * area
	f.AreaM2, f.AreaUM2 = &area, &u
}

// warmth2 is the relative variance of the area from the gas's unknown warmth
// on the ramp, where the fit took it as given: the outflow goes with the square
// root of the temperature.
func (a *opening) warmth2() float64 {
	if a.liquid || a.warms() {
		return 0
	}
	best := bestOf(a.fits)
	rho := math.Abs(best.ramp) / math.Max(best.level+a.gauge, 1)
	u := 0.5 * (a.gas.Gamma - 1) * rho / (rho + best.heat) * blendSD
	return u * u
}
