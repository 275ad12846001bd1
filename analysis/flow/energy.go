package flow

import (
	"fmt"
	"math"
)

// A Reading is one reading of the stored-energy rules of a pneumatic pressure
// test: the printed editions differ in what stands under the cube root of the
// distance. Which edition binds is for a qualified person to say; both are
// always shown.
type Reading struct {
	Edition   string  // as printed
	TNTFactor float64 // under the cube root: R = scaled distance·(TNTFactor·TNT)^(1/3)
	Why       string
}

// The two readings. ASME PCC-2-2008, Article 5.1, Mandatory Appendices II and
// III; in later editions Article 501, where equation III-1 has twice the TNT
// (burst at the ground: half a sphere).
var (
	Reading2008  = Reading{"ASME PCC-2-2008, Article 5.1, Appendices II and III", 1, "TNT as it is"}
	ReadingLater = Reading{"ASME PCC-2, later editions, Article 501, Appendices 501-II and 501-III", 2, "twice the TNT: a burst at the ground"}
)

// Readings lists both readings, the older first.
func Readings() []Reading { return []Reading{Reading2008, ReadingLater} }

const (
	// CodeAtmosphere is the atmosphere of that code, Pa: 101 kPa, not 101.325.
	CodeAtmosphere = 101000.0
	// TNTJoulePerKg is its TNT equivalent in SI units, J/kg.
	TNTJoulePerKg = 4266920.0
	// TNTFootPoundPerPound is its TNT equivalent in US units, ft·lb/lb. The two
	// printed numbers are not the same quantity: the SI one is 1427509 ft·lb/lb,
	// and this one is 4.3 % more.
	TNTFootPoundPerPound = 1488617.0
)

// TNTJoulePerKgUS is the US constant in J/kg: 1 ft·lbf/lb = 0.3048 m ·
// 9.80665 m/s², both exact by definition.
const TNTJoulePerKgUS = TNTFootPoundPerPound * 0.3048 * 9.80665

// The scaled distances of Table III-1 of the code, m/kg^(1/3). The least of 20
// was read in the text; what the others stand for is from memory.
const (
	ScaledGlass   = 20.0 // windows break
	ScaledEardrum = 12.0 // eardrums, panels of concrete block
	ScaledLung    = 6.0  // lungs, brick walls
	ScaledFatal   = 2.0
)

// Stored is the energy of a compressed gas by one formula.
type Stored struct {
	Method  string
	EnergyJ float64
	Note    string
}

// CodeEnergy is the stored energy (J) of the code's formula for a vessel of
// volume V (m³) at p (Pa absolute): 1/(k-1)·p·V·(1-(pa/p)^((k-1)/k)) with pa =
// 101 kPa; for k = 1.4 the printed 2.5·p·V·(1-(pa/p)^0.286), with its rounded
// exponent. Equations II-1 and II-2 of ASME PCC-2-2008 Article 5.1. Domain
// p > 101 kPa, V > 0, 1 < k <= 5/3.
func CodeEnergy(p, V, k float64) (float64, error) {
	if err := checkStored(p, CodeAtmosphere, V, k); err != nil {
		return 0, err
	}
	if math.Abs(k-1.4) < 5e-4 {
		return 2.5 * p * V * (1 - math.Pow(CodeAtmosphere/p, 0.286)), nil
	}
	return IsentropicEnergy(p, CodeAtmosphere, V, k)
}

// BrodeEnergy is the energy (J) that heats the gas at constant volume from the
// ambient pressure: (p-pa)·V/(k-1). Crowl, Understanding Explosions, appendix
// B; Brode 1959. The highest of the usual figures for a strong vessel.
func BrodeEnergy(p, pa, V, k float64) (float64, error) {
	if err := checkStored(p, pa, V, k); err != nil {
		return 0, err
	}
	return (p - pa) * V / (k - 1), nil
}

// IsentropicEnergy is the work (J) of the gas as it expands without heat from p
// to pa: p·V/(k-1)·(1-(pa/p)^((k-1)/k)). Crowl, appendix B.
func IsentropicEnergy(p, pa, V, k float64) (float64, error) {
	if err := checkStored(p, pa, V, k); err != nil {
		return 0, err
	}
	return p * V / (k - 1) * -math.Expm1((k-1)/k*math.Log(pa/p)), nil
}

// IsothermalEnergy is the work (J) at constant temperature from p to pa:
// p·V·ln(p/pa). Crowl, appendix B (formula from memory).
func IsothermalEnergy(p, pa, V float64) (float64, error) {
	if err := checkStored(p, pa, V, 1.4); err != nil {
		return 0, err
	}
	return p * V * math.Log(p/pa), nil
}

// AvailableEnergy is the thermodynamic availability (J): the isothermal work
// less that of pushing the atmosphere back, p·V·(ln(p/pa)-(1-pa/p)). Crowl,
// appendix B (formula from memory).
func AvailableEnergy(p, pa, V float64) (float64, error) {
	if err := checkStored(p, pa, V, 1.4); err != nil {
		return 0, err
	}
	return p * V * (math.Log(p/pa) - (1 - pa/p)), nil
}

// LiquidEnergy is the energy (J) of a compressed liquid: (p-pa)²·V/(2K) with
// the liquid's bulk modulus K (Pa; water near 20 °C about 2.2 GPa, from memory).
// The vessel's own strain energy and gas left in it come on top: a bubble
// stores more than the liquid around it.
func LiquidEnergy(p, pa, V, bulk float64) (float64, error) {
	if err := checkStored(p, pa, V, 1.4); err != nil {
		return 0, err
	}
	if !(bulk > 0) || math.IsInf(bulk, 0) {
		return 0, fmt.Errorf("bulk modulus %g Pa: give a positive one (water: 2.2e9)", bulk)
	}
	return (p - pa) * (p - pa) * V / (2 * bulk), nil
}

func checkStored(p, pa, V, k float64) error {
	switch {
	case !(pa > 0) || !(p > pa) || math.IsInf(p, 0):
		return fmt.Errorf("pressure %g Pa against %g Pa: give absolute pressures, the inside higher", p, pa)
	case !(V > 0) || math.IsInf(V, 0):
		return fmt.Errorf("volume %g m³: give a positive one", V)
	case !(k > 1) || k > 5.0/3+1e-9:
		return fmt.Errorf("ratio of specific heats %g: give one above 1 and not above 5/3", k)
	}
	return nil
}

// CodeEnergyU is the standard uncertainty of CodeEnergy from those of pressure
// (Pa) and volume (m³), to first order.
func CodeEnergyU(p, V, k, up, uV float64) float64 {
	e := func(p, V float64) float64 { v, _ := CodeEnergy(p, V, k); return v }
	h := 1e-5 * (p - CodeAtmosphere)
	return math.Hypot((e(p+h, V)-e(p-h, V))/(2*h)*up, e(p, V)/V*uV)
}

// StandOff is the distance (m) at which the scaled distance is reached: that of
// the equation, not of the code's least distances.
func (r Reading) StandOff(tntKg, scaled float64) float64 {
	return scaled * math.Cbrt(r.TNTFactor*tntKg)
}

// LeastDistance is the distance (m) that the code asks for a stored energy E
// (J): at least 30 m up to 135.5 MJ, at least 60 m up to 271 MJ, the equation's
// beyond; with the equation's wherever that is more. Appendix III.
func (r Reading) LeastDistance(E, scaled float64) float64 {
	d := r.StandOff(E/TNTJoulePerKg, scaled)
	switch {
	case E <= 135.5e6:
		return math.Max(d, 30)
	case E <= 271e6:
		return math.Max(d, 60)
	}
	return d
}
