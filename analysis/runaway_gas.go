package analysis

import (
	"fmt"
	"math"

	"ventward/analysis/flow"
	"ventward/daq"
)

// The settled state. At the peak the gas is hot and far from even; the amount
// is taken where pressure and temperature have come to rest.
const (
	zeroCelsius  = 273.15 // K
	settledSpan  = 10.0   // s of rest that are looked for
	settledCells = 8
	settledRate  = 2e-3  // 1/s, relative, that the pressure may still move
	emptyRate    = -0.02 // 1/s: a faster fall is the vessel being opened
	emptySure    = 6.0   // standard deviations of a slope by noise that it is beyond
	topNoise     = 4.0   // standard deviations that noise lifts the highest reading
	unevenPart   = 0.1   // of its excess over the wall that the gas temperature may be uneven by
	ambientU     = 300.0 // Pa, standard, of an ambient pressure that is only stated
	ambientMeasU = 50.0  // Pa, standard, of one that a barometer measures
)

// state is the vessel over a stretch of the course.
type vesselState struct {
	from, to int
	peak     int     // cell of the highest pressure before it
	p, pU    float64 // Pa absolute, and its standard uncertainty by noise
	T, TU    float64 // K
	drift    float64 // relative change of p/T from the first half to the second
}

// amount computes how much gas the cell gave off: the difference of p V/(R T)
// between the settled state and the state before heating (ideal gas), and what a
// leak took of it.
func (r *Runaway) amount(x *RunawayResult) {
	v := r.o.Fixture.VolumeM3
	no := func(reason string) {
		for _, f := range []string{"gas_mol", "gas_L", "gas_L_per_Ah"} {
			x.without(f, reason)
		}
	}
	if v == 0 {
		no("no volume given")
		return
	}
	if why := r.unusable(r.gas); why != "" {
		no(why)
		return
	}
	before, err := r.before()
	if err == nil && r.venting == 0 && r.runaway == 0 {
		err = fmt.Errorf("neither venting nor runaway was seen")
	}
	after, err2 := r.after()
	if err == nil {
		err = err2
	}
	if err != nil {
		no(err.Error())
		return
	}
	n := v / flow.R * (after.p/after.T - before.p/before.T)
	lost := r.leak(before, after)
	if why := lost.tooMuch(n); why != "" {
		no(why)
		return
	}
	if n += lost.mol; lost.mol > 0 {
		x.LostMol = &lost.mol
	}
	x.GasMol = &n
	if r.runaway == 0 {
		x.GasDoubt = r.doubts[0]
	}
	x.Settled = [2]int64{r.course.at(after.from), r.course.at(after.to - 1)}
	m3 := n * x.State.MolarVolume()
	x.GasM3 = &m3
	if ah := r.o.Cell.CapacityAh; ah > 0 {
		per := m3 / ah
		x.GasM3PerAh = &per
	} else {
		x.without("gas_L_per_Ah", "no capacity given")
	}
	r.budget(x, r.settled(before, after, lost))
	r.negative(x)
}

// negative takes an amount back that is below nought by more than chance: then
// something other than the cell moved the gas.
func (r *Runaway) negative(x *RunawayResult) {
	u := math.Inf(1)
	if x.GasUMol != nil {
		u = *x.GasUMol
	}
	if *x.GasMol >= -u {
		return
	}
	why := fmt.Sprintf("%.2g mol less gas at the settled state than before heating; look for a leak, an opened valve or a wrong gas temperature", -*x.GasMol)
	x.GasMol, x.GasUMol, x.GasM3, x.GasM3PerAh, x.LostMol, x.Budget = nil, nil, nil, nil, nil, nil
	for _, f := range []string{"gas_mol", "gas_L", "gas_L_per_Ah"} {
		x.without(f, why)
	}
}

// before is the vessel before heating: the first seconds.
func (r *Runaway) before() (vesselState, error) {
	c := &r.course
	end := len(c.cells)
	for _, t := range []int64{r.venting, r.runaway} {
		if t != 0 {
			end = min(end, c.index(t))
		}
	}
	need := max(settledCells, int(settledSpan/c.seconds()))
	if end > need {
		end = need
	}
	return r.stateOf(0, end, "before heating")
}

// after is the latest stretch at rest after the gas came and before the vessel
// was opened.
func (r *Runaway) after() (vesselState, error) {
	c := &r.course
	from := c.index(max(r.venting, r.runaway))
	end := len(c.cells)
	if r.dumped != 0 {
		end = min(end, c.index(r.dumped))
	}
	need := max(settledCells, int(settledSpan/c.seconds()))
	noise := c.noise(ofVessel)
	top := c.top(ofVessel, from, end, topNoise*noise)
	// An opened vessel: from where it falls fast until the end it is left out.
	sure := emptySure * noise / (c.seconds() * math.Sqrt(5)) // of a slope through four cells
	for i := top + need; i+4 < end; i++ {
		// While the gas is hot its pressure falls as fast: then its amount has to as well.
		if i < top+3*need && !(r.amountLine(i, i+4).falls() < emptyRate) {
			continue
		}
		if p, b, n := c.line(ofVessel, i, i+4); n > 2 && b/r.absolute(p) < emptyRate && b < -sure {
			end = i
			break
		}
	}
	begin := max(top, end-need)
	p, b, n := c.line(ofVessel, begin, end)
	if n < settledCells {
		return vesselState{}, fmt.Errorf("too little is recorded after the gas came")
	}
	_, slopeU := c.scatter(ofVessel, begin, end)
	if rel := math.Abs(b / r.absolute(p)); rel > settledRate+3*slopeU/r.absolute(p) {
		return vesselState{}, fmt.Errorf("the vessel had not settled: its pressure still moved by %.2g %% a second", 100*rel)
	}
	s, err := r.stateOf(begin, end, "at the settled state")
	s.peak = top
	return s, err
}

// absolute is a vessel pressure of the channel's reference in Pa absolute.
func (r *Runaway) absolute(p float64) float64 {
	if r.o.Channels[r.p].Reference == daq.Absolute {
		return p
	}
	return p + r.ambient()
}

func (r *Runaway) ambient() float64 {
	if r.baroPa > 0 {
		return r.baroPa
	}
	return r.o.Fixture.AmbientPa
}

// stateOf is the mean state over cells [from, to).
func (r *Runaway) stateOf(from, to int, when string) (vesselState, error) {
	c := &r.course
	p, _, n := c.line(ofVessel, from, to)
	if n < settledCells/2 || r.p < 0 {
		return vesselState{}, fmt.Errorf("too few readings of the vessel's pressure %s", when)
	}
	s := vesselState{from: from, to: to, p: r.absolute(p), T: r.o.Fixture.TemperatureK}
	s.pU, _ = c.scatter(ofVessel, from, to)
	if r.gas < 0 {
		return r.unmeasured(s), nil
	}
	t, _, m := c.line(ofGas, from, to)
	if m < settledCells/2 {
		return vesselState{}, fmt.Errorf("too few readings of the gas temperature %s", when)
	}
	s.T = t + zeroCelsius
	s.TU, _ = c.scatter(ofGas, from, to)
	mid := (from + to) / 2
	ratio := func(a, b int) float64 {
		p, _, n1 := c.line(ofVessel, a, b)
		t, _, n2 := c.line(ofGas, a, b)
		if n1 == 0 || n2 == 0 {
			return s.p / s.T
		}
		return r.absolute(p) / (t + zeroCelsius)
	}
	s.drift = ratio(mid, to)/ratio(from, mid) - 1
	return s, nil
}

// cellPart is the most of the way from the stated temperature to the skin's that
// gas at rest is warmed: the wall round the cell has more surface than the cell.
const cellPart = 0.5

// unmeasured is a state whose gas no thermocouple is in. The gas lies somewhere
// from the temperature stated for the vessel to that part of the way to the
// skin's, each as likely; with no skin to tell, nothing is known of it (TU is
// infinite). Before the gas came the stated temperature is the gas's own.
func (r *Runaway) unmeasured(s vesselState) vesselState {
	if s.from == 0 {
		return s
	}
	t, _, n := r.course.line(ofSkin, s.from, s.to)
	if n < settledCells/2 || r.unusable(r.skin) != "" {
		s.TU = math.Inf(1)
		return s
	}
	most := s.T + cellPart*math.Max(0, t+zeroCelsius-s.T)
	mid := (1/s.T + 1/most) / 2 // the amount goes with 1/T
	half := (1/s.T - 1/most) / 2
	s.T, s.TU = 1/mid, half/(mid*mid*math.Sqrt(3))
	return s
}

// settled is what the amount rests on, with its standard uncertainties.
func (r *Runaway) settled(b, a vesselState, lost vesselLeak) Settled {
	f := &r.o.Fixture
	cv := &r.o.Channels[r.p].Curve
	s := Settled{VolumeM3: f.VolumeM3, VolumeU: f.VolumeUM3, BeforePa: b.p, BeforeK: b.T, AfterPa: a.p, AfterK: a.T, BeforeU: b.pU, AfterU: a.pU, OffsetU: cv.UOffsetAt(a.p), GainU: cv.UGainAt(1),
		BeforeKU: f.TemperatureU, AfterKU: f.TemperatureU, LostMol: lost.mol, LostMolU: leakPart * lost.mol}
	if r.o.Channels[r.p].Reference != daq.Absolute {
		u := ambientU
		if r.baro >= 0 && r.baroPa > 0 {
			u = ambientMeasU
		}
		s.OffsetU = math.Hypot(s.OffsetU, u)
	}
	if r.gas < 0 {
		s.AfterKU = math.Hypot(s.AfterKU, a.TU)
	} else {
		g := &r.o.Channels[r.gas].Curve
		s.BeforeKU = math.Hypot(g.U(b.T-zeroCelsius), b.TU)
		uneven := unevenPart * math.Abs(a.T-b.T) / math.Sqrt(3)
		moving := a.T * a.drift / math.Sqrt(3)
		s.AfterKU = math.Sqrt(sq(g.U(a.T-zeroCelsius)) + sq(a.TU) + uneven*uneven + moving*moving)
	}
	return s
}

// budget states the amount's uncertainty.
func (r *Runaway) budget(x *RunawayResult, s Settled) {
	if math.IsInf(s.AfterKU, 1) {
		x.without("gas_u_mol", "neither a gas nor a skin temperature was measured at the settled state: how warm the gas was is not known")
		return
	}
	if s.AfterKU == 0 || r.gas < 0 && r.o.Fixture.TemperatureU == 0 {
		x.without("gas_u_mol", "no gas temperature was measured and no uncertainty of the stated one is given")
		return
	}
	b, err := s.Amount()
	if err != nil {
		x.without("gas_u_mol", err.Error())
		return
	}
	c, err := b.Evaluate(0.95) // its k is not used: uncertainties are stated with k = 2
	if err != nil {
		x.without("gas_u_mol", err.Error())
		return
	}
	u := 2 * c.U
	x.Budget, x.GasUMol = &b, &u
}

func sq(x float64) float64 { return x * x }
