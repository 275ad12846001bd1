package analysis

import (
	"math"

	"ventward/analysis/flow"
)

// A course is the pressure that a lagging transducer sees when a vessel on a
// ramp opens. Its figures are the parameters of the fit.
type course struct {
	onset float64 // effective onset t0 + w/2, s
	level float64 // pressure of the ramp's line at onset, Pa in the channel's reference
	ramp  float64 // Pa/s, before and (from the supply) after
	rate  float64 // K: the fall's relative rate at the onset, fully open, without supply, 1/s
	width float64 // opening time w, s
	lag   float64 // transducer's time constant, s
	heat  float64 // 1: adiabatic; 0: isothermal: exponent of the temperature's fall
}

// law is what a course needs to know and does not fit.
type law struct {
	gauge   float64 // added to the channel's reading to make it absolute, Pa
	ambient float64 // absolute, Pa
	gas     flow.Gas
	liquid  bool
}

// steps of the integration: while the area grows, and afterwards.
const (
	openSteps = 16
	fallSteps = 56
)

// A solver integrates courses over one fixed time span. Its steps are the same
// function of the course's figures for every call, so that difference
// quotients see no change of step.
type solver struct {
	law
	span   float64 // s after the onset to which the solution must reach
	finest float64 // s, first step after the opening
	growth float64
	// the solution: at node k, time after the opening's start, pressure, slope,
	// transducer's reading
	at, p, dp, q []float64
}

// newSolver prepares for courses whose rate is near rate.
func newSolver(l law, span, rate float64) *solver {
	n := openSteps + fallSteps + 1
	s := &solver{law: l, span: span, at: make([]float64, n), p: make([]float64, n), dp: make([]float64, n), q: make([]float64, n)}
	s.finest = math.Min(0.04/rate, span/fallSteps)
	// growth g of the steps so that finest·((1+g)^n - 1)/g = span, by bisection
	lo, hi := 1e-9, 4.0
	for range 60 {
		g := (lo + hi) / 2
		if s.finest*(math.Pow(1+g, fallSteps)-1)/g < span {
			lo = g
		} else {
			hi = g
		}
	}
	s.growth = hi
	return s
}

// outflow is the relative rate of fall, 1/s per unit of K and opening, times
// pressure: G(p) in dp/dt = ramp - K·s(t)·G(p), p and p0 absolute.
func (s *solver) outflow(p, p0, heat float64) float64 {
	if p <= s.ambient {
		return 0
	}
	if s.liquid {
		return p0 * math.Sqrt((p-s.ambient)/(p0-s.ambient))
	}
	g := p
	if heat != 0 {
		g *= math.Exp(heat * (s.gas.Gamma - 1) / (2 * s.gas.Gamma) * math.Log(p/p0))
	}
	if r := s.ambient / p; r > 0.45 {
		g *= s.gas.Subcritical(r)
	}
	return g
}

// solve integrates the course from the start of the opening on.
func (s *solver) solve(c course) {
	p0 := c.level + s.gauge
	if p0 <= s.ambient {
		p0 = s.ambient + 1
	}
	slope := func(t, p float64) float64 {
		x := 1.0
		if t < c.width {
			x = t / c.width
			x = x * x * (3 - 2*x)
		}
		return c.ramp - c.rate*x*s.outflow(p, p0, c.heat)
	}
	s.at[0], s.p[0], s.q[0] = 0, p0-c.ramp*c.width/2, p0-c.ramp*(c.width/2+c.lag)
	s.dp[0] = slope(0, s.p[0])
	h := c.width / openSteps
	empty := s.ambient + 0.02*(p0-s.ambient)
	for k := 1; k < len(s.at); k++ {
		if k > openSteps {
			h = s.finest
			if k > openSteps+1 {
				h = (s.at[k-1] - s.at[k-2]) * (1 + s.growth)
			}
		}
		t, p := s.at[k-1], s.p[k-1]
		s.at[k] = t + h
		if p <= empty {
			s.p[k], s.dp[k] = p, 0
		} else {
			k1 := s.dp[k-1]
			k2 := slope(t+h/2, p+h/2*k1)
			k3 := slope(t+h/2, p+h/2*k2)
			k4 := slope(t+h, p+h*k3)
			s.p[k] = math.Max(p+h/6*(k1+2*k2+2*k3+k4), s.ambient)
			s.dp[k] = slope(t+h, s.p[k])
		}
		s.q[k] = s.lagged(k-1, h, h, c.lag)
	}
}

// lagged is the transducer's reading x seconds after node k, in a step of
// length h: the exact answer of the first-order lag to the cubic through the
// step's ends.
func (s *solver) lagged(k int, h, x, lag float64) float64 {
	if h <= 0 {
		return s.q[k]
	}
	d0, d1 := s.dp[k], s.dp[k+1]
	if s.dp[k+1] == 0 && s.p[k+1] == s.p[k] { // emptied: rests
		d0 = 0
	}
	rise := (s.p[k+1] - s.p[k]) / h
	a2 := (3*rise - 2*d0 - d1) / h
	a3 := (d0 + d1 - 2*rise) / (h * h)
	cubic := s.p[k] + x*(d0+x*(a2+x*a3))
	if lag < 1e-3*h {
		return cubic
	}
	l2, l3 := lag*lag, lag*lag*lag
	forced := cubic - lag*(d0+x*(2*a2+3*a3*x)) + l2*(2*a2+6*a3*x) - 6*l3*a3
	forced0 := s.p[k] - lag*d0 + 2*l2*a2 - 6*l3*a3
	return forced + (s.q[k]-forced0)*math.Exp(-x/lag)
}

// read fills y with the transducer's readings, in the channel's own reference,
// at the increasing times t.
func (s *solver) read(c course, t, y []float64) {
	s.solve(c)
	t0 := c.onset - c.width/2
	k, last := 0, len(s.at)-2
	for i, ti := range t {
		x := ti - t0
		if x <= 0 {
			y[i] = c.level + c.ramp*(ti-c.lag-c.onset)
			continue
		}
		for k < last && x > s.at[k+1] {
			k++
		}
		y[i] = s.lagged(k, s.at[k+1]-s.at[k], x-s.at[k], c.lag) - s.gauge
	}
}
