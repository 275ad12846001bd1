package flow

import (
	"fmt"
	"math"
	"sort"
	"strings"
)

// A Species is a pure substance of vent gas.
//
// Low and High are the first five coefficients of the NASA polynomial for
// cp/R, below and above 1000 K. They are those of the GRI-Mech 3.0 thermodynamic
// file, from memory; the tests check that the two halves join at 1000 K and
// that cp at 25 °C is the tabulated one. Domain: 300 K (N2) or 200 K to 3500 K.
// The critical constants serve the real-gas correction; they are from memory
// too (Reid, Prausnitz and Poling's table as remembered).
type Species struct {
	Name      string
	MolarMass float64 // kg/mol, IUPAC atomic weights
	Low, High [5]float64
	TcK       float64 // critical temperature
	PcPa      float64 // critical pressure
	Omega     float64 // acentric factor
}

var species = map[string]Species{
	"H2": {"H2", 2.01588e-3, [5]float64{2.34433112, 7.98052075e-3, -1.94781510e-5, 2.01572094e-8, -7.37611761e-12},
		[5]float64{3.33727920, -4.94024731e-5, 4.99456778e-7, -1.79566394e-10, 2.00255376e-14}, 33.19, 1.313e6, -0.216},
	"O2": {"O2", 31.9988e-3, [5]float64{3.78245636, -2.99673416e-3, 9.84730201e-6, -9.68129509e-9, 3.24372837e-12},
		[5]float64{3.28253784, 1.48308754e-3, -7.57966669e-7, 2.09470555e-10, -2.16717794e-14}, 154.58, 5.043e6, 0.022},
	"N2": {"N2", 28.0134e-3, [5]float64{3.298677, 1.4082404e-3, -3.963222e-6, 5.641515e-9, -2.444854e-12},
		[5]float64{2.92664, 1.4879768e-3, -5.68476e-7, 1.0097038e-10, -6.753351e-15}, 126.19, 3.396e6, 0.037},
	"H2O": {"H2O", 18.01528e-3, [5]float64{4.19864056, -2.03643410e-3, 6.52040211e-6, -5.48797062e-9, 1.77197817e-12},
		[5]float64{3.03399249, 2.17691804e-3, -1.64072518e-7, -9.70419870e-11, 1.68200992e-14}, 647.10, 22.064e6, 0.344},
	"CO": {"CO", 28.0101e-3, [5]float64{3.57953347, -6.10353680e-4, 1.01681433e-6, 9.07005884e-10, -9.04424499e-13},
		[5]float64{2.71518561, 2.06252743e-3, -9.98825771e-7, 2.30053008e-10, -2.03647716e-14}, 132.86, 3.494e6, 0.050},
	"CO2": {"CO2", 44.0095e-3, [5]float64{2.35677352, 8.98459677e-3, -7.12356269e-6, 2.45919022e-9, -1.43699548e-13},
		[5]float64{3.85746029, 4.41437026e-3, -2.21481404e-6, 5.23490188e-10, -4.72084164e-14}, 304.13, 7.377e6, 0.224},
	"CH4": {"CH4", 16.0425e-3, [5]float64{5.14987613, -1.36709788e-2, 4.91800599e-5, -4.84743026e-8, 1.66693956e-11},
		[5]float64{7.48514950e-2, 1.33909467e-2, -5.73285809e-6, 1.22292535e-9, -1.01815230e-13}, 190.56, 4.599e6, 0.011},
	"C2H4": {"C2H4", 28.0532e-3, [5]float64{3.95920148, -7.57052247e-3, 5.70990292e-5, -6.91588753e-8, 2.69884373e-11},
		[5]float64{2.03611116, 1.46454151e-2, -6.71077915e-6, 1.47222923e-9, -1.25706061e-13}, 282.35, 5.042e6, 0.087},
	"C2H6": {"C2H6", 30.0690e-3, [5]float64{4.29142492, -5.50154270e-3, 5.99438288e-5, -7.08466285e-8, 2.68685771e-11},
		[5]float64{1.07188150, 2.16852677e-2, -1.00256067e-5, 2.21412001e-9, -1.90002890e-13}, 305.32, 4.872e6, 0.099},
	"Ar": {"Ar", 39.948e-3, [5]float64{2.5}, [5]float64{2.5}, 150.69, 4.863e6, 0.000},
}

// LookupSpecies returns the substance of a name.
func LookupSpecies(name string) (Species, error) {
	if s, ok := species[name]; ok {
		return s, nil
	}
	return Species{}, fmt.Errorf("substance %q is not known: use one of %s", name, strings.Join(SpeciesNames(), ", "))
}

// SpeciesNames lists the substances that LookupSpecies knows, sorted.
func SpeciesNames() []string {
	var s []string
	for n := range species {
		s = append(s, n)
	}
	sort.Strings(s)
	return s
}

// Cp is the molar heat at constant pressure of the ideal gas at T (K),
// J/(mol K). Outside 200-3500 K it is that of the nearer end: the polynomial
// runs away there.
func (s Species) Cp(T float64) float64 {
	T = math.Min(math.Max(T, 200), 3500)
	a := s.Low
	if T > 1000 {
		a = s.High
	}
	return R * (a[0] + T*(a[1]+T*(a[2]+T*(a[3]+T*a[4]))))
}

// A Part is one substance of a mixture and its mole fraction.
type Part struct {
	Species
	Fraction float64
}

// A Mixture is a gas of several substances; the fractions add up to 1.
type Mixture []Part

// NewMixture makes a mixture from mole (or volume) fractions in any common
// unit, per cent for example; they are scaled to add up to 1. Fractions are not
// negative and at least one is positive.
func NewMixture(fractions map[string]float64) (Mixture, error) {
	names := make([]string, 0, len(fractions))
	sum := 0.0
	for n, x := range fractions {
		if !(x >= 0) || math.IsInf(x, 0) {
			return nil, fmt.Errorf("fraction of %s is %g: give one of 0 or more", n, x)
		}
		names = append(names, n)
	}
	sort.Strings(names) // the order of summation must not depend on the map
	var m Mixture
	for _, n := range names {
		s, err := LookupSpecies(n)
		if err != nil {
			return nil, err
		}
		sum += fractions[n]
		m = append(m, Part{s, fractions[n]})
	}
	if !(sum > 0) {
		return nil, fmt.Errorf("a mixture of nothing: give at least one positive fraction")
	}
	for i := range m {
		m[i].Fraction /= sum
	}
	return m, nil
}

// MolarMass is that of the mixture, kg/mol.
func (m Mixture) MolarMass() float64 {
	sum := 0.0
	for _, p := range m {
		sum += p.Fraction * p.Species.MolarMass
	}
	return sum
}

// Cp is the molar heat at constant pressure at T (K), J/(mol K), without
// reaction between the substances.
func (m Mixture) Cp(T float64) float64 {
	sum := 0.0
	for _, p := range m {
		sum += p.Fraction * p.Species.Cp(T)
	}
	return sum
}

// Gamma is the ratio of specific heats at T (K): cp/(cp-R).
func (m Mixture) Gamma(T float64) float64 { cp := m.Cp(T); return cp / (cp - R) }

// Gas is the mixture as an ideal gas with the specific heats it has at T (K).
func (m Mixture) Gas(T float64) Gas {
	return Gas{Name: "vent gas", MolarMass: m.MolarMass(), Gamma: m.Gamma(T)}
}

// Published compositions of vent gas, volume per cent: Golubkov et al., RSC
// Advances 4 (2014) 3633, as remembered ("from memory"): of three 18650 cells.
var ventGases = map[string]map[string]float64{
	"LCO/NMC": {"H2": 30.0, "CO2": 24.9, "CO": 27.6, "CH4": 8.6, "C2H4": 7.7, "C2H6": 1.2},
	"NMC":     {"H2": 30.8, "CO2": 41.2, "CO": 13.0, "CH4": 6.8, "C2H4": 8.2},
	"LFP":     {"H2": 30.9, "CO2": 53.0, "CO": 4.8, "CH4": 4.1, "C2H4": 6.8, "C2H6": 0.3},
}

// VentGas is the published composition of a cathode's vent gas (LCO/NMC, NMC,
// LFP). The spread between cells of one cathode is large: better is a measured
// composition.
func VentGas(cathode string) (Mixture, error) {
	f, ok := ventGases[cathode]
	if !ok {
		return nil, fmt.Errorf("no composition for cathode %q: use LCO/NMC, NMC, LFP, or give fractions", cathode)
	}
	return NewMixture(f)
}
