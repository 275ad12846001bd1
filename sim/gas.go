package sim

import (
	"fmt"
	"math"
)

// gas is an ideal gas with a constant ratio of specific heats.
type gas struct {
	R     float64 // J/(kg K), specific gas constant
	gamma float64
	// The two constants of a choked orifice: mass flow = A p choke/sqrt(R T),
	// and the pressure ratio below which it is choked.
	choke, critical float64
}

const molarR = 8.314462618 // J/(mol K), CODATA 2018

// gasByName knows the gases by molar mass (CIAAW atomic weights) and the ratio
// of specific heats near room temperature (textbook values, from memory).
func gasByName(name string) (gas, error) {
	molar := map[string]float64{"N2": 28.0134e-3, "air": 28.9647e-3, "Ar": 39.948e-3, "CO2": 44.0095e-3}
	gamma := map[string]float64{"N2": 1.4, "air": 1.4, "Ar": 5.0 / 3, "CO2": 1.29}
	m, ok := molar[name]
	if !ok {
		return gas{}, fmt.Errorf("gas %q is unknown: use N2, air, Ar or CO2", name)
	}
	g := gamma[name]
	return gas{
		R: molarR / m, gamma: g,
		choke:    math.Sqrt(g) * math.Pow(2/(g+1), (g+1)/(2*(g-1))),
		critical: math.Pow(2/(g+1), g/(g-1)),
	}, nil
}

// flux is the mass flow through one square metre of isentropic orifice, in
// kg/(s m2), from pressure p (Pa absolute) and temperature T (K) to back-
// pressure pb. It is negative where pb exceeds p (gas of the same temperature
// flows in). Very near to balance, where the square root has no slope, it is a
// straight line: there wall friction rules.
func (g *gas) flux(p, T, pb float64) float64 {
	if pb > p {
		return -g.flux(pb, T, p)
	}
	r := pb / p
	if r <= g.critical {
		return p * g.choke / math.Sqrt(g.R*T)
	}
	if r > 1-laminar {
		return g.subcritical(p, T, 1-laminar) * (1 - r) / laminar
	}
	return g.subcritical(p, T, r)
}

// laminar is the relative pressure difference below which flux is linear.
const laminar = 2e-3

func (g *gas) subcritical(p, T, r float64) float64 {
	e := math.Log(r) / g.gamma
	a := math.Exp(e) // r^(1/gamma)
	return p * a * math.Sqrt(2*g.gamma/((g.gamma-1)*g.R*T)*(1-r/a))
}
