package sim

import "math"

// maxSplit bounds how often a base step is halved.
const maxSplit = 6

// filter is an impulse line (a resonance of second order) followed by a
// transducer (a lag of first order), advanced exactly for an input that is a
// straight line over each step.
type filter struct {
	line     bool    // has a resonance
	lag      float64 // s; 0: none
	lineLate float64 // s by which the line trails a ramp
	x, v     float64 // line: output and its rate
	y        float64 // transducer
	u        float64 // input at the end of the last step
	du       float64 // its slope over the last step
	m        [maxSplit + 1][3][5]float64
}

// newFilter prepares steps of base/2^k. hz = 0: no resonance; lag = 0: none.
func newFilter(base, hz, damping, lag float64) *filter {
	f := &filter{line: hz > 0, lag: lag}
	w := 2 * math.Pi * hz
	if f.line {
		f.lineLate = 2 * damping / w
	}
	for k := range f.m {
		dt := base / float64(int(1)<<k)
		var z [5][5]float64
		if f.line {
			z[0] = [5]float64{0, 1, 0, 0, 0}
			z[1] = [5]float64{-w * w, -2 * damping * w, 0, w * w, 0}
			if lag > 0 {
				z[2] = [5]float64{1 / lag, 0, -1 / lag, 0, 0}
			}
		} else if lag > 0 {
			z[2] = [5]float64{0, 0, -1 / lag, 1 / lag, 0}
		}
		z[3][4] = 1
		e := expm(z, dt)
		for i := range 3 {
			s := e[i][4] / dt // the input's slope is (u1-u0)/dt
			f.m[k][i] = [5]float64{e[i][0], e[i][1], e[i][2], e[i][3] - s, s}
		}
	}
	return f
}

// rest brings the filter to a steady input.
func (f *filter) rest(u float64) { f.x, f.v, f.y, f.u, f.du = u, 0, u, u, 0 }

// trail settles the filter on an input that has long risen by rate a second.
func (f *filter) trail(rate float64) {
	late := 0.0
	if f.line {
		late = f.lineLate
	}
	f.x, f.v = f.u-late*rate, rate
	f.y, f.du = f.x-f.lag*rate, rate
}

// step takes the input u at the end of a step of dt = base/2^k.
func (f *filter) step(k int, dt, u float64) {
	m := &f.m[k]
	x, v, y, u0 := f.x, f.v, f.y, f.u
	if f.line {
		f.x = m[0][0]*x + m[0][1]*v + m[0][3]*u0 + m[0][4]*u
		f.v = m[1][0]*x + m[1][1]*v + m[1][3]*u0 + m[1][4]*u
	}
	if f.lag > 0 {
		f.y = m[2][0]*x + m[2][1]*v + m[2][2]*y + m[2][3]*u0 + m[2][4]*u
	}
	f.u, f.du = u, (u-u0)/dt
}

// out is the output and its rate of change now.
func (f *filter) out() (y, dy float64) {
	x := f.u
	dx := f.du
	if f.line {
		x, dx = f.x, f.v
	}
	if f.lag > 0 {
		return f.y, (x - f.y) / f.lag
	}
	return x, dx
}

// expm is exp(z dt) by scaling, a Taylor series and squaring.
func expm(z [5][5]float64, dt float64) [5][5]float64 {
	norm := 0.0
	for i := range z {
		sum := 0.0
		for j := range z[i] {
			sum += math.Abs(z[i][j] * dt)
		}
		norm = math.Max(norm, sum)
	}
	squarings := 0
	for norm > 0.25 && squarings < 60 {
		norm /= 2
		squarings++
	}
	h := math.Ldexp(dt, -squarings)
	sum, term := identity(), identity()
	for n := 1; n <= 14; n++ {
		term = matmul(term, z)
		for i := range term {
			for j := range term[i] {
				term[i][j] *= h / float64(n)
				sum[i][j] += term[i][j]
			}
		}
	}
	for range squarings {
		sum = matmul(sum, sum)
	}
	return sum
}

func identity() (m [5][5]float64) {
	for i := range m {
		m[i][i] = 1
	}
	return m
}

func matmul(a, b [5][5]float64) (c [5][5]float64) {
	for i := range a {
		for k := range b {
			for j := range c {
				c[i][j] += a[i][k] * b[k][j]
			}
		}
	}
	return c
}

// between is the value at fraction x of an interval of length h by cubic
// Hermite interpolation from values and rates at its ends.
func between(x, h, y0, d0, y1, d1 float64) float64 {
	x2 := x * x
	x3 := x2 * x
	return (2*x3-3*x2+1)*y0 + (x3-2*x2+x)*h*d0 + (3*x2-2*x3)*y1 + (x3-x2)*h*d1
}
