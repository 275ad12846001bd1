package flow

import (
	"fmt"
	"math"
)

// ChokedFlux is the mass flux through a sonic throat, kg/(m² s), for stagnation
// pressure p0 (Pa absolute) and temperature T0 (K):
// p0·sqrt(γ/(R_s T0))·(2/(γ+1))^((γ+1)/(2(γ-1))) (NACA Report 1135).
func (g Gas) ChokedFlux(p0, T0 float64) float64 {
	return p0 * math.Sqrt(g.Gamma/(g.SpecificR()*T0)) * chokedConstant(g.Gamma)
}

// Flux is the isentropic mass flux, kg/(m² s), from stagnation pressure p0 into
// back-pressure pb (both Pa absolute) at stagnation temperature T0 (K): choked
// below the critical ratio, de Saint-Venant and Wantzel's formula above it, 0
// where pb >= p0.
func (g Gas) Flux(p0, pb, T0 float64) float64 { return g.ChokedFlux(p0, T0) * g.Subcritical(pb/p0) }

// Subcritical is the mass flux at pressure ratio r = pb/p0 as a fraction of the
// choked one: 1 at and below the critical ratio, 0 at and above 1.
func (g Gas) Subcritical(r float64) float64 {
	if !(r > CriticalRatio(g.Gamma)) {
		return 1
	}
	if r >= 1 {
		return 0
	}
	k := g.Gamma
	// ψ² = 2/(γ-1)·r^(2/γ)·(1-r^((γ-1)/γ)), over its value at the critical ratio.
	psi := math.Sqrt(2 / (k - 1) * math.Pow(r, 2/k) * -math.Expm1((k-1)/k*math.Log(r)))
	return psi / chokedConstant(k)
}

// MassFlow is the mass flow, kg/s, through the effective area cda = C_d·A (m²).
func (g Gas) MassFlow(cda, p0, pb, T0 float64) float64 { return cda * g.Flux(p0, pb, T0) }

// EffectiveArea is the area C_d·A (m²) that passes the mass flow mdot (kg/s)
// from p0 into pb at T0; z is the compressibility factor at the inlet (1 for an
// ideal gas; it enters as sqrt(z), as in API 520 Part I).
func (g Gas) EffectiveArea(mdot, p0, pb, T0, z float64) (float64, error) {
	switch {
	case !(mdot > 0):
		return 0, fmt.Errorf("mass flow %g kg/s: give a positive flow", mdot)
	case !(p0 > pb) || !(pb >= 0):
		return 0, fmt.Errorf("pressure %g Pa into %g Pa: no flow leaves; give absolute pressures, the inside higher", p0, pb)
	case !(T0 > 0) || !(z > 0):
		return 0, fmt.Errorf("temperature %g K, compressibility factor %g: both have to be positive", T0, z)
	}
	return mdot * math.Sqrt(z) / g.Flux(p0, pb, T0), nil
}
