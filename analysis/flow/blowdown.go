package flow

import (
	"fmt"
	"math"
)

// A Vessel is a rigid volume of gas that empties through an effective area.
type Vessel struct {
	Gas      Gas
	VolumeM3 float64
	AreaM2   float64 // effective, C_d·A
	T0       float64 // K, of the gas at the beginning
}

// Tau is the time constant V/(C_d A a0 (2/(γ+1))^((γ+1)/(2(γ-1)))), s, with a0
// the speed of sound at T0: the time in which the choked flow of the beginning
// would carry away the whole mass.
func (v Vessel) Tau() float64 {
	return v.VolumeM3 / (v.AreaM2 * v.Gas.SoundSpeed(v.T0) * chokedConstant(v.Gas.Gamma))
}

// AreaFromTau inverts Tau: the effective area (m²) of a vessel of volume V (m³)
// that empties with time constant tau (s) from T0 (K).
func (g Gas) AreaFromTau(V, tau, T0 float64) float64 {
	return V / (tau * g.SoundSpeed(T0) * chokedConstant(g.Gamma))
}

// AdiabaticTime is how long the choked adiabatic blow-down from p0 to p takes, s:
// 2τ/(γ-1)·((p/p0)^(-(γ-1)/(2γ)) - 1). Closed form of
// dp/dt = -γ/τ·p·(p/p0)^((γ-1)/(2γ)), valid while the throat is sonic.
func (v Vessel) AdiabaticTime(p0, p float64) (float64, error) {
	if !(p > 0 && p <= p0) {
		return 0, fmt.Errorf("blow-down from %g Pa to %g Pa: give 0 < p <= p0, absolute", p0, p)
	}
	k := v.Gas.Gamma
	return 2 * v.Tau() / (k - 1) * math.Expm1(-(k-1)/(2*k)*math.Log(p/p0)), nil
}

// AdiabaticPressure is the pressure (Pa absolute) after t seconds of a choked
// adiabatic blow-down from p0: p0·(1 + (γ-1)/2·t/τ)^(-2γ/(γ-1)).
func (v Vessel) AdiabaticPressure(p0, t float64) float64 {
	k := v.Gas.Gamma
	return p0 * math.Pow(1+(k-1)/2*t/v.Tau(), -2*k/(k-1))
}

// IsothermalTime is how long the choked isothermal blow-down from p0 to p
// takes, s: τ·ln(p0/p).
func (v Vessel) IsothermalTime(p0, p float64) (float64, error) {
	if !(p > 0 && p <= p0) {
		return 0, fmt.Errorf("blow-down from %g Pa to %g Pa: give 0 < p <= p0, absolute", p0, p)
	}
	return v.Tau() * math.Log(p0/p), nil
}

// IsothermalPressure is the pressure after t seconds of a choked isothermal
// blow-down from p0: p0·exp(-t/τ).
func (v Vessel) IsothermalPressure(p0, t float64) float64 { return p0 * math.Exp(-t/v.Tau()) }

// AdiabaticTemperature is the temperature (K) of the gas left in the vessel
// when its pressure has fallen from p0 to p: T0·(p/p0)^((γ-1)/γ).
func (v Vessel) AdiabaticTemperature(p0, p float64) float64 {
	return v.T0 * math.Pow(p/p0, (v.Gas.Gamma-1)/v.Gas.Gamma)
}

// SlopeAdiabatic is dp/dt (Pa/s, negative) of the adiabatic vessel at pressure
// p on its way down from p0 into pb: choked or not.
func (v Vessel) SlopeAdiabatic(p0, p, pb float64) float64 {
	if p <= pb {
		return 0
	}
	k := v.Gas.Gamma
	return -k / v.Tau() * p * math.Pow(p/p0, (k-1)/(2*k)) * v.Gas.Subcritical(pb/p)
}
