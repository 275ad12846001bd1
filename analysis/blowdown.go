package analysis

import (
	"math"

	"ventward/analysis/flow"
)

// A course is the pressure that a lagging transducer sees when a vessel on a
// ramp opens. Its figures are the parameters of the fit.
type course struct {
	onset  float64 // effective onset t0 + w/2, s
	level  float64 // pressure of the ramp's line at its end (see anchor), Pa in the channel's reference
	ramp   float64 // Pa/s, before and (from the supply) after
	bend   float64 // Pa/s², of the ramp before the onset
	rate   float64 // K: the choked fall's relative rate, fully open, without supply, of gas at the walls' temperature, 1/s
	width  float64 // opening time w, s
	lag    float64 // transducer's time constant, s
	ring   float64 // resonance of the impulse line, Hz; 0: a stiff line
	damp   float64 // its damping ratio, below 1
	second bool    // the transducer is of second order: lag is its delay, damp its damping ratio
	heat   float64 // how fast the walls bring the gas to their temperature, 1/s
	warm   float64 // how much of its balance with the walls the gas's warmth on the ramp has reached, see warmth
	feed   float64 // by how much a regulator gives more as the pressure falls, 1/s
	cap    float64 // the most that the regulator gives beyond the ramp, Pa/s; 0: no limit
	hold   float64 // 1: the supply makes up for what the walls give and take; 0: it flows steadily
	zero   float64 // what the transducer reads too much, Pa
	shape  float64 // growth of the area, see growth
	grows  bool    // it goes on growing: as the power shape of time
	loss   float64 // rate times the time from opening to closing; 0: it stays open
	left   float64 // part of the area that stays open where it closes
	shuts  float64 // closing time, s
	stop   float64 // time from the onset to where the supply has half shut, s; 0: it goes on

	// An earlier event whose course the opening cuts short: another opening, or
	// a step of the supply.
	earlier  earlier
	before   float64 // its effective onset, s
	oldRate  float64 // of an opening: its K, 1/s
	oldWidth float64 // of an opening: its opening time, s
	oldShape float64 // of an opening: from 0, straight growth, to 1, a smooth step
	step     float64 // of a supply: the regulator's step, Pa
	blind    bool    // of a supply: what flows in for the step does not feel the opening
}

// earlier is what went on before the opening.
type earlier uint8

const (
	straightRamp   earlier = iota // nothing
	earlierOpening                // an opening (or a dump valve) that blows down still
	earlierStep                   // a regulator on its way to a new pressure
)

// anchor is the time at which the line of the ramp ends and for which level
// holds, s.
func (c *course) anchor() float64 {
	if c.earlier == straightRamp {
		return c.onset
	}
	return c.before
}

// law is what a course needs to know and does not fit.
type law struct {
	gauge   float64 // added to the channel's reading to make it absolute, Pa
	ambient float64 // absolute, Pa
	gas     flow.Gas
	liquid  bool
}

// steps of the integration.
const (
	openSteps  = 12 // while the area grows
	fallSteps  = 36 // afterwards
	partSteps  = 10 // of each part between: an earlier opening, a closing, a supply valve's travel
	mostSteps  = openSteps + fallSteps + 5*partSteps
	stopTravel = 10e-3 // s that a supply valve is thought to take (common practice, no source)
)

// A solver integrates courses up to one fixed end. Its steps are the same
// smooth function of the course's figures for every call, so that difference
// quotients see no change of step.
type solver struct {
	law
	nozzle nozzle
	end    float64            // s, to which the solution must reach
	fall   [fallSteps]float64 // the steps after the opening, as parts of their sum
	// the solution: at node k, time after begin, pressure, slope, temperature ratio
	at, p, dp, warm []float64
	h               []float64 // steps
	pieces          []piece   // from node k on
	n               int       // nodes
	begin           float64   // s, of the first change
	line            line
	dth             float64                  // rate of the temperature ratio at the newest node
	open            [2*openSteps + 1]float64 // opened fraction at the steps' ends and middles
	shape           float64                  // for which open holds
	grows           bool                     // the same
	supply          float64                  // what the ramp would be without the walls, Pa/s
	main            float64                  // start of the opening after begin, s
	shut, halt      float64                  // start of the closing and of the supply's stop after begin, s; +Inf: none
	set             float64                  // pressure that a regulator leads to, Pa
	aim             float64                  // level before the opening where an earlier event had its course, Pa absolute
	slope           float64                  // the same of the ramp, Pa/s
	solved          course                   // whose solution is held
}

// newSolver prepares for courses from about begin to end whose rate is near
// rate.
func newSolver(l law, begin, end, rate float64) *solver {
	const n = mostSteps + 2
	throat := newNozzle(l.gas)
	room := make([]float64, 5*n)
	part := func(k int) []float64 { return room[k*n : (k+1)*n : (k+1)*n] }
	s := &solver{law: l, nozzle: throat, end: end, at: part(0), p: part(1), dp: part(2), warm: part(3), h: part(4), pieces: make([]piece, n)}
	span := math.Max(end-begin, 1e-9)
	finest := math.Min(0.06/rate, span/fallSteps) / span
	// growth g of the steps so that finest·((1+g)^n - 1)/g = 1, by bisection
	lo, hi := 1e-9, 4.0
	for range 40 {
		g := (lo + hi) / 2
		if finest*math.Expm1(fallSteps*math.Log1p(g))/g < 1 {
			lo = g
		} else {
			hi = g
		}
	}
	sum := 0.0
	for k := range s.fall {
		s.fall[k] = finest
		sum += finest
		finest *= 1 + hi
	}
	for k := range s.fall {
		s.fall[k] /= sum
	}
	return s
}

// A nozzle is flow.Gas's Subcritical with what depends on the gas alone worked
// out beforehand: the solver asks for it at every step.
type nozzle struct {
	critical    float64 // ratio of pressures
	gamma, most float64 // square of what passes at the critical ratio
}

func newNozzle(g flow.Gas) nozzle {
	n := nozzle{critical: flow.CriticalRatio(g.Gamma), gamma: g.Gamma, most: 1}
	n.most = n.passes(n.critical)
	return n
}

// passes is the square of de Saint-Venant and Wantzel's factor at the ratio r,
// over most.
func (n *nozzle) passes(r float64) float64 {
	ln := math.Log(r)
	return math.Exp(2/n.gamma*ln) * -math.Expm1((n.gamma-1)/n.gamma*ln) / n.most
}

// part is the flux at the ratio r, above the critical one, as a part of the
// choked one.
func (n *nozzle) part(r float64) float64 {
	if r >= 1 {
		return 0
	}
	return math.Sqrt(n.passes(r))
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
	g := p * math.Sqrt(max(th, 0.05))
	if r := s.ambient / p; r > s.nozzle.critical {
		g *= s.nozzle.part(r)
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
	if x >= 1 {
		return 1
	}
	k := math.Round(2 * openSteps * x)
	if math.Abs(2*openSteps*x-k) < 1e-6 {
		return s.open[int(k)]
	}
	return s.grown(x)
}

// grown is the opened fraction at x of the course that is being solved.
func (s *solver) grown(x float64) float64 {
	if s.grows {
		return math.Pow(x, s.shape)
	}
	return growth(x, s.shape)
}

// smoothStep goes from 0 at x = 0 to 1 at x = 1.
func smoothStep(x float64) float64 {
	if x <= 0 {
		return 0
	}
	if x >= 1 {
		return 1
	}
	return x * x * (3 - 2*x)
}

// warmth is the temperature ratio to the walls at the start, and what the ramp
// would be without the walls, Pa/s. A ramp of the relative rate ρ compresses
// the gas, which in balance with the walls is warmer by (γ-1)·ρ/(ρ+heat).
func (s *solver) warmth(c *course, p float64) (th, supply float64) {
	if s.liquid {
		return 1, c.ramp
	}
	rho := math.Max(c.ramp/p, 0)
	th = math.Max(1+c.warm*(s.gas.Gamma-1)*rho/(rho+c.heat), 0.5)
	return th, c.ramp + c.heat*(th-1)*p/th
}

// hole is the relative rate of the fall by what is open, t seconds after begin,
// 1/s.
func (s *solver) hole(c *course, t float64) float64 {
	k := 0.0
	if t > s.main {
		k = c.rate
		if t < s.main+c.width {
			k *= s.opened((t - s.main) / c.width)
		}
		if t > s.shut {
			k *= 1 - (1-c.left)*smoothStep((t-s.shut)/c.shuts)
		}
	}
	if c.earlier == earlierOpening {
		x := min(t/c.oldWidth, 1)
		k += c.oldRate * (x + c.oldShape*(smoothStep(x)-x))
	}
	return k
}

// slopes are dp/dt and the rate of the temperature ratio, t seconds after
// begin, while a hole of the given rate is open. Energy and mass of an ideal gas in a rigid vessel: the supply brings
// gas of the walls' temperature, the walls give and take heat.
func (s *solver) slopes(c *course, hole, p0, t, p, th float64) (dp, dth float64) {
	out := hole * s.outflow(p, p0, th)
	on := 1.0
	if t > s.halt {
		on = 1 - smoothStep((t-s.halt)/stopTravel)
	}
	given := 0.0
	switch {
	case c.blind:
		given = c.feed * c.step * math.Exp(-c.feed*t)
	case c.feed > 0:
		given = c.feed * (s.set - p)
		switch c.earlier { // who ramps by a regulator goes on turning it
		case straightRamp:
			given += c.feed * c.ramp * (t - c.width/2)
		case earlierOpening:
			given += c.feed * c.ramp * (t - c.oldWidth/2)
		case earlierStep:
			given += c.feed * c.ramp * t
		}
		if c.earlier == earlierStep {
			given = max(given, 0)
		}
		switch {
		case c.cap <= 0:
		case c.earlier == earlierStep:
			given = clamped(given, c.cap)
		default:
			given = limited(given, c.cap)
		}
	}
	if s.liquid {
		return on*(c.ramp+given) - out, 0
	}
	k := s.gas.Gamma
	wall := c.heat * (1 - th)
	warmed := wall * p / th
	supply := on * (s.supply + c.hold*(c.ramp-warmed-s.supply) + given)
	dp = supply - out + warmed
	dth = th/p*(supply*(1-th/k)-out*(1-1/k)) + wall
	return dp, dth
}

// limited is x for a small x and at most cap in size: a valve follows until it
// is open, with little between the two.
func limited(x, cap float64) float64 {
	y := x / cap
	return x / math.Sqrt(math.Sqrt(1+y*y*y*y))
}

// clamped is limited with less between the two, which is what steps look like
// that rise as fast as the supply's orifice lets them.
func clamped(x, cap float64) float64 {
	y := x / cap
	y *= y
	y *= y
	return x / math.Sqrt(math.Sqrt(math.Sqrt(1+y*y)))
}

// plan lays the nodes: fine where something opens or shuts.
func (s *solver) plan(c *course) {
	s.n = 0
	inf := math.Inf(1)
	s.main, s.shut, s.halt = 0, inf, inf
	now := 0.0
	upTo := func(t float64, steps int) {
		if t <= now {
			return
		}
		h := (t - now) / float64(steps)
		for range steps {
			s.n++
			s.h[s.n] = h
		}
		now = t
	}
	s.begin = c.onset - c.width/2
	switch c.earlier {
	case earlierOpening:
		s.begin = math.Min(c.before-c.oldWidth/2, s.begin-1e-7)
		s.main = c.onset - c.width/2 - s.begin
		upTo(math.Min(c.oldWidth, s.main), partSteps)
		if c.cap > 0 {
			upTo(math.Min(c.oldWidth+reachOf(c, s.gauge), s.main), partSteps)
		}
		upTo(s.main, partSteps)
	case earlierStep:
		s.begin = math.Min(c.before, s.begin-1e-7)
		s.main = c.onset - c.width/2 - s.begin
		upTo(s.main, 2*partSteps)
	}
	upTo(s.main+c.width, openSteps)
	if c.cap > 0 {
		upTo(s.main+c.width+reachOf(c, s.gauge), partSteps)
	}
	switch {
	case c.loss > 0:
		s.shut = s.main + math.Max(c.loss/c.rate, c.width)
		upTo(s.shut, partSteps)
		upTo(s.shut+c.shuts, partSteps)
	case c.stop > 0:
		s.halt = s.main + math.Max(c.stop, (c.width+stopTravel)/2) + (c.width-stopTravel)/2
		upTo(s.halt, partSteps)
		upTo(s.halt+stopTravel, partSteps)
	}
	rest := math.Max(s.end-s.begin-now, 1e-9)
	for _, f := range s.fall {
		s.n++
		s.h[s.n] = f * rest
	}
}

// reachOf is about how long a regulator of limited flow takes to give what it
// can, s.
func reachOf(c *course, gauge float64) float64 {
	fall := c.rate * math.Max(c.level+gauge, 1)
	return 3 / c.feed * c.cap / (c.cap + fall)
}

// vessel is the course without what only lies between vessel and reading.
func (c *course) vessel() course {
	v := *c
	v.lag, v.ring, v.damp, v.bend, v.second = 0, 0, 0, 0, false
	return v
}

// solve integrates the course from the first change on. Courses of one vessel
// that differ in lag and line only are integrated once.
func (s *solver) solve(c *course) {
	if s.n > 0 && *c == s.solved {
		return
	}
	if s.n == 0 || c.vessel() != s.solved.vessel() {
		s.integrate(c)
	}
	s.solved = *c
	ring, damp, lag := c.sensor()
	s.line = newLine(ring, damp, lag)
	from := readout{y: s.p[0] - c.ramp*s.line.delay, dy: c.ramp}
	from.q = from.y - c.ramp*lag
	for k := range s.n {
		h := s.at[k+1] - s.at[k]
		p := &s.pieces[k]
		p.begin(&s.line, s.cubic(k, h), h, lag, from)
		from = p.read(h)
	}
}

// integrate fills in time, pressure, its rate and temperature at the nodes.
func (s *solver) integrate(c *course) {
	s.plan(c)
	anchor := c.anchor()
	p0 := c.level + s.gauge - c.zero
	if p0 <= s.ambient {
		p0 = s.ambient + 1
	}
	if s.shape != c.shape || s.grows != c.grows {
		s.shape, s.grows = c.shape, c.grows
		for k := range s.open {
			s.open[k] = s.grown(float64(k) / (2 * openSteps))
		}
	}
	s.at[0], s.p[0] = 0, p0+c.ramp*(s.begin-anchor)
	s.set = p0
	if c.earlier == earlierStep {
		s.set = s.p[0] + c.step
	}
	s.warm[0], s.supply = s.warmth(c, p0)
	s.dp[0], s.dth = s.slopes(c, s.hole(c, 0), p0, 0, s.p[0], s.warm[0])
	s.aim, s.slope = p0, c.ramp
	done := false
	for k := 1; k <= s.n; k++ {
		h := s.h[k]
		if done {
			s.node(k, h, s.p[k-1], 0, s.warm[k-1])
			continue
		}
		if c.earlier != straightRamp && math.Abs(s.at[k-1]-s.main) < 1e-9 {
			s.slope = s.dp[k-1]
			s.aim = s.p[k-1] + s.slope*c.width/2
		}
		p, dp, th, dth := s.step(c, p0, k-1, h)
		empty := s.ambient + 0.02*(p0-s.ambient)
		if p >= empty || k+1 > s.n || dp > -5*math.Abs(c.ramp) || s.at[k-1] < s.main {
			s.node(k, h, max(p, s.ambient), dp, th)
			s.dth = dth
			continue
		}
		// The last of it leaves like sqrt(p - ambient), in a finite time: a node
		// where that begins, one where it ends.
		f := s.crossing(k-1, h, p, dp, empty)
		p, dp, th, _ = s.step(c, p0, k-1, h*f)
		s.node(k, h*f, math.Max(p, s.ambient), dp, th)
		k++
		s.node(k, math.Max(-2*(s.p[k-1]-s.ambient)/s.dp[k-1], 1e-9), s.ambient, 0, s.warm[k-1])
		done = true
	}
}

// stiff is the product of step and relative rate above which Runge and Kutta's
// rule is given up for the exponential one.
const stiff = 1.5

// step is one step of Runge and Kutta's fourth-order rule from node k.
func (s *solver) step(c *course, p0 float64, k int, h float64) (p, dp, th, dth float64) {
	t, d1, e1 := s.at[k], s.dp[k], s.dth
	p, th = s.p[k], s.warm[k]
	hole := s.hole(c, t+h)
	if (c.feed+hole)*h > stiff {
		return s.relax(c, p0, k, h)
	}
	half := s.hole(c, t+h/2)
	d2, e2 := s.slopes(c, half, p0, t+h/2, p+h/2*d1, th+h/2*e1)
	d3, e3 := s.slopes(c, half, p0, t+h/2, p+h/2*d2, th+h/2*e2)
	d4, e4 := s.slopes(c, hole, p0, t+h, p+h*d3, th+h*e3)
	p += h / 6 * (d1 + 2*d2 + 2*d3 + d4)
	th = max(th+h/6*(e1+2*e2+2*e3+e4), 0.05)
	dp, dth = s.slopes(c, hole, p0, t+h, p, th)
	return p, dp, th, dth
}

// relax is one step of the exponential rule of Rosenbrock and Euler, pressure
// and temperature each on its own: for where a supply or a hole leads to balance
// faster than the step.
func (s *solver) relax(c *course, p0 float64, k int, h float64) (p, dp, th, dth float64) {
	t := s.at[k] + h/2
	p, th = s.p[k], s.warm[k]
	hole := s.hole(c, t)
	d, e := s.slopes(c, hole, p0, t, p, th)
	up := 1e-6 * p
	d2, _ := s.slopes(c, hole, p0, t, p+up, th)
	_, e2 := s.slopes(c, hole, p0, t, p, th+1e-6)
	p += d * relaxed((d2-d)/up, h)
	th = max(th+e*relaxed((e2-e)/1e-6, h), 0.05)
	t = s.at[k] + h
	dp, dth = s.slopes(c, s.hole(c, t), p0, t, p, th)
	return p, dp, th, dth
}

// relaxed is (exp(j·h) - 1)/j, bounded for growing solutions.
func relaxed(j, h float64) float64 {
	if x := j * h; math.Abs(x) > 1e-6 {
		return math.Expm1(math.Min(x, 1)) / j
	}
	return h
}

// node writes node k, h seconds after the one before.
func (s *solver) node(k int, h, p, dp, th float64) {
	s.at[k], s.p[k], s.dp[k], s.warm[k] = s.at[k-1]+h, p, dp, th
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

// cubic is the one through the ends of the step of length h from node k on.
func (s *solver) cubic(k int, h float64) cubic {
	d0, d1 := s.dp[k], s.dp[k+1]
	rise := (s.p[k+1] - s.p[k]) / h
	return cubic{s.p[k], d0, (3*rise - 2*d0 - d1) / h, (d0 + d1 - 2*rise) / (h * h)}
}

// read fills y with the transducer's readings, in the channel's own reference,
// at the increasing times t.
func (s *solver) read(c *course, t, y []float64) { s.readRates(c, t, y, nil) }

// readRates is read that fills dy, too, with the readings' rates, where it is
// given.
func (s *solver) readRates(c *course, t, y, dy []float64) {
	s.solve(c)
	_, _, lag := c.sensor()
	late := lag + s.line.delay + c.anchor()
	i := 0
	for ; i < len(t) && t[i] <= s.begin; i++ {
		d := t[i] - late
		y[i] = c.level + d*(c.ramp+c.bend/2*d)
		if dy != nil {
			dy[i] = c.ramp + c.bend*d
		}
	}
	for k, last := 0, s.n-1; i < len(t); i++ {
		x := t[i] - s.begin
		for k < last && x > s.at[k+1] {
			k++
		}
		p, x := &s.pieces[k], x-s.at[k]
		r := p.read(x)
		y[i] = r.q - s.gauge + c.zero
		if dy != nil {
			dy[i] = p.rate(x, r)
		}
	}
}
