package detect

import "math"

const (
	fitPoints  = 1024
	fitTrend   = 3 // columns of a parabola
	fitColumns = fitTrend + 2*toneMost + 1
	fitBlock   = 4 // points whose products are summed at a time
)

// A series is a least-squares fit of a tone on a parabola.
type series struct {
	m   [fitColumns + 1][fitColumns + 1]float64
	p   int // columns
	x   [fitColumns]float64
	yy  float64 // sum of squares
	own float64 // left by the parabola alone
	all float64 // left by the whole
	n   int
}

// fit fits the tone's harmonics to the strip, and its frequency too where it has
// harmonics already. It tells whether there were points enough.
func (f *series) fit(s *strip, o *tone, tuned bool) bool {
	o.shift(s.t0)
	f.gather(s, o, tuned)
	if f.n < 2*f.p || !f.solve() {
		return false
	}
	for h := 1; h <= o.h; h++ {
		o.a[h], o.b[h] = f.x[fitTrend+2*h-2], f.x[fitTrend+2*h-1]
	}
	if tuned {
		o.hz += f.x[f.p-1]
	}
	return true
}

// gather makes the normal equations.
func (f *series) gather(s *strip, o *tone, tuned bool) {
	*f = series{p: fitTrend + 2*o.h, n: s.n}
	if tuned {
		f.p++
	}
	w := wheel{lead: float64(s.t0-o.t0) * 1e-9, rad: 2 * math.Pi * o.hz}
	var c [fitBlock][fitColumns + 1]float64
	for k := 0; k < s.n; k += fitBlock {
		n := min(fitBlock, s.n-k)
		for i := range n {
			f.row(&c[i], s, k+i, o, &w)
		}
		for i := n; i < fitBlock; i++ {
			c[i] = [fitColumns + 1]float64{}
		}
		f.add(&c)
	}
	f.yy = f.m[f.p][f.p]
}

// row makes what the fit reckons with at point k of the strip: its columns and
// the value.
func (f *series) row(c *[fitColumns + 1]float64, s *strip, k int, o *tone, w *wheel) {
	t := s.t[k]
	x := t / s.half
	c[0], c[1], c[2] = 1, x, x*x-1.0/3
	c[f.p] = s.v[k]
	if o.h == 0 {
		return
	}
	w.turn(t)
	re, im, slope := w.cos, w.sin, 0.0
	for h := 1; h <= o.h; h++ {
		c[fitTrend+2*h-2], c[fitTrend+2*h-1] = re, im
		slope += float64(h) * (o.b[h]*re - o.a[h]*im)
		re, im = re*w.cos-im*w.sin, re*w.sin+im*w.cos
	}
	if f.p > fitTrend+2*o.h {
		c[f.p-1] = slope * 2 * math.Pi * (t + w.lead)
	}
}

// add adds the products of so many rows.
func (f *series) add(c *[fitBlock][fitColumns + 1]float64) {
	for i := range f.p + 1 {
		row := f.m[i][i : f.p+1]
		c0, c1, c2, c3 := c[0][i:][:len(row)], c[1][i:][:len(row)], c[2][i:][:len(row)], c[3][i:][:len(row)]
		a0, a1, a2, a3 := c0[0], c1[0], c2[0], c3[0]
		for j := range row {
			row[j] += a0*c0[j] + a1*c1[j] + (a2*c2[j] + a3*c3[j])
		}
	}
}

// solve solves the normal equations by Cholesky's method, which also gives what
// the first columns alone leave.
func (f *series) solve() bool {
	f.all = f.yy
	for i := range f.p {
		d := f.m[i][i]
		if i >= fitTrend { // the parabola may be far larger than what it leaves
			d *= 1 + 1e-10
		}
		for k := range i {
			d -= f.m[k][i] * f.m[k][i]
		}
		if d <= 1e-9*f.m[i][i] || d != d {
			return false
		}
		d = math.Sqrt(d)
		f.m[i][i] = d
		for j := i + 1; j <= f.p; j++ {
			v := f.m[i][j]
			for k := range i {
				v -= f.m[k][i] * f.m[k][j]
			}
			f.m[i][j] = v / d
		}
		f.all -= f.m[i][f.p] * f.m[i][f.p]
		if i == fitTrend-1 {
			f.own = f.all
		}
	}
	for i := f.p - 1; i >= 0; i-- {
		v := f.m[i][f.p]
		for j := i + 1; j < f.p; j++ {
			v -= f.m[i][j] * f.x[j]
		}
		f.x[i] = v / f.m[i][i]
	}
	return true
}

// left is the variance that the fit leaves, and what the parabola alone does.
func (f *series) left() (tone, trend float64) {
	return math.Max(0, f.all) / float64(max(1, f.n-f.p)), math.Max(0, f.own) / float64(max(1, f.n-fitTrend))
}
