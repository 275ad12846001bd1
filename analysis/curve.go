package analysis

import "math"

// curveBlocks is the number of blocks whose means a polynomial is fitted to:
// their scatter holds the noise's correlation.
const curveBlocks = 24

// A curve is a polynomial through a stretch of samples.
type curve struct {
	coef   []float64 // of (t - origin)/span, Pa
	z      float64   // the highest coefficient over its standard deviation
	origin float64   // s
	span   float64   // s
}

// at is the curve's value at time t, Pa.
func (c *curve) at(t float64) float64 {
	u, v := (t-c.origin)/c.span, 0.0
	for k := len(c.coef) - 1; k >= 0; k-- {
		v = c.coef[k] + u*v
	}
	return v
}

// bend is the second derivative of a curve of second degree, Pa/s².
func (c *curve) bend() float64 { return 2 * c.coef[2] / (c.span * c.span) }

// blocks are the means of t and v, less their first values, over up to
// curveBlocks stretches of one length.
func blocks(t, v []float64) (x, y []float64) {
	n := min(curveBlocks, len(t)/2)
	x, y = make([]float64, n), make([]float64, n)
	for k := range n {
		i, j := k*len(t)/n, (k+1)*len(t)/n
		size := float64(j - i)
		for ; i < j; i++ {
			x[k] += (t[i] - t[0]) / size
			y[k] += (v[i] - v[0]) / size
		}
	}
	return x, y
}

// newCurve fits a polynomial of the degree; false where there is too little to
// fit it to.
func newCurve(t, v []float64, degree int) (curve, bool) {
	x, y := blocks(t, v)
	n := len(x)
	if n < degree+3 {
		return curve{}, false
	}
	c := curve{origin: t[0], span: x[n-1]}
	p := Problem{Y: y, Predict: func(th, m []float64) {
		for k := range m {
			u := x[k] / c.span
			m[k] = 0
			for d := degree; d >= 0; d-- {
				m[k] = th[d] + u*m[k]
			}
		}
	}}
	start := make([]float64, degree+1)
	start[1] = y[n-1]
	r, err := Fit(p, start, FitOptions{Loss: Squares, Iterations: 8})
	if err != nil || r.Cov == nil || r.RSS == 0 {
		return curve{}, false
	}
	c.coef = r.Theta
	c.z = r.Theta[degree] / math.Sqrt(r.Cov.At(degree, degree)*r.RSS/float64(n-degree-1))
	c.coef[0] += v[0]
	return c, true
}

// surelyBent is from how many standard deviations on a ramp is taken for bent.
const surelyBent = 5

// parabola is whether the samples follow a parabola that is surely none of a
// straight ramp, and nothing more crooked.
func parabola(t, v []float64) (curve, bool) {
	if len(t) < 4*curveBlocks {
		return curve{}, false
	}
	c, ok := newCurve(t, v, 2)
	if !ok || !(math.Abs(c.z) >= surelyBent) {
		return curve{}, false
	}
	cubic, ok := newCurve(t, v, 3)
	if !ok || !(math.Abs(cubic.z) < 3) {
		return curve{}, false
	}
	// Nothing new at its end.
	x, y := blocks(t, v)
	for k := range y {
		y[k] += v[0] - c.at(t[0]+x[k])
	}
	return c, lastOff(x, y) < 6
}
