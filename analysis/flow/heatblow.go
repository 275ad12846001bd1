package flow

import (
	"fmt"
	"math"
)

// A Wall gives heat to the gas of a vessel: Conductance (W/K, heat transfer
// coefficient times area, constant) times the difference of temperatures. 0 is
// the adiabatic vessel, infinity the isothermal one.
type Wall struct {
	Conductance  float64 // W/K
	TemperatureK float64
}

// WallTime is how long (s) the blow-down from p0 to p (Pa absolute) into pb
// takes with heat from the wall, and the temperature (K) of the gas then. It
// integrates dn/dt = -flow/M and n cv dT/dt = -(flow/M) R T + wall (first law
// for an open system with ideal gas), choked or not. p > pb.
func (v Vessel) WallTime(p0, p, pb float64, wall Wall) (seconds, kelvin float64, err error) {
	switch {
	case !(p > 0 && p < p0) || !(pb < p) || !(pb >= 0):
		return 0, 0, fmt.Errorf("blow-down from %g Pa to %g Pa into %g Pa: give pb < p < p0, absolute", p0, p, pb)
	case !(wall.Conductance >= 0) || math.IsInf(wall.Conductance, 0) || !(wall.TemperatureK > 0):
		return 0, 0, fmt.Errorf("wall of %g W/K at %g K: give a finite conductance and a positive temperature", wall.Conductance, wall.TemperatureK)
	}
	cv := R / (v.Gas.Gamma - 1)
	n0 := p0 * v.VolumeM3 / (R * v.T0)
	y := []float64{n0, v.T0}
	pressure := func(y []float64) float64 { return y[0] * R * y[1] / v.VolumeM3 }
	o := ODE{
		RelTol: 1e-8, AbsTol: []float64{1e-10 * n0, 1e-8 * v.T0},
		Rate: func(_ float64, y, dy []float64) {
			out := v.Gas.MassFlow(v.AreaM2, pressure(y), pb, y[1]) / v.Gas.MolarMass
			dy[0] = -out
			dy[1] = (-out*R*y[1] + wall.Conductance*(wall.TemperatureK-y[1])) / (y[0] * cv)
		},
		Events: []Event{func(_ float64, y []float64) float64 { return p - pressure(y) }},
	}
	// as slow as can be: isothermal, with the subcritical flow at the end
	most := 100 * v.Tau() * (1 + math.Log(p0/p)) / math.Max(v.Gas.Subcritical(pb/p), 1e-3)
	halt, err := Explicit(o, 0, most, y)
	if err == nil && halt.Event < 0 {
		err = fmt.Errorf("the pressure did not fall to %g Pa within %g s: the wall may be hotter than the outflow can cool", p, most)
	}
	return halt.T, y[1], err
}

// AreaU is the relative standard uncertainty of an area found from a
// blow-down's time constant (AreaFromTau): volume and time constant enter as
// they are, temperature and molar mass under a root. Which law the gas follows,
// adiabatic or isothermal, shifts the area by up to the factor gamma where it
// rests on the first slope: that is no standard uncertainty and is stated beside.
func AreaU(relVolume, relTau, relTemperature, relMolarMass float64) float64 {
	return math.Sqrt(relVolume*relVolume + relTau*relTau + relTemperature*relTemperature/4 + relMolarMass*relMolarMass/4)
}

// VentArea is the geometric area (m²) that lets the gas generated at rate
// (mol/s) leave at pressure p into pb (Pa absolute) at T (K) with discharge
// coefficient cd, as a steady flow, and whether the vent chokes then.
func (g Gas) VentArea(rate, p, pb, T, cd float64) (area float64, choked bool, err error) {
	if !(cd > 0) || cd > 1.2 {
		return 0, false, fmt.Errorf("discharge coefficient %g: give one above 0 and up to about 1", cd)
	}
	if !(g.MolarMass > 0) || !(g.Gamma > 1) {
		return 0, false, fmt.Errorf("gas of %g kg/mol with a ratio of specific heats %g: give a positive molar mass and a ratio above 1", g.MolarMass, g.Gamma)
	}
	a, err := g.EffectiveArea(rate*g.MolarMass, p, pb, T, 1)
	return a / cd, pb/p <= CriticalRatio(g.Gamma), err
}
