package analysis

import (
	"math"
	"slices"
)

// A ramp's slope may change within the second before the onset: a bottom that
// bulges, a valve that is turned. What does not show of it may still shift the
// opening pressure (judgement, no source).
const (
	slopeOdds   = 0.25 // that it does, at any time of the ramp that is used
	bentOdds    = 0.5  // the same where the ramp was bent within the second before
	slopeSD     = 0.3  // by how much of itself, standard
	slopeTails  = 5    // last part of the ramp that has the other slope: 1/2, 1/4, ...
	slopeMiddle = 0.7  // of each such part and the next larger: where the change stands for all in between
	slopeLeast  = 32   // samples on either side of it
	wanders     = 1.7  // times its model's variance from which on the scatter of block means is no chance: 22 degrees of freedom, 98 %
)

// drift is by how much a change of the ramp's slope that the samples before the
// onset may hide shifts the level there, and the standard uncertainty of that and
// of noise that wanders more slowly than its model knows, Pa.
func (a *opening) drift() (shift, sd float64) {
	var p *profile
	for i := range a.fits {
		if q := &a.fits[i]; !q.first && (p == nil || q.chi2 < p.chi2) {
			p = q
		}
	}
	if p == nil {
		return 0, 0
	}
	end := a.quietEnd(p.onset)
	if end-a.from < 4*slopeLeast {
		return 0, 0
	}
	t := a.s.t[a.from:end]
	rest := make([]float64, len(t))
	sv := a.solver(&p.course)
	sv.read(&p.course, t, rest)
	for i, v := range a.s.v[a.from:end] {
		rest[i] = v - rest[i]
	}
	known := a.noise.slow() * a.excess()
	variance := math.Max(known, slowVariance(t, rest))
	steepest, odds, back := math.Max(math.Abs(p.ramp), math.Abs(p.slope)), slopeOdds, 0.0
	if before, ok := a.rampBefore(p.onset); ok {
		back = math.Max(before-p.slope, 0) * p.width / 2
		steepest, odds = math.Max(steepest, math.Abs(before)), bentOdds
	}
	shift, sd = kinked(t, rest, p.onset, slopeSD*steepest, variance, odds)
	if variance > wanders*known {
		sd = math.Hypot(sd, math.Sqrt(4*(variance-known)/float64(len(t)))) // of a line at its end
	}
	// What tears may no longer bulge: between start and effective onset the ramp
	// may be what it was.
	return shift, math.Hypot(sd, back/math.Sqrt(3))
}

// rampBefore is the mean slope (Pa/s) of the second before the onset ahead of the
// straight part; false where all of it is straight.
func (a *opening) rampBefore(onset float64) (float64, bool) {
	s := &a.s
	first := max(s.first, s.index(onset-rampSpan))
	if a.from-first < slopeLeast || s.t[a.from] < onset-0.6*rampSpan {
		return 0, false
	}
	slope, _ := lineOf(s.t[first:a.from], s.v[first:a.from], 0)
	return slope, true
}

// slowVariance is the variance of white noise whose means over blocks scatter as
// the residuals' do about a straight line: coarse codes on a ramp and hum that
// was not quite taken out wander more slowly than the noise's own model knows.
func slowVariance(t, rest []float64) float64 {
	x, y := blocks(t, rest)
	slope, at := lineOf(x, y, 0)
	sum := 0.0
	for i := range y {
		e := y[i] - at - slope*x[i]
		sum += e * e
	}
	return sum / float64(len(y)-2) * float64(len(t)) / float64(len(y))
}

// kinked is where the residuals of a straight line lead at the onset (s) if the
// line may have a hinge, and the standard uncertainty of that beside the line's
// own, Pa: the line and lines with one hinge mixed by their evidence (Bayes
// factors of a normal prior of the change of slope, of the standard deviation
// slope, Pa/s, and of the given odds). variance is that of a residual, Pa².
func kinked(t, rest []float64, onset, slope, variance, odds float64) (shift, sd float64) {
	n := len(t)
	if !(slope > 0) || !(variance > 0) {
		return 0, 0
	}
	sum, mean, square := 1-odds, 0.0, 0.0
	for k := 1; k <= slopeTails; k++ {
		part := math.Pow(0.5, float64(k))
		at, _ := slices.BinarySearch(t, t[n-1]-2*part*slopeMiddle*(t[n-1]-t[0]))
		if n-at < slopeLeast {
			break
		}
		h := newKink(t, rest, at, onset)
		weight := odds * part * h.factor(slope*slope, variance)
		c, u := h.change(slope*slope, variance)
		c, u = c*h.reach, u*h.reach
		sum, mean, square = sum+weight, mean+weight*c, square+weight*(c*c+u*u)
	}
	mean, square = mean/sum, square/sum
	return mean, math.Sqrt(math.Max(square-mean*mean, 0))
}

// A kink is what a line with a hinge at one sample explains of residuals beyond
// a straight line.
type kink struct {
	power float64 // of the hinge, less what a straight line takes of it, s²
	with  float64 // its product with the residuals, Pa·s
	reach float64 // how far it lies off that line at the onset, s
}

func newKink(t, rest []float64, at int, onset float64) kink {
	n, middle := float64(len(t)), 0.0
	for _, x := range t {
		middle += x / n
	}
	var xx, g0, gx float64
	for i, x := range t {
		d := x - middle
		xx += d * d
		if i > at {
			g := x - t[at]
			g0, gx = g0+g, gx+g*d
		}
	}
	g0, gx = g0/n, gx/xx
	var k kink
	for i, x := range t {
		g := -g0 - gx*(x-middle)
		if i > at {
			g += x - t[at]
		}
		k.power += g * g
		k.with += g * rest[i]
	}
	k.reach = onset - t[at] - g0 - gx*(onset-middle)
	return k
}

// factor is by how much likelier the residuals are with a change of slope of the
// variance prior, (Pa/s)², than without, under a noise of the given variance, Pa².
func (k *kink) factor(prior, variance float64) float64 {
	more := variance + prior*k.power
	return math.Sqrt(variance/more) * math.Exp(math.Min(k.with*k.with*prior/(2*variance*more), 300))
}

// change is the change of slope and its standard uncertainty, Pa/s.
func (k *kink) change(prior, variance float64) (c, u float64) {
	more := variance + prior*k.power
	return prior * k.with / more, math.Sqrt(prior * variance / more)
}
