package flow

import "math"

// PressureRatio is p/p_t at Mach number M (NACA Report 1135, eq. 44).
func PressureRatio(M, gamma float64) float64 {
	return math.Pow(TemperatureRatio(M, gamma), gamma/(gamma-1))
}

// DensityRatio is rho/rho_t at Mach number M (NACA Report 1135, eq. 45).
func DensityRatio(M, gamma float64) float64 {
	return math.Pow(TemperatureRatio(M, gamma), 1/(gamma-1))
}

// TemperatureRatio is T/T_t at Mach number M (NACA Report 1135, eq. 43).
func TemperatureRatio(M, gamma float64) float64 { return 1 / (1 + (gamma-1)/2*M*M) }

// AreaRatio is A/A* at Mach number M > 0 (NACA Report 1135, eq. 80).
func AreaRatio(M, gamma float64) float64 {
	e := (gamma + 1) / (2 * (gamma - 1))
	return math.Pow(2/(gamma+1)*(1+(gamma-1)/2*M*M), e) / M
}

// CriticalRatio is the ratio of throat to stagnation pressure at which the
// throat becomes sonic, (2/(γ+1))^(γ/(γ-1)) (NACA Report 1135, eq. 44 at M = 1).
func CriticalRatio(gamma float64) float64 { return math.Pow(2/(gamma+1), gamma/(gamma-1)) }

// CriticalTemperatureRatio is T*/T_t = 2/(γ+1).
func CriticalTemperatureRatio(gamma float64) float64 { return 2 / (gamma + 1) }

// chokedConstant is (2/(γ+1))^((γ+1)/(2(γ-1))): the mass flux of a sonic
// throat in units of ρ_t·a_t.
func chokedConstant(gamma float64) float64 {
	return math.Pow(2/(gamma+1), (gamma+1)/(2*(gamma-1)))
}
