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
	bend  float64 // Pa/s², of the ramp before the onset
	rate  float64 // K: the choked fall's relative rate, fully open, without supply, of gas at the walls' temperature, 1/s
	width float64 // opening time w, s
	lag   float64 // transducer's time constant, s
	ring  float64 // resonance of the impulse line, Hz; 0: a stiff line
	damp  float64 // its damping ratio, below 1
	heat  float64 // how fast the walls bring the gas to their temperature, 1/s
	warm  float64 // temperature of the gas at the onset over that of the walls: compression warms it
	feed  float64 // by how much a regulator gives more as the pressure falls, 1/s
	hold  float64 // 1: the supply makes up for what the walls give and take; 0: it flows steadily
	zero  float64 // what the transducer reads too much, Pa
	shape float64 // growth of the area, see growth
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
	at, p, dp, warm, q []float64
	y, dy              []float64 // pressure at the line's end and its rate
	line               line
	dth                float64                  // rate of the temperature ratio at the newest node
	open               [2*openSteps + 1]float64 // opened fraction at the steps' ends and middles
	shape              float64                  // for which open holds
	supply             float64                  // what the ramp would be without the walls, Pa/s
}

// newSolver prepares for courses whose rate is near rate.
func newSolver(l law, span, rate float64) *solver {
	n := openSteps + fallSteps + 1
	s := &solver{law: l, span: span, at: make([]float64, n), p: make([]float64, n), dp: make([]float64, n), warm: make([]float64, n), q: make([]float64, n), y: make([]float64, n), dy: make([]float64, n)}
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

// outflow is p·sqrt(th) times the subcritical factor: K·outflow is the fall of
// the open vessel without supply, Pa/s. th is the temperature ratio to the
// walls, pressures are absolute.
func (s *solver) outflow(p, p0, th float64) float64 {
	if p <= s.ambient {
		return 0
	}
	if s.liquid {
		return p0 * math.Sqrt((p-s.ambient)/(p0-s.ambient))
	}
	g := p * math.Sqrt(math.Max(th, 0.05))
	if r := s.ambient / p; r > 0.45 {
		g *= s.gas.Subcritical(r)
	}
	return g
}

// growth is the opened fraction of the area at the fraction x of the opening
// time: straight for shape 1, the steeper in the middle the greater the shape.
// Shape 1.6 lies within 0.02 of the cubic smooth step 3x²-2x³ and of the raised
// cosine.
func growth(x, shape float64) float64 {
	if x <= 0 {
		return 0
	}
	if x >= 1 {
		return 1
	}
	return 1 / (1 + math.Exp(shape*(math.Log1p(-x)-math.Log(x))))
}

// opened is growth at x, from the table where x is one of the steps'.
func (s *solver) opened(x float64) float64 {
	k := math.Round(2 * openSteps * x)
	if math.Abs(2*openSteps*x-k) < 1e-6 {
		return s.open[int(k)]
	}
	return growth(x, s.shape)
}

// warmth is the temperature ratio to the walls at the start, and what the ramp
// would be without the walls, Pa/s.
func (s *solver) warmth(c *course, p float64) (th, supply float64) {
	if s.liquid {
		return 1, c.ramp
	}
	return c.warm, c.ramp + c.heat*(c.warm-1)*p/c.warm
}

// slopes are dp/dt and the rate of the temperature ratio, t seconds after the
// opening's start. Energy and mass of an ideal gas in a rigid vessel: the
// supply brings gas of the walls' temperature, the walls give and take heat.
func (s *solver) slopes(c *course, p0, t, p, th float64) (dp, dth float64) {
	x := 1.0
	if t < c.width {
		x = s.opened(t / c.width)
	}
	out := c.rate * x * s.outflow(p, p0, th)
	dp = c.ramp - out
	if s.liquid {
		return dp, 0
	}
	k := s.gas.Gamma
	wall := c.heat * (1 - th)
	supply := s.supply + c.hold*(c.ramp-wall*p/th-s.supply) + c.feed*(p0-p)
	dp = supply - out + wall*p/th
	dth = th/p*(supply*(1-th/k)-out*(1-1/k)) + wall
	return dp, dth
}

// solve integrates the course from the start of the opening on.
func (s *solver) solve(c course) {
	p0 := c.level + s.gauge - c.zero
	if p0 <= s.ambient {
		p0 = s.ambient + 1
	}
	if s.shape != c.shape {
		s.shape = c.shape
		for k := range s.open {
			s.open[k] = growth(float64(k)/(2*openSteps), c.shape)
		}
	}
	s.line = newLine(c.ring, c.damp, c.lag)
	s.at[0], s.p[0], s.dy[0] = 0, p0-c.ramp*c.width/2, c.ramp
	s.y[0] = s.p[0] - c.ramp*s.line.delay
	s.q[0] = s.y[0] - c.ramp*c.lag
	s.warm[0], s.supply = s.warmth(&c, p0)
	s.dp[0], s.dth = s.slopes(&c, p0, 0, s.p[0], s.warm[0])
	h := c.width / openSteps
	last, done := len(s.at)-1, false
	for k := 1; k <= last; k++ {
		if k == openSteps+1 {
			h = s.finest
		} else if k > openSteps {
			h *= 1 + s.growth
		}
		if done {
			s.node(k, h, s.p[k-1], 0, s.warm[k-1], c.lag)
			continue
		}
		p, dp, th, dth := s.step(&c, p0, k-1, h)
		if empty := s.ambient + 0.02*(p0-s.ambient); p >= empty || k+1 > last || dp > -5*math.Abs(c.ramp) {
			s.node(k, h, math.Max(p, s.ambient), dp, th, c.lag)
			s.dth = dth
			continue
		} else {
			// The last of it leaves like sqrt(p - ambient), in a finite time:
			// a node where that begins, one where it ends.
			f := s.crossing(k-1, h, p, dp, empty)
			p, dp, th, _ = s.step(&c, p0, k-1, h*f)
			s.node(k, h*f, math.Max(p, s.ambient), dp, th, c.lag)
		}
		k++
		s.node(k, math.Max(-2*(s.p[k-1]-s.ambient)/s.dp[k-1], 1e-9), s.ambient, 0, s.warm[k-1], c.lag)
		done = true
	}
}

// step is one step of Runge and Kutta's fourth-order rule from node k.
func (s *solver) step(c *course, p0 float64, k int, h float64) (p, dp, th, dth float64) {
	t, d1, e1 := s.at[k], s.dp[k], s.dth
	p, th = s.p[k], s.warm[k]
	d2, e2 := s.slopes(c, p0, t+h/2, p+h/2*d1, th+h/2*e1)
	d3, e3 := s.slopes(c, p0, t+h/2, p+h/2*d2, th+h/2*e2)
	d4, e4 := s.slopes(c, p0, t+h, p+h*d3, th+h*e3)
	p += h / 6 * (d1 + 2*d2 + 2*d3 + d4)
	th = math.Max(th+h/6*(e1+2*e2+2*e3+e4), 0.05)
	dp, dth = s.slopes(c, p0, t+h, p, th)
	return p, dp, th, dth
}

// node writes node k, h seconds after the one before.
func (s *solver) node(k int, h, p, dp, th, lag float64) {
	s.at[k], s.p[k], s.dp[k], s.warm[k] = s.at[k-1]+h, p, dp, th
	s.q[k], s.y[k], s.dy[k] = s.seen(k-1, h, h, lag)
}

// crossing is the fraction of a step at which the cubic through its ends
// passes the pressure aim downwards.
func (s *solver) crossing(k int, h, p, dp, aim float64) float64 {
	lo, hi := 0.0, 1.0
	for range 40 {
		x := (lo + hi) / 2
		y := 1 - x
		v := y*y*((1+2*x)*s.p[k]+h*x*s.dp[k]) + x*x*((3-2*x)*p-h*y*dp)
		if v > aim {
			lo = x
		} else {
			hi = x
		}
	}
	return hi
}

// seen is what transducer and line's end read x seconds after node k, in a step
// of length h: the exact answer of line and lag to the cubic through the step's
// ends.
func (s *solver) seen(k int, h, x, lag float64) (q, y, dy float64) {
	if h <= 0 {
		return s.q[k], s.y[k], s.dy[k]
	}
	d0, d1 := s.dp[k], s.dp[k+1]
	rise := (s.p[k+1] - s.p[k]) / h
	c := cubic{s.p[k], d0, (3*rise - 2*d0 - d1) / h, (d0 + d1 - 2*rise) / (h * h)}
	if s.line.ring == 0 {
		if lag < 1e-3*h {
			return c.at(x), 0, 0
		}
		return c.lagged(s.q[k], x, lag), 0, 0
	}
	return s.line.answer(c, s.q[k], s.y[k], s.dy[k], x, lag)
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
			d := ti - c.lag - s.line.delay - c.onset
			y[i] = c.level + d*(c.ramp+c.bend/2*d)
			continue
		}
		for k < last && x > s.at[k+1] {
			k++
		}
		q, _, _ := s.seen(k, s.at[k+1]-s.at[k], x-s.at[k], c.lag)
		y[i] = q - s.gauge + c.zero
	}
}
