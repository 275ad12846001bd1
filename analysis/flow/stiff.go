package flow

import (
	"fmt"
	"math"
)

// Bounds of the iteration within a step.
const (
	newtonMost  = 25
	newtonClose = 0.02 // of the tolerance, the last correction
	newtonSlow  = 0.2  // a correction that shrinks by less asks for a new matrix
)

// Stiff integrates y from t0 to t1, in place, by the implicit rule of Euler with
// one extrapolation (order 2, L-stable; Hairer and Wanner, Solving Ordinary
// Differential Equations II, IV.9), and stops at the first event. It suits a
// cell cut into slices, whose pressures equalise a million times faster than
// they rise. Each step is solved by Newton's iteration: flow between slices has
// an almost infinite slope where it turns, and methods that linearise only once
// a step creep there. The derivatives are differences; the matrix is
// tridiagonal, so p has to be so, or of one element.
func Stiff(p ODE, t0, t1 float64, y []float64) (Halt, error) {
	if len(y) > 1 && !p.Tridiagonal {
		return Halt{}, fmt.Errorf("%d elements that may all depend on each other: this solver needs a tridiagonal problem", len(y))
	}
	return integrate(&p, newEuler(len(y)), t0, t1, y)
}

type euler struct {
	lower, diag, upper  []float64 // of 1 - h·J
	base, moved, f, res []float64
	delta, c            []float64
	whole, half         []float64
}

func newEuler(n int) *euler {
	v := func() []float64 { return make([]float64, n) }
	return &euler{lower: v(), diag: v(), upper: v(), base: v(), moved: v(), f: v(), res: v(), delta: v(), c: v(), whole: v(), half: v()}
}

func (s *euler) order() float64 { return 2 }

// try takes the step whole and in two halves.
func (s *euler) try(p *ODE, t, h float64, y, f, yn, fn []float64) float64 {
	copy(s.whole, y)
	copy(s.half, y)
	if !s.implicit(p, t+h, h, y, s.whole, false) || !s.implicit(p, t+h/2, h/2, y, s.half, false) {
		return math.Inf(1)
	}
	for j := range yn { // go on in a straight line as a guess
		yn[j] = 2*s.half[j] - y[j]
	}
	if !s.implicit(p, t+h, h/2, s.half, yn, true) { // with the matrix of the first half
		return math.Inf(1)
	}
	sum := 0.0
	for j := range y {
		d := yn[j] - s.whole[j]
		e := d / (p.AbsTol[j] + p.RelTol*math.Max(math.Abs(y[j]), math.Abs(yn[j])))
		sum += e * e
		yn[j] += d
	}
	p.Rate(t+h, yn, fn)
	return math.Sqrt(sum / float64(len(y)))
}

// implicit solves y = from + h·rate(t, y) from the guess in y; false where the
// iteration does not close. ready: the matrix at hand is near enough to begin with.
func (s *euler) implicit(p *ODE, t, h float64, from, y []float64, ready bool) bool {
	contraction, before := 0.0, math.Inf(1)
	for k := range newtonMost {
		p.Rate(t, y, s.f)
		if k == 0 && !ready || contraction > newtonSlow {
			s.matrix(p, t, h, y)
			s.factor()
		}
		for j := range y {
			s.res[j] = from[j] + h*s.f[j] - y[j]
		}
		s.solve(s.res)
		sum := 0.0
		for j := range y {
			y[j] += s.res[j]
			e := s.res[j] / (p.AbsTol[j] + p.RelTol*math.Abs(y[j]))
			sum += e * e
		}
		e := math.Sqrt(sum / float64(len(y)))
		switch {
		case math.IsNaN(e):
			return false
		case e < newtonClose:
			return true
		}
		contraction, before = e/before, e
	}
	return false
}

// matrix takes 1 - h·J by differences, with every third element moved at once.
func (s *euler) matrix(p *ODE, t, h float64, y []float64) {
	n := len(y)
	for colour := range min(3, n) {
		copy(s.base, y)
		for j := colour; j < n; j += 3 {
			s.delta[j] = 1e-9 * math.Max(math.Abs(y[j]), p.AbsTol[j])
			s.base[j] += s.delta[j]
			s.delta[j] = s.base[j] - y[j]
		}
		p.Rate(t, s.base, s.moved)
		for j := colour; j < n; j += 3 {
			d := h / s.delta[j]
			s.diag[j] = 1 - (s.moved[j]-s.f[j])*d
			if j > 0 {
				s.upper[j-1] = -(s.moved[j-1] - s.f[j-1]) * d
			}
			if j < n-1 {
				s.lower[j+1] = -(s.moved[j+1] - s.f[j+1]) * d
			}
		}
	}
}

// factor eliminates without pivoting: the matrix is diagonally dominant where
// neighbours only exchange.
func (s *euler) factor() {
	for j := 1; j < len(s.diag); j++ {
		s.c[j] = s.upper[j-1] / s.diag[j-1]
		s.diag[j] -= s.lower[j] * s.c[j]
	}
}

// solve replaces b by the solution.
func (s *euler) solve(b []float64) {
	n := len(b)
	b[0] /= s.diag[0]
	for j := 1; j < n; j++ {
		b[j] = (b[j] - s.lower[j]*b[j-1]) / s.diag[j]
	}
	for j := n - 2; j >= 0; j-- {
		b[j] -= s.c[j+1] * b[j+1]
	}
}
