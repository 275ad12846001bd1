package analysis

import "math"

// A hinge is the coarse picture of an opening: a line that from onset on falls
// away exponentially. It gives the fit its starting points.
type hinge struct {
	onset, level, ramp float64 // s, Pa, Pa/s
	drop, tau          float64 // Pa, s
	chi2               float64 // sum of squares over the noise's variance
	line               float64 // the same for the straight line alone
}

// searchHinge tries onsets on a grid that is finest at the trigger, each with a
// range of time constants, by linear least squares. best is sorted by chi2, one
// entry for each clearly different onset.
func searchHinge(b *bins, variance, dt float64) []hinge {
	if len(b.t) < 4 {
		return nil
	}
	first, last := b.t[0], b.t[len(b.t)-1]
	b.room = make([]float64, len(b.t))
	var found []hinge
	line := lineMisfit(b, variance)
	for _, onset := range onsets(first, last, dt) {
		best := hinge{chi2: math.Inf(1)}
		for tau := dt / 2; tau < 4*(last-first); tau *= 2 {
			if h, ok := fitHinge(b, onset, tau, variance); ok && h.chi2 < best.chi2 {
				best = h
			}
		}
		best.line = line
		if !math.IsInf(best.chi2, 1) {
			found = append(found, best)
		}
	}
	return found
}

// onsets is the grid of a search: every half sample near the trigger, then
// growing steps back to the beginning and a little way on.
func onsets(first, last, dt float64) []float64 {
	var g []float64
	for d, step := 0.0, dt/2; -d > first+2*dt; d += step {
		g = append(g, -d)
		if d > 6*dt {
			step *= 1.12
		}
	}
	for d := dt / 2; d < math.Min(last/2, 8*dt); d += dt / 2 {
		g = append(g, d)
	}
	return g
}

func lineMisfit(b *bins, variance float64) float64 {
	var s [3]float64
	var r [2]float64
	var yy float64
	for i, t := range b.t {
		n := b.n[i]
		s[0], s[1], s[2] = s[0]+n, s[1]+n*t, s[2]+n*t*t
		r[0], r[1], yy = r[0]+n*b.y[i], r[1]+n*t*b.y[i], yy+n*b.y[i]*b.y[i]
	}
	det := s[0]*s[2] - s[1]*s[1]
	if det <= 0 {
		return 0
	}
	c1 := (s[0]*r[1] - s[1]*r[0]) / det
	c0 := (r[0] - c1*s[1]) / s[0]
	sum := 0.0
	for i, t := range b.t {
		e := b.y[i] - c0 - c1*t
		sum += b.n[i] * e * e
	}
	return sum / variance
}

// fallen is how far (0 to -1) a fall of time constant tau has gone x after its
// onset, seen through a lag of first order.
func fallen(x, tau, lag float64) float64 {
	switch {
	case lag <= 0:
		return math.Expm1(-x / tau)
	case math.Abs(tau-lag) < 1e-3*lag:
		return math.Exp(-x/lag)*(1+x/lag) - 1
	}
	return (tau*math.Expm1(-x/tau) - lag*math.Expm1(-x/lag)) / (tau - lag)
}

// fitHinge solves the three linear figures of a hinge.
func fitHinge(b *bins, onset, tau, variance float64) (hinge, bool) {
	var s0, s1, s2, e1, ex, ee, r0, r1, re float64
	y0 := b.y[0]
	fall := b.room[:len(b.t)]
	for i, t := range b.t {
		n, x, y := b.n[i], t-onset, b.y[i]-y0
		s0, s1, s2, r0, r1 = s0+n, s1+n*x, s2+n*x*x, r0+n*y, r1+n*x*y
		e := 0.0
		if x > 0 {
			e = fallen(x, tau, b.lag)
			e1, ex, ee, re = e1+n*e, ex+n*e*x, ee+n*e*e, re+n*e*y
		}
		fall[i] = e
	}
	x, ok := solve3([3][4]float64{{s0, s1, e1, r0}, {s1, s2, ex, r1}, {e1, ex, ee, re}})
	if !ok || x[2] <= 0 {
		return hinge{}, false
	}
	h := hinge{onset: onset, level: x[0] + y0, ramp: x[1], drop: x[2], tau: tau}
	for i, t := range b.t {
		d := b.y[i] - (h.level + h.ramp*(t-onset) + h.drop*fall[i])
		h.chi2 += b.n[i] * d * d
	}
	h.chi2 /= variance
	return h, true
}

// solve3 is Gauss's elimination with pivots for three unknowns.
func solve3(a [3][4]float64) ([3]float64, bool) {
	var x [3]float64
	for c := range 3 {
		p := c
		for r := c + 1; r < 3; r++ {
			if math.Abs(a[r][c]) > math.Abs(a[p][c]) {
				p = r
			}
		}
		a[c], a[p] = a[p], a[c]
		if math.Abs(a[c][c]) < 1e-300 {
			return x, false
		}
		for r := c + 1; r < 3; r++ {
			k := a[r][c] / a[c][c]
			for j := c; j < 4; j++ {
				a[r][j] -= k * a[c][j]
			}
		}
	}
	for c := 2; c >= 0; c-- {
		x[c] = a[c][3]
		for j := c + 1; j < 3; j++ {
			x[c] -= a[c][j] * x[j]
		}
		x[c] /= a[c][c]
	}
	return x, !math.IsNaN(x[0] + x[1] + x[2])
}
