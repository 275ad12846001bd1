package detect

import "ventward/daq"

const bowPoints = 48 // means of a stretch

// A bow is what is left of a stretch about a parabola, and of the tone there.
type bow struct {
	div, n     int
	vv, vy, yy float64
	pardon     daq.Quality // what a sample may be marked with
}

// of looks at [from, to); it tells whether there are means enough.
func (e *bow) of(p *pressure, o *tone, from, to int) bool {
	e.div = max(1, (to-from)/bowPoints)
	e.n = (to - from) / e.div
	if e.n < 5 || e.n > 2*bowPoints || from < p.cap.oldest() {
		return false
	}
	var v, y [2 * bowPoints]float64
	base := p.cap.at(to - 1)
	for k := range e.n {
		for i := to - (e.n-k)*e.div; i < to-(e.n-k-1)*e.div; i++ {
			j := i & p.cap.mask
			if p.cap.q[j]&(daq.Bad|daq.Saturated)&^e.pardon != 0 {
				return false
			}
			v[k] += (p.cap.v[j] - base) / float64(e.div)
			y[k] += o.at(p.cap.t[j]) / float64(e.div)
		}
	}
	e.vv, e.vy, e.yy = bowless(v[:e.n], v[:e.n]), bowless(v[:e.n], y[:e.n]), bowless(y[:e.n], y[:e.n])
	return e.yy > 0
}

// gain is how much of the tone is yet to be taken off.
func (e *bow) gain() float64 { return e.vy / e.yy }

// left is the sum of squares once so much more of it is.
func (e *bow) left(gain float64) float64 { return e.vv - 2*gain*e.vy + gain*gain*e.yy }

// bowless is the sum of products of evenly spaced values without their
// least-squares parabolas.
func bowless(v, w []float64) float64 {
	n := float64(len(v))
	mid := (n - 1) / 2
	var v0, v1, v2, w0, w1, w2, vw float64
	for k, a := range v {
		b := w[k]
		x := float64(k) - mid
		z := x*x - (n*n-1)/12
		v0 += a
		v1 += x * a
		v2 += z * a
		w0 += b
		w1 += x * b
		w2 += z * b
		vw += a * b
	}
	return vw - v0*w0/n - v1*w1*12/(n*(n*n-1)) - v2*w2*180/(n*(n*n-1)*(n*n-4))
}
