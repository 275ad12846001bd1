package analysis

import (
	"math"

	"ventward/analysis/flow"
	"ventward/daq"
	"ventward/detect"
)

// Algorithm numbers the way FitOpening computes: a recorded finding of another
// number need not agree with a recomputed one.
const Algorithm = 1

// Bounds of what is fitted.
const (
	rampSpan      = 1.0  // s of straight ramp before the onset that are used
	fallFraction  = 0.75 // of the way to ambient down to which the fall is used
	enoughSquares = 3e6  // sum of squares of the fall over the noise's variance that tell the area to some 0.3 %
	enoughTime    = 0.4  // s that are used at least: the walls' heat and a supply that shuts need them to show
	fewest        = 12   // samples below which nothing is fitted
)

// FitOpening fits the opening that window w was asked for and returns what the
// fit supports. The figures are in the channel's own reference, uncertainties
// expanded with k = 2; what could not be computed is nil and named in Absent.
// It never fails: a window that can't be fitted gives a finding with reasons.
func FitOpening(w detect.Window, ch daq.Channel, o detect.Options) detect.Finding {
	f := detect.Finding{Event: w.Event, Serial: w.Serial, Final: w.Final, Absent: map[string]string{}}
	if len(w.T) != len(w.V) || len(w.T) != len(w.Q) {
		f.Absent["pressure_Pa"] = "the window's columns differ in length"
		return f
	}
	a := opening{w: &w, ch: &ch, o: &o, f: &f, s: newStretch(&w)}
	a.flags()
	a.setLaw()
	if a.saturation() {
		return f
	}
	if why := a.solve(); why != "" {
		a.absent(why)
		return f
	}
	a.report()
	return f
}

// fitWindow fits the window of another sensor of the volume.
func fitWindow(w *detect.Window, ch *daq.Channel, o *detect.Options) (*opening, bool) {
	if len(w.T) != len(w.V) || len(w.T) != len(w.Q) || ch.Quantity != daq.Pressure {
		return nil, false
	}
	a := &opening{w: w, ch: ch, o: o, f: &detect.Finding{Absent: map[string]string{}}, s: newStretch(w)}
	a.setLaw()
	if len(a.s.saturated) > 0 || a.solve() != "" {
		return nil, false
	}
	return a, true
}

// solve fits the window; where that can't be it says why.
func (a *opening) solve() string {
	if len(a.s.t)-a.s.first < fewest || a.s.trigger-a.s.first < 4 || a.s.dt <= 0 {
		return "the window holds too few good samples before the event"
	}
	a.rings = a.stated()
	a.locate()
	if a.start.drop == 0 {
		return "no fall was found in the window"
	}
	a.characterise()
	if len(a.fits) == 0 {
		return "the fit did not converge"
	}
	if best := bestOf(a.fits); a.b.t[a.used-1] < 0 && best.cov[figRate][figRate] > 1 {
		return "no fall was found where the trigger fired"
	}
	return ""
}

// An opening is one fit under way.
type opening struct {
	w  *detect.Window
	ch *daq.Channel
	o  *detect.Options
	f  *detect.Finding
	s  stretch
	law
	noVolume string

	from, to            int    // samples used
	start               hinge  // coarse picture
	tones               []tone // hum, taken out of the samples
	noise               noise
	b                   bins
	used                int     // bins that the fit uses
	bent                bool    // the ramp before the onset is no straight line
	curved              float64 // it is a parabola of this second derivative, Pa/s²; 0: it is none
	bowed               float64 // it may have a second derivative of this size, Pa/s²
	turns               bool    // the fall ends by a rise
	lowest              float64 // where it is lowest, s
	listened, regulated int     // searches made
	fed                 bool    // a regulator's reaction is fitted
	capped              bool    // its flow is limited, and the limit is fitted
	ignoring            bool    // an earlier step's supply does not feel the opening
	closes              bool    // a closing is fitted
	stops               bool    // a supply that shuts is fitted
	guess               float64 // of a lag that is not known, s; 0: none is tried
	earlier             earlier
	past                past
	alone               *profile // the fit as if no step had gone before
	slow                bool     // it may take longer to open than openings do
	cramped             bool     // a longer stretch would have it take longer than is allowed
	first               bool     // the earlier opening is the one that is asked for
	settled             float64  // misfit, once the fits can no longer be solved; 0: they can
	rings               bool     // the line's resonance is fitted
	second              bool     // the transducer is of second order
	power               bool     // the hole grows as a power of time
	white               *whitener
	room                []float64 // of the fits
	answered            []profile // fits of regulators that answer at one rate or another
	fits                []profile
}

func (a *opening) flag(g detect.Flag) {
	for _, h := range a.f.Flags {
		if h == g {
			return
		}
	}
	a.f.Flags = append(a.f.Flags, g)
}

// flags sets what is known before any fit.
func (a *opening) flags() {
	if a.ch.LagS <= 0 {
		a.flag(detect.FlagLagUnknown)
	}
	if a.ch.Certificate == "" && a.ch.Curve.UOffset == 0 && a.ch.Curve.UGain == 0 {
		a.flag(detect.FlagUncalibrated)
	}
	if unsettled(a.w) {
		a.flag(detect.FlagUnsettledClock)
	}
}

// absent gives the reason for every figure that stays nil.
func (a *opening) absent(why string) {
	f := a.f
	for k, have := range map[string]bool{
		"onset_u": f.OnsetU != nil, "start": f.Start != nil, "pressure_Pa": f.PressurePa != nil, "pressure_u_Pa": f.PressureUPa != nil,
		"peak_loss_Pa": f.PeakLossPa != nil, "drop_Pa": f.DropPa != nil, "ramp_Pa_s": f.RampPaS != nil, "tau_s": f.TauS != nil,
		"area_m2": f.AreaM2 != nil,
	} {
		if _, ok := f.Absent[k]; !ok && !have {
			f.Absent[k] = why
		}
	}
}

// setLaw fills in the physics from the fixture.
func (a *opening) setLaw() {
	x := a.o.Fixture
	a.ambient = x.AmbientPa
	if a.ambient <= 0 {
		a.ambient = 101325 // standard atmosphere, ISO 2533
	}
	if a.ch.Reference != daq.Absolute {
		a.gauge = a.ambient
	}
	g, err := flow.Lookup(x.Gas)
	if err != nil {
		g, _ = flow.Lookup("N2")
		a.noVolume = "no known gas given"
	}
	a.gas = g
	a.liquid = a.o.Medium == detect.Liquid
	switch {
	case a.liquid:
		a.noVolume = "no area from a liquid's drop"
	case x.VolumeM3 <= 0:
		a.noVolume = "no volume given"
	case x.TemperatureK <= 0:
		a.noVolume = "no temperature given"
	}
}

// locate cuts the stretch and finds the coarse picture, hum and noise.
func (a *opening) locate() {
	s := &a.s
	variance := a.firstVariance()
	s.despike(7 * math.Sqrt(variance))
	best, ok := a.coarse(variance)
	if !ok {
		return
	}
	if a.hush(best.onset) {
		variance = a.firstVariance()
		if best, ok = a.coarse(variance); !ok {
			return
		}
	}
	// A ramp that was bent far back (a regulator's step, a start) misleads the
	// coarse picture: look again from where it is straight.
	for range 2 {
		whole := a.from
		a.straighten(math.Min(best.onset, -4*s.dt))
		if a.from <= whole || s.t[a.from] < best.onset-0.6*rampSpan {
			break
		}
		h, ok := a.search(variance)
		if !ok {
			break
		}
		best = h
	}
	a.start = best
	a.straighten(math.Min(best.onset, -4*s.dt))
	a.noise = a.estimateNoise(best.onset)
	a.to = min(a.fallEnd(s.t[a.from], best.onset), a.enough(best, a.noise.cov[0]))
}

// coarse is the hinge that fits best round the trigger.
func (a *opening) coarse(variance float64) (hinge, bool) {
	s := &a.s
	a.from = max(s.first, s.index(-math.Max(1.5*rampSpan, 96*s.dt)))
	a.to = a.fallEnd(s.t[a.from], 0)
	return a.search(variance)
}

// search is the best hinge of the stretch as it is cut.
func (a *opening) search(variance float64) (hinge, bool) {
	s := &a.s
	b := s.bin(a.from, a.to, 16*s.dt, 1.0/12, 1.0/12, 0)
	best := hinge{chi2: math.Inf(1)}
	for _, h := range searchHinge(&b, variance, s.dt) {
		if h.chi2 < best.chi2 {
			best = h
		}
	}
	return best, !math.IsInf(best.chi2, 1)
}

// quietEnd is the index up to which the ramp before the onset is surely free of
// the opening.
func (a *opening) quietEnd(onset float64) int { return a.s.index(onset - 3*a.ch.LagS - 4*a.s.dt) }

// hush takes hum and pump pulsation out of the samples, as the ramp before the
// onset shows them; false: there is none, or a gap hides it.
func (a *opening) hush(onset float64) bool {
	s := &a.s
	end, from := a.quietEnd(onset), max(s.first, s.index(onset-math.Max(rampSpan, 64*s.dt)))
	if end-from < 64 || s.hole(s.t[from], s.t[end-1]) > 0 {
		return false
	}
	a.tones = findTones(s.t[from:end], lineResiduals(s.t[from:end], s.v[from:end]))
	if len(a.tones) == 0 {
		return false
	}
	s.silence(a.tones)
	return true
}

// enough is the index up to which a slow fall says all that is wanted: later
// parts depend on the walls' heat and on what the supply does. The trigger is
// always within.
func (a *opening) enough(h hinge, variance float64) int {
	s := &a.s
	sum := 0.0
	for i := s.index(h.onset); i < len(s.t); i++ {
		x := s.t[i] - h.onset
		r := h.drop * math.Expm1(-x/h.tau)
		if sum += r * r / variance; sum > enoughSquares && x > enoughTime && i > s.trigger {
			return i
		}
	}
	return len(s.t)
}

// straighten sets from where the ramp before the onset is straight: over the
// longest of 1, 1/2, 1/4, ... s that shows no bend beyond three standard
// deviations. A slow channel has at least 64 samples where they are straight.
// Where even 32 are bent, 48 are used and the bend is fitted freely.
func (a *opening) straighten(onset float64) {
	s := &a.s
	end, last := a.quietEnd(onset), s.index(onset)
	a.bent, a.curved, a.bowed = false, 0, 0
	for span := math.Max(rampSpan, 64*s.dt); ; span /= 2 {
		a.from = max(s.first, s.index(onset-span))
		if last-a.from < 32 {
			break
		}
		if end-a.from < 24 || bend(s.t[a.from:end], s.v[a.from:end]) < 3 {
			a.hintBend(end)
			return
		}
	}
	a.from = max(s.first, last-48)
	a.bent = end-a.from >= 16
}

// bend is the curvature of v over t in units of its standard deviation (or half
// of what lastOff says, if that is more).
func bend(t, v []float64) float64 {
	c, ok := newCurve(t, v, 2)
	if !ok {
		return 0
	}
	x, y := blocks(t, v)
	return math.Max(math.Abs(c.z), lastOff(x, y)/2)
}

// lastOff is by how many of the others' standard deviations the last two of the
// points lie off the line through the others: a ramp that changed just before
// its end looks straight otherwise.
func lastOff(x, y []float64) float64 {
	n := len(x) - 2
	if n < 6 {
		return 0
	}
	var s1, s2, r0, r1 float64
	for k := range n {
		s1, s2, r0, r1 = s1+x[k], s2+x[k]*x[k], r0+y[k], r1+y[k]*x[k]
	}
	m := float64(n)
	c1 := (m*r1 - s1*r0) / (m*s2 - s1*s1)
	c0 := (r0 - c1*s1) / m
	sum := 0.0
	for k := range n {
		e := y[k] - c0 - c1*x[k]
		sum += e * e
	}
	sd := math.Sqrt(sum / (m - 2))
	off := math.Max(math.Abs(y[n]-c0-c1*x[n]), math.Abs(y[n+1]-c0-c1*x[n+1]))
	return off / (sd + 1e-300)
}

// firstVariance is the variance of one sample before anything is fitted: as the
// monitor saw it, or from the second differences before the trigger.
func (a *opening) firstVariance() float64 {
	sd := a.w.NoisePa
	if sd <= 0 || len(a.tones) > 0 { // the monitor's may hold the hum
		v := a.s.v[a.from:a.s.trigger]
		d := make([]float64, 0, len(v))
		for i := 2; i < len(v); i++ {
			d = append(d, v[i]-2*v[i-1]+v[i-2])
		}
		sd = robustSD(d) / math.Sqrt(6)
	}
	sd = math.Max(sd, a.floor())
	return sd * sd
}

// floor is the least standard deviation of a sample, Pa: that of the
// quantisation, or the rounding of the numbers.
func (a *opening) floor() float64 {
	return math.Max(a.step()/math.Sqrt(12), 1e-9*math.Max(math.Abs(a.s.v[a.s.trigger-1]), 1))
}

// fallEnd is the index up to which the fall is used: where it has gone most of
// the way to ambient, or turns.
func (a *opening) fallEnd(from, onset float64) int {
	s := &a.s
	i0 := s.index(onset)
	top := median(s.v[max(s.index(from), i0-16):max(i0, 1)])
	aim := top - fallFraction*(top-(a.ambient-a.gauge))
	n := len(s.t)
	// means over blocks that grow with the distance, to find the turn
	low, lowAt := math.Inf(1), n
	end, size := n, 4
	a.turns = false
	for i := max(i0, s.trigger); i+size <= n; i += size { // what turned before the trigger was none
		size = min(max(4, (i-i0)/12), n-i)
		m := 0.0
		for _, v := range s.v[i : i+size] {
			m += v
		}
		m /= float64(size)
		if m < low {
			low, lowAt = m, i+size
		}
		rise := m - low
		if tol := 6 * math.Max(a.w.NoisePa, a.floor()) / math.Sqrt(float64(size)); low < top-tol && rise > tol && rise > 0.02*(top-low) {
			// The turn itself is smeared by the lag.
			end = max(s.index(s.t[lowAt-1]-float64(size)*s.dt-2*a.ch.LagS), i0+8)
			a.turns, a.lowest = true, s.t[lowAt-1]
			break
		}
	}
	for i := i0; i < end; i++ {
		if s.v[i] < aim {
			end = min(end, max(i+1, i0+32))
			break
		}
	}
	return end
}

// estimateNoise takes the noise from the ramp before the opening.
func (a *opening) estimateNoise(onset float64) noise {
	s := &a.s
	end := a.quietEnd(onset)
	floor := a.floor() * a.floor()
	if end-a.from < 24 {
		return whiteNoise(math.Max(a.firstVariance(), floor))
	}
	return newNoise(lineResiduals(s.t[a.from:end], a.flattened(a.from, end)), floor)
}

// flattened are the values of the samples [from, to) without the ramp's bend.
func (a *opening) flattened(from, to int) []float64 {
	v := a.s.v[from:to]
	if a.curved == 0 {
		return v
	}
	flat := make([]float64, len(v))
	middle := (a.s.t[from] + a.s.t[to-1]) / 2
	for i := range v {
		d := a.s.t[from+i] - middle
		flat[i] = v[i] - a.curved/2*d*d
	}
	return flat
}

// perhapsBent is from how many standard deviations on a ramp that is taken for
// straight may be bent all the same.
const perhapsBent = 1.5

// hintBend sets what bend a straight ramp up to sample end may hide.
func (a *opening) hintBend(end int) {
	if end-a.from < curveBlocks {
		return
	}
	if c, ok := newCurve(a.s.t[a.from:end], a.s.v[a.from:end], 2); ok && math.Abs(c.z) > perhapsBent {
		a.bowed = math.Abs(c.bend())
	}
}

// lineResiduals are the residuals of a straight line fitted with Tukey's
// weights.
func lineResiduals(t, v []float64) []float64 {
	e := make([]float64, len(t))
	w := make([]float64, len(t))
	for i := range w {
		w[i] = 1
	}
	for range 6 {
		var s0, s1, s2, r0, r1 float64
		for i := range t {
			x, y := t[i]-t[0], v[i]-v[0]
			s0, s1, s2 = s0+w[i], s1+w[i]*x, s2+w[i]*x*x
			r0, r1 = r0+w[i]*y, r1+w[i]*x*y
		}
		c1 := (s0*r1 - s1*r0) / (s0*s2 - s1*s1)
		c0 := (r0 - c1*s1) / s0
		for i := range t {
			e[i] = v[i] - v[0] - c0 - c1*(t[i]-t[0])
		}
		sd := robustSD(e)
		if sd == 0 {
			break
		}
		for i := range w {
			w[i] = 0
			if q := e[i] / (4.685 * sd); math.Abs(q) < 1 {
				w[i] = (1 - q*q) * (1 - q*q)
			}
		}
	}
	return e
}
