package analysis

import (
	"fmt"
	"math"

	"ventward/analysis/flow"
)

// A Measured is a value with its standard uncertainty (k = 1).
type Measured struct {
	Value float64 `json:"value"`
	U     float64 `json:"u"`
}

// A Part is what one input contributes to a result's standard uncertainty, in
// the result's unit.
type Part struct {
	Input string  `json:"input"`
	U     float64 `json:"u"`
}

// A Determination is a result with what its uncertainty is made of.
type Determination struct {
	Measured
	Parts []Part `json:"parts"`
}

// add adds the contribution of an input: sensitivity times its uncertainty, in
// quadrature (GUM, JCGM 100, 5.1.2, independent inputs).
func (d *Determination) add(input string, sensitivity, u float64) {
	c := math.Abs(sensitivity * u)
	d.Parts = append(d.Parts, Part{input, c})
	d.U = math.Hypot(d.U, c)
}

// A State is gas at rest: absolute pressure in Pa and temperature in K.
type State struct{ Pressure, Temperature Measured }

// density is p/T, which is proportional to the amount of gas in a volume.
func (s *State) density() float64 { return s.Pressure.Value / s.Temperature.Value }

func (s *State) check(what string) error {
	if !(s.Pressure.Value >= 0) || math.IsInf(s.Pressure.Value, 0) {
		return fmt.Errorf("%s: %g Pa is no absolute pressure: give pressures from vacuum, not gauge", what, s.Pressure.Value)
	}
	if !(s.Temperature.Value > 0) || math.IsInf(s.Temperature.Value, 0) {
		return fmt.Errorf("%s: %g K is no temperature of a gas: give it in K above zero", what, s.Temperature.Value)
	}
	return nil
}

// leastContrast is the least relative change of p/T that a volume may rest on: a
// smaller one makes an answer out of noise.
const leastContrast = 0.02

// An Expansion is one expansion of gas from a known volume into the fixture.
type Expansion struct {
	Known   Measured // m3
	Before  State    // of the known volume, valve shut
	Fixture State    // of the fixture, valve shut
	After   State    // of both, valve open and at rest again
	// CommonU is the standard uncertainty, Pa, of an error that the three pressures
	// share: the zero of the one transducer that reads them. (An error of its gain
	// cancels: only ratios count.)
	CommonU float64
}

// Volume returns the fixture's volume in m3, the valve's passage included:
// V = V0 (p0/T0 - p2/T2) / (p2/T2 - p1/T1), the balance of an ideal gas's amount
// over both volumes. A real gas near room temperature moves it by the difference
// of the compressibility factors of the states: keep below some 10 bar, or add it
// to the uncertainty.
func (e *Expansion) Volume() (Determination, error) {
	var d Determination
	for _, s := range []struct {
		s    *State
		what string
	}{{&e.Before, "known volume"}, {&e.Fixture, "fixture"}, {&e.After, "after the expansion"}} {
		if err := s.s.check(s.what); err != nil {
			return d, err
		}
	}
	if !(e.Known.Value > 0) || math.IsInf(e.Known.Value, 0) {
		return d, fmt.Errorf("known volume: %g m3: give the reference volume from its certificate", e.Known.Value)
	}
	a, b, c := e.Before.density(), e.Fixture.density(), e.After.density()
	if !(a-b >= leastContrast*a) || !(a > c && c > b) {
		return d, fmt.Errorf("the pressure after the expansion must lie between the two before it, which must differ by 2 %% or more: p/T is %.5g, %.5g and %.5g Pa/K: check which reading is which, and the leak rate", a, b, c)
	}
	v0 := e.Known.Value
	d.Value = v0 * (a - c) / (c - b)
	da, db, dc := v0/(c-b), v0*(a-c)/((c-b)*(c-b)), -v0*(a-b)/((c-b)*(c-b))
	d.add("known volume", d.Value/v0, e.Known.U)
	e.Before.contribute(&d, "known volume's", da)
	e.Fixture.contribute(&d, "fixture's", db)
	e.After.contribute(&d, "final", dc)
	d.add("common zero of the pressures", da/e.Before.Temperature.Value+db/e.Fixture.Temperature.Value+dc/e.After.Temperature.Value, e.CommonU)
	return d, nil
}

// contribute adds the state's parts; slope is the result's derivative with
// respect to p/T.
func (s *State) contribute(d *Determination, whose string, slope float64) {
	t := s.Temperature.Value
	d.add(whose+" pressure", slope/t, s.Pressure.U)
	d.add(whose+" temperature", slope*s.Pressure.Value/(t*t), s.Temperature.U)
}

// A Charge is a metered amount of gas let into the fixture.
type Charge struct {
	Amount  Measured // mol
	Before  State
	After   State
	CommonU float64 // Pa, as in Expansion
	GainU   float64 // relative standard uncertainty of the pressures' gain: here it counts in full
}

// Volume returns the fixture's volume in m3: V = n R / (p2/T2 - p1/T1), ideal gas.
func (c *Charge) Volume() (Determination, error) {
	var d Determination
	if err := c.Before.check("before the charge"); err != nil {
		return d, err
	}
	if err := c.After.check("after the charge"); err != nil {
		return d, err
	}
	if !(c.Amount.Value > 0) || math.IsInf(c.Amount.Value, 0) {
		return d, fmt.Errorf("amount of gas: %g mol: give what was let in", c.Amount.Value)
	}
	a, b := c.Before.density(), c.After.density()
	if !(b-a >= leastContrast*b) {
		return d, fmt.Errorf("p/T rises from %.5g to %.5g Pa/K only: a volume needs a rise of 2 %% or more; let in more gas, or check which reading is which", a, b)
	}
	d.Value = c.Amount.Value * flow.R / (b - a)
	slope := d.Value / (b - a)
	d.add("amount of gas", d.Value/c.Amount.Value, c.Amount.U)
	c.Before.contribute(&d, "first", slope)
	c.After.contribute(&d, "second", -slope)
	d.add("common zero of the pressures", slope/c.Before.Temperature.Value-slope/c.After.Temperature.Value, c.CommonU)
	d.add("gain of the pressures", d.Value, c.GainU)
	return d, nil
}
