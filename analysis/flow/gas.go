package flow

import (
	"fmt"
	"math"
	"sort"
	"strings"
)

// R is the molar gas constant, J/(mol K): exact since the SI of 2019 (CODATA
// 2018).
const R = 8.31446261815324

// A Gas is an ideal gas with constant specific heats.
type Gas struct {
	Name      string
	MolarMass float64 // kg/mol
	Gamma     float64 // ratio of specific heats near 20 °C and 1 bar
}

// Molar masses follow the IUPAC atomic weights; the ratios of specific heats
// are the usual round values near 20 °C and 1 bar (from memory; within 0.5 % of
// the NIST Chemistry WebBook as remembered).
var gases = map[string]Gas{
	"N2":  {Name: "N2", MolarMass: 0.0280134, Gamma: 1.400},
	"air": {Name: "air", MolarMass: 0.0289647, Gamma: 1.400},
	"Ar":  {Name: "Ar", MolarMass: 0.039948, Gamma: 5.0 / 3},
	"CO2": {Name: "CO2", MolarMass: 0.0440095, Gamma: 1.289},
}

// Lookup returns the gas of a name (N2, air, Ar, CO2).
func Lookup(name string) (Gas, error) {
	if g, ok := gases[name]; ok {
		return g, nil
	}
	return Gas{}, fmt.Errorf("gas %q is not known: use one of %s", name, strings.Join(Names(), ", "))
}

// Names lists the gases that Lookup knows, sorted.
func Names() []string {
	var s []string
	for n := range gases {
		s = append(s, n)
	}
	sort.Strings(s)
	return s
}

// SpecificR is the gas constant per mass, J/(kg K).
func (g Gas) SpecificR() float64 { return R / g.MolarMass }

// SoundSpeed is the speed of sound at temperature T (K), m/s.
func (g Gas) SoundSpeed(T float64) float64 { return math.Sqrt(g.Gamma * g.SpecificR() * T) }
