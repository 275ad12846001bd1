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
	b.room = make([]float64, 2*len(b.t))
	var found []hinge
	line := lineMisfit(b, variance)
	for _, onset := range onsets(first, last, dt) {
		best := hinge{chi2: math.Inf(1)}
		m := b.moments(onset)
		for tau := dt / 2; tau < 4*(last-first); tau *= 2 {
			if h, ok := fitHinge(b, &m, tau, variance, best.chi2); ok {
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
// onset, seen through a lag of first order that alone would have gone as far as
// lagged.
func fallen(x, tau, lag, lagged float64) float64 {
	switch {
	case lag <= 0:
		return math.Expm1(-x / tau)
	case math.Abs(tau-lag) < 1e-3*lag:
		return math.Exp(-x/lag)*(1+x/lag) - 1
	}
	return (tau*math.Expm1(-x/tau) - lag*lagged) / (tau - lag)
}

// moments are what the hinges of one onset have in common.
type moments struct {
	onset              float64
	after              int // bins before the onset
	s0, s1, s2, r0, r1 float64
}

// moments are those about an onset.
func (b *bins) moments(onset float64) moments {
	m := moments{onset: onset}
	for i, t := range b.t {
		n, x, y := b.n[i], t-onset, b.y[i]-b.y[0]
		m.s0, m.s1, m.s2, m.r0, m.r1 = m.s0+n, m.s1+n*x, m.s2+n*x*x, m.r0+n*y, m.r1+n*x*y
		if x <= 0 {
			m.after = i + 1
		} else if b.lag > 0 {
			b.room[len(b.t)+i] = math.Expm1(-x / b.lag)
		}
	}
	return m
}

// fitHinge solves the three linear figures of a hinge; false where it has none,
// or a sum of squares of most or more.
func fitHinge(b *bins, m *moments, tau, variance, most float64) (hinge, bool) {
	var e1, ex, ee, re float64
	y0 := b.y[0]
	fall, lagged := b.room[:len(b.t)], b.room[len(b.t):]
	for i := m.after; i < len(fall); i++ {
		n, x, y := b.n[i], b.t[i]-m.onset, b.y[i]-y0
		e := fallen(x, tau, b.lag, lagged[i])
		e1, ex, ee, re = e1+n*e, ex+n*e*x, ee+n*e*e, re+n*e*y
		fall[i] = e
	}
	x, ok := solve3([3][4]float64{{m.s0, m.s1, e1, m.r0}, {m.s1, m.s2, ex, m.r1}, {e1, ex, ee, re}})
	if !ok || x[2] <= 0 {
		return hinge{}, false
	}
	h := hinge{onset: m.onset, level: x[0] + y0, ramp: x[1], drop: x[2], tau: tau}
	sum := 0.0
	for i, t := range b.t {
		line := h.level + h.ramp*(t-m.onset)
		if i >= m.after {
			line += h.drop * fall[i]
		}
		d := b.y[i] - line
		if sum += b.n[i] * d * d; !(sum < most*variance) {
			return hinge{}, false
		}
	}
	h.chi2 = sum / variance
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
