package analysis

import (
	"fmt"
	"math"

	"ventward/analysis/flow"
)

// longestCurve bounds the points kept of a simulation.
const longestCurve = 400

// Simulate follows the pressure in the cell from the first point of the
// generation to TailS after the last.
//
// Well mixed: V·p = n·R·T with dn/dt = generation - outflow, T that of the
// generation (the jelly roll is a large heat sink in close contact), or, where
// Thermal, from the first law: n·cv·dT/dt = rate·(cp·Tgen - cv·T) - out·R·T +
// wall·(Tgen - T). In slices: each is well mixed and exchanges with its
// neighbours through core and roll (flow.Passage). Vents pass de Saint-Venant
// and Wantzel's flow. Molar mass and specific heats are those of the vent gas
// at the temperature of the highest rate; the gas that was in the cell before
// counts as vent gas. Vents don't close again. After a breach the figures say
// what the pressure would be if the housing held.
func (c *VentingCase) Simulate() (VentingResult, error) {
	return c.simulate(venting{curve: true, relTol: 1e-6})
}

// venting is a simulation under way.
type venting struct {
	c      *VentingCase
	curve  bool
	relTol float64
	only   bool // whether the housing holds, and nothing after a breach

	gas      flow.Gas
	n        int       // slices
	volume   []float64 // of each
	share    []float64 // of the generation in each
	core     flow.Passage
	roll     flow.Passage
	choke    float64 // choked flux a pascal at 1 K
	critical float64 // ratio of pressures below which flow is choked
	vents    []ventState
	res      VentingResult
	out      []float64 // flows of the vents, kg/s, scratch
	breach   bool      // found already

	seen           int // points since the last event
	t1, p1, t2, p2 float64
}

type ventState struct {
	name  string
	v     *Vent
	slice int
	open  bool
	since float64
}

// area is the effective area at t, m².
func (s *ventState) area(t float64) float64 {
	if !s.open {
		return 0
	}
	a := s.v.AreaM2 * s.v.Discharge * s.v.OpenFraction
	if x := (t - s.since) / s.v.OpenTimeS; s.v.OpenTimeS > 0 && x < 1 {
		x = math.Max(x, 0)
		a *= x * x * (3 - 2*x)
	}
	return a
}

func (c *VentingCase) simulate(w venting) (VentingResult, error) {
	if err := c.Check(); err != nil {
		return VentingResult{}, err
	}
	w.c = c
	w.prepare()
	err := w.run()
	w.finish()
	return w.res, err
}

func (w *venting) prepare() {
	c := w.c
	T := c.Generation.Hottest()
	w.gas = c.Gas.Gas(T)
	w.choke, w.critical = w.gas.ChokedFlux(1, 1), flow.CriticalRatio(w.gas.Gamma)
	w.n = max(1, c.Inside.Slices)
	w.volume, w.share = make([]float64, w.n), make([]float64, w.n)
	in := c.Inside
	for i := range w.n {
		w.volume[i] = (c.FreeVolume - in.HeadspaceM3) / float64(w.n)
	}
	w.volume[0] += in.HeadspaceM3
	w.spread()
	if w.n > 1 {
		dx := in.LengthM / float64(w.n)
		mu := flow.Viscosity(T)
		friction := in.Friction
		if friction == 0 {
			friction = 0.05
		}
		if in.CoreDiameterM > 0 {
			w.core = flow.Duct(in.CoreDiameterM, dx, mu, friction)
		}
		if in.RollAreaM2*in.PermeabilityM2 > 0 {
			w.roll = flow.Porous(in.RollAreaM2, dx, mu, in.PermeabilityM2)
		}
	}
	w.vents = []ventState{{name: TopVent, v: &c.Top}}
	if c.Bottom != nil {
		w.vents = append(w.vents, ventState{name: BottomVent, v: c.Bottom, slice: w.n - 1})
	}
	w.out = make([]float64, len(w.vents))
	w.res = VentingResult{HotPa: c.Housing.HotPa(), ColdPa: c.Housing.Cold.MeanPa, PeakPa: math.Inf(-1), BreachTimeS: math.NaN(), Z: 1}
}

// spread shares the generation out: evenly over the zone round the seat, moved
// where it would reach beyond an end.
func (w *venting) spread() {
	in := w.c.Inside
	if w.n == 1 || in.ZoneM <= 0 || in.ZoneM >= in.LengthM {
		for i := range w.share {
			w.share[i] = 1 / float64(w.n)
		}
		return
	}
	half := in.ZoneM / in.LengthM / 2
	mid := math.Min(math.Max(in.Seat, half), 1-half)
	for i := range w.share {
		lo := math.Max(float64(i)/float64(w.n), mid-half)
		hi := math.Min(float64(i+1)/float64(w.n), mid+half)
		w.share[i] = math.Max(hi-lo, 0) / (2 * half)
	}
}

// pressure is that of a slice, Pa absolute. The state is the moles in each
// slice and the temperature at the end where Thermal.
func (w *venting) pressure(t float64, y []float64, i int) float64 {
	return y[i] * flow.R * w.kelvin(t, y) / w.volume[i]
}

func (w *venting) kelvin(t float64, y []float64) float64 {
	if w.c.Thermal {
		return y[w.n]
	}
	return w.c.Generation.Temperature(t)
}

func (w *venting) rate(t float64, y, dy []float64) {
	c := w.c
	T := w.kelvin(t, y)
	gen := c.Generation.Rate(t)
	for i := range w.n {
		dy[i] = gen * w.share[i]
	}
	out := 0.0
	for k := range w.vents {
		s := &w.vents[k]
		if a := s.area(t); a > 0 {
			q := w.outflow(a, w.pressure(t, y, s.slice), T)
			dy[s.slice] -= q
			out += q
		}
	}
	if w.n > 1 {
		w.exchange(y, dy, T)
	}
	if c.Thermal {
		cv := flow.R / (w.gas.Gamma - 1)
		tg := c.Generation.Temperature(t)
		dy[w.n] = (gen*((cv+flow.R)*tg-cv*T) - out*flow.R*T + c.WallWPerK*(tg-T)) / (y[0] * cv)
	}
}

// outflow is flow.Gas.MassFlow to the surroundings in mol/s; the powers that
// choked flow needs are taken once a simulation.
func (w *venting) outflow(a, p, T float64) float64 {
	if w.c.AmbientPa <= w.critical*p {
		return a * w.choke * p / math.Sqrt(T) / w.gas.MolarMass
	}
	return w.gas.MassFlow(a, p, w.c.AmbientPa, T) / w.gas.MolarMass
}

// exchange moves gas between neighbouring slices, through core and roll.
func (w *venting) exchange(y, dy []float64, T float64) {
	rt, choke := w.gas.SpecificR()*T, w.choke/math.Sqrt(T)
	p1 := y[0] * flow.R * T / w.volume[0]
	for i := 0; i+1 < w.n; i++ {
		p2 := y[i+1] * flow.R * T / w.volume[i+1]
		q := (w.core.MassFlowAt(p1, p2, rt, choke) + w.roll.MassFlowAt(p1, p2, rt, choke)) / w.gas.MolarMass
		dy[i] -= q
		dy[i+1] += q
		p1 = p2
	}
}

// run goes from event to event.
func (w *venting) run() error {
	c := w.c
	g := &c.Generation
	t, last := g.TimeS[0], g.TimeS[len(g.TimeS)-1]
	end := last + c.TailS
	T0 := c.StartK
	if !c.Thermal { // the gas in the cell is taken as already hot, at ambient pressure
		T0 = g.Temperature(t)
	}
	y := make([]float64, w.n, w.n+1)
	tol := make([]float64, w.n, w.n+1)
	for i := range w.n {
		y[i] = c.AmbientPa * w.volume[i] / (flow.R * T0)
		tol[i] = 1e-6 * y[i]
	}
	if c.Thermal {
		y, tol = append(y, T0), append(tol, 1e-3)
	}
	o := flow.ODE{Rate: w.rate, Observe: w.observe, RelTol: w.relTol, AbsTol: tol, MaxStep: (end - t) / w.fewest(), Tridiagonal: true}
	if w.n > 1 { // slices are an estimate and cost the most
		o.RelTol = math.Max(o.RelTol, 1e-5)
	}
	for range len(w.vents) + 3 {
		w.due(t, y)
		until := end
		if t < last { // the generation may end by a jump: no step goes over it
			until = last
		}
		closed := w.events(&o)
		w.seen = 0 // no parabola over an event
		h, err := flow.Stiff(o, t, until, y)
		w.res.Steps += h.Steps
		if err != nil {
			return fmt.Errorf("simulation of the cell's pressure: %w", err)
		}
		if h.Event < 0 {
			if until == end {
				break
			}
			t = last
			continue
		}
		t = h.T
		if h.Event == len(closed) {
			w.breach, w.res.BreachTimeS = true, t
			if w.only {
				w.res.PeakPa = math.Max(w.res.PeakPa, w.res.HotPa)
				return nil
			}
		} else {
			w.open(&w.vents[closed[h.Event]], t, y)
		}
		if t >= end {
			break
		}
	}
	w.res.ReleasedMol = g.Amount() - w.gained(y)
	return nil
}

func (w *venting) open(s *ventState, t float64, y []float64) {
	s.open, s.since = true, t
	w.res.Openings = append(w.res.Openings, VentOpened{s.name, t, w.pressure(t, y, s.slice) - w.c.AmbientPa})
}

// due takes what is at or beyond its limit already: two limits met at once.
func (w *venting) due(t float64, y []float64) {
	for k := range w.vents {
		if s := &w.vents[k]; !s.open && w.pressure(t, y, s.slice)-w.c.AmbientPa >= s.v.Opening.MeanPa {
			w.open(s, t, y)
		}
	}
	if _, p := w.highest(t, y); !w.breach && p-w.c.AmbientPa >= w.res.HotPa {
		w.breach, w.res.BreachTimeS = true, t
	}
}

// fewest is the least number of steps: the peak is that of a step's end, so a
// curve that is shown gets more of them.
func (w *venting) fewest() float64 {
	if w.curve {
		return 1000
	}
	return 40
}

// gained is the gas in the cell at the end beyond that of the start, mol.
func (w *venting) gained(y []float64) float64 {
	T0 := w.c.StartK
	if !w.c.Thermal {
		T0 = w.c.Generation.Temperature(w.c.Generation.TimeS[0])
	}
	sum := -w.c.AmbientPa * w.c.FreeVolume / (flow.R * T0)
	for i := range w.n {
		sum += y[i]
	}
	return sum
}

// events sets those still to come: the closed vents', then the housing's.
func (w *venting) events(o *flow.ODE) (closed []int) {
	o.Events = o.Events[:0]
	for k := range w.vents {
		s := &w.vents[k]
		if s.open {
			continue
		}
		closed = append(closed, k)
		o.Events = append(o.Events, func(t float64, y []float64) float64 {
			return w.pressure(t, y, s.slice) - w.c.AmbientPa - s.v.Opening.MeanPa
		})
	}
	if !w.breach {
		o.Events = append(o.Events, func(t float64, y []float64) float64 {
			_, p := w.highest(t, y)
			return p - w.c.AmbientPa - w.res.HotPa
		})
	}
	return closed
}

// highest is the slice of the highest pressure, and that, Pa absolute.
func (w *venting) highest(t float64, y []float64) (slice int, p float64) {
	for i := range w.n {
		if q := w.pressure(t, y, i); q > p {
			slice, p = i, q
		}
	}
	return slice, p
}

func (w *venting) observe(t float64, y []float64) {
	slice, p := w.highest(t, y)
	p -= w.c.AmbientPa
	r := &w.res
	top, bottom := w.pressure(t, y, 0)-w.c.AmbientPa, w.pressure(t, y, w.n-1)-w.c.AmbientPa
	r.DifferencePa = math.Max(r.DifferencePa, math.Abs(top-bottom))
	if p > r.PeakPa {
		r.PeakPa, r.PeakTimeS, r.PeakSlice, r.PeakGasK = p, t, slice, w.kelvin(t, y)
		r.ChokedAtPeak = w.vents[0].open && w.c.AmbientPa/(top+w.c.AmbientPa) <= flow.CriticalRatio(w.gas.Gamma)
	}
	w.vertex(t, p, slice)
	if w.curve {
		r.Curve = append(r.Curve, VentingPoint{t, top, bottom})
	}
}

// vertex takes the top of the parabola through the last three points where it
// lies between them: a peak seldom falls on the end of a step.
func (w *venting) vertex(t, p float64, slice int) {
	if w.seen >= 2 && w.p2 > w.p1 && w.p2 >= p && t > w.t2 && w.t2 > w.t1 {
		a, b := (w.p2-w.p1)/(w.t2-w.t1), (p-w.p2)/(t-w.t2)
		c := (b - a) / (t - w.t1) // < 0
		at := (w.t1+w.t2)/2 - a/(2*c)
		if top := w.p1 + a*(at-w.t1) + c*(at-w.t1)*(at-w.t2); top > w.res.PeakPa {
			w.res.PeakPa, w.res.PeakTimeS, w.res.PeakSlice = top, at, slice
		}
	}
	w.t1, w.p1, w.t2, w.p2 = w.t2, w.p2, t, p
	w.seen++
}

func (w *venting) finish() {
	r := &w.res
	r.Holds = r.PeakPa < r.HotPa
	r.HoldsCold = r.PeakPa < r.ColdPa
	r.MarginPa = r.HotPa - r.PeakPa
	if z, err := w.c.Gas.Compressibility(math.Max(r.PeakPa+w.c.AmbientPa, 0), r.PeakGasK); err == nil {
		r.Z = z
	}
	r.Curve = thin(r.Curve, longestCurve)
}

// thin keeps at most n points, and of each stretch the highest, so that no peak
// is lost.
func thin(c []VentingPoint, n int) []VentingPoint {
	if len(c) <= n {
		return c
	}
	var out []VentingPoint
	for k := range n {
		from, to := k*len(c)/n, (k+1)*len(c)/n
		best := from
		for i := from; i < to; i++ {
			if math.Max(c[i].TopPa, c[i].BottomPa) > math.Max(c[best].TopPa, c[best].BottomPa) {
				best = i
			}
		}
		out = append(out, c[best])
	}
	return out
}
