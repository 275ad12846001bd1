package analysis

import (
	"math"

	"ventward/detect"
)

// Places of the fitted figures in theta.
const (
	atOnset = iota
	atLevel
	atRamp
	atRate // ln K
	atLag  // where fitted
)

// refine fits the forward model for a range of opening times.
func (a *opening) refine() {
	s := &a.s
	near := math.Max(32*s.dt, 4*a.ch.LagS)
	a.b = s.bin(a.from, a.to, a.start.onset, near, 1.0/40)
	origin := s.t[a.from]
	a.white = newWhitener(&a.noise, &a.b, func(i int) int { return int(math.Round((s.t[i] - origin) / s.dt)) })
	c := a.startCourse()
	span := s.t[a.to-1] - a.start.onset
	widest := math.Min(math.Max(60*s.dt, 0.05), math.Max(4*s.dt, span))
	var best *profile
	for _, w := range widths(s.dt, widest) {
		c.width = w
		p, ok := a.fitCourse(c)
		if !ok {
			continue
		}
		a.fits = append(a.fits, p)
		if best == nil || p.chi2 < best.chi2 {
			best = &a.fits[len(a.fits)-1]
			c = p.course
		} else if p.chi2 > best.chi2+30 {
			break
		}
	}
	a.weigh()
}

// widths is the grid of opening times, s: from far below the sample distance to
// the widest thought possible, spaced by a factor.
func widths(dt, widest float64) []float64 {
	var g []float64
	for w := 0.3 * dt; w < widest; w *= 1.6 {
		g = append(g, w)
	}
	return g
}

// startCourse turns the coarse picture into a course.
func (a *opening) startCourse() course {
	h := a.start
	c := course{onset: h.onset - a.ch.LagS, ramp: h.ramp, lag: a.ch.LagS, heat: 1}
	c.level = h.level + h.ramp*(c.onset-h.onset+a.ch.LagS)
	p := math.Max(c.level+a.gauge, 1)
	c.rate = h.drop / h.tau / p
	// A fall as fast as the lag says little of the vessel's own.
	if a.ch.LagS > 0 && c.rate > 0.5/a.ch.LagS {
		c.rate = 2 / a.ch.LagS
	}
	c.rate = math.Max(c.rate, 1e-6)
	return c
}

// fitCourse fits everything but the opening time.
func (a *opening) fitCourse(c course) (profile, bool) {
	b := &a.b
	n := len(b.t)
	fitLag := a.ch.LagS > 0 && a.ch.LagUS > 0
	span := b.t[n-1] - c.onset + c.width + 2*a.s.dt
	sv := newSolver(a.law, span, c.rate)
	unpack := func(th []float64) course {
		d := c
		d.onset, d.level, d.ramp, d.rate = th[atOnset], th[atLevel], th[atRamp], math.Exp(th[atRate])
		if fitLag {
			d.lag = th[atLag]
		}
		return d
	}
	obs := append([]float64(nil), b.y...)
	theta := []float64{c.onset, c.level, c.ramp, math.Log(c.rate)}
	sd := a.noise.sd()
	scale := []float64{a.s.dt * 100, sd * 1e3, sd * 1e3, 1}
	top := math.Log(30 / a.s.dt)
	lower := []float64{b.t[0], math.Inf(-1), math.Inf(-1), math.Min(-14, theta[atRate])}
	upper := []float64{b.t[n-1], math.Inf(1), math.Inf(1), math.Max(top, theta[atRate])}
	if fitLag {
		theta, scale = append(theta, c.lag), append(scale, a.ch.LagS)
		lower, upper = append(lower, 0.05*a.ch.LagS), append(upper, 5*a.ch.LagS)
		obs = append(obs, a.ch.LagS/a.ch.LagUS)
	}
	p := Problem{Y: obs, Lower: lower, Upper: upper, Scale: scale,
		Predict: func(th, y []float64) {
			sv.read(unpack(th), b.t, y[:n])
			if fitLag {
				y[n] = th[atLag] / a.ch.LagUS
			}
		},
		Whiten: func(v []float64) { a.white.apply(v[:n]) },
	}
	r, err := Fit(p, theta, FitOptions{Iterations: 40, Tolerance: 1e-7})
	if err != nil || r.Cov == nil {
		return profile{}, false
	}
	out := profile{course: unpack(r.Theta), chi2: r.RSS, theta: r.Theta, cov: make([][]float64, len(theta))}
	for i := range out.cov {
		out.cov[i] = make([]float64, len(theta))
		for j := range out.cov[i] {
			out.cov[i][j] = r.Cov.At(i, j)
		}
	}
	return out, true
}

// weigh gives each profile its share: likelihood times the volume of the rest,
// under an even prior of ln w.
func (a *opening) weigh() {
	least := math.Inf(1)
	for _, p := range a.fits {
		least = math.Min(least, p.chi2)
	}
	sum := 0.0
	for i := range a.fits {
		a.fits[i].weight = math.Exp(-(a.fits[i].chi2 - least) / 2)
		sum += a.fits[i].weight
	}
	for i := range a.fits {
		a.fits[i].weight /= sum
	}
}

// mixed is mean and standard deviation of a figure over the profiles; gradient
// is the figure's derivative by theta.
func (a *opening) mixed(value func(p *profile) float64, gradient func(p *profile) []float64) (mean, sd float64) {
	for i := range a.fits {
		mean += a.fits[i].weight * value(&a.fits[i])
	}
	v := 0.0
	for i := range a.fits {
		p := &a.fits[i]
		g := gradient(p)
		q := 0.0
		for r := range g {
			for c := range g {
				q += g[r] * g[c] * p.cov[r][c]
			}
		}
		d := value(p) - mean
		v += p.weight * (q + d*d)
	}
	return mean, math.Sqrt(v)
}

// unit is the gradient of theta's own element k.
func unit(k int) func(p *profile) []float64 {
	return func(p *profile) []float64 {
		g := make([]float64, len(p.theta))
		g[k] = 1
		return g
	}
}

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
	onset, onsetSD := a.mixed(func(p *profile) float64 { return p.onset }, unit(atOnset))
	start, startSD := a.mixed(func(p *profile) float64 { return p.onset - p.width/2 }, unit(atOnset))
	level, levelSD := a.mixed(func(p *profile) float64 { return p.level }, unit(atLevel))
	ramp, _ := a.mixed(func(p *profile) float64 { return p.ramp }, unit(atRamp))
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
	a.reportArea(onset, level)
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
func (a *opening) reportArea(onset, level float64) {
	f := a.f
	lnK, sdK := a.mixed(func(p *profile) float64 { return p.theta[atRate] }, unit(atRate))
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
	rel := math.Sqrt(sdK*sdK + math.Pow(x.VolumeUM3/x.VolumeM3, 2) + math.Pow(x.TemperatureU/x.TemperatureK/2, 2))
	if !resolved {
		low := area * math.Exp(-1.645*rel)
		f.AreaLowerM2 = &low
		f.Absent["area_m2"] = "the fall is not resolved by lag and sample rate; a lower bound is given"
		return
	}
	u := 2 * rel * area
	f.AreaM2, f.AreaUM2 = &area, &u
}
