package flow

import (
	"fmt"
	"math"
)

// FannoLength is 4fL*/D (f: Fanning's friction factor), what a duct may have at
// most when gas enters at Mach number M, 0 < M <= 1, and leaves at the speed of
// sound, without heat: (1-M²)/(γM²) + (γ+1)/(2γ)·ln((γ+1)M²/(2+(γ-1)M²))
// (Shapiro, The Dynamics and Thermodynamics of Compressible Fluid Flow, 1953).
func FannoLength(M, gamma float64) float64 {
	m := M * M
	return (1-m)/(gamma*m) + (gamma+1)/(2*gamma)*math.Log((gamma+1)*m/(2+(gamma-1)*m))
}

// FannoPressure is p/p* at Mach number M of that flow:
// (1/M)·sqrt((γ+1)/(2+(γ-1)M²)) (Shapiro 1953).
func FannoPressure(M, gamma float64) float64 {
	return math.Sqrt((gamma+1)/(2+(gamma-1)*M*M)) / M
}

// FannoMach inverts FannoLength on the subsonic branch: the Mach number at the
// entrance of a duct of 4fL/D = x that chokes at its end. x >= 0.
func FannoMach(x, gamma float64) float64 {
	lo, hi := 1e-6, 1.0
	for range 200 {
		mid := math.Sqrt(lo * hi)
		if FannoLength(mid, gamma) > x {
			lo = mid
		} else {
			hi = mid
		}
		if hi-lo < 1e-15 {
			break
		}
	}
	return math.Sqrt(lo * hi)
}

// FannoFlux is the mass flux (kg/(m² s)) through a duct of 4fL/D = x from a
// vessel at p0 (Pa absolute) and T0 (K) into pb: isentropic inlet, adiabatic
// friction along it, and choked at its end where pb is low enough. A core kept
// open is such a duct, as an estimate: its wall is no smooth pipe's.
func (g Gas) FannoFlux(p0, pb, T0, x float64) (float64, error) {
	switch {
	case !(p0 > 0) || !(pb >= 0) || !(T0 > 0) || !(x >= 0) || math.IsInf(x, 0):
		return 0, fmt.Errorf("duct from %g Pa into %g Pa at %g K with 4fL/D %g: give absolute pressures, a positive temperature and 4fL/D of 0 or more", p0, pb, T0, x)
	case pb >= p0:
		return 0, nil
	}
	k := g.Gamma
	// exit is the pressure at the end of the duct, over p0, for a Mach number at
	// its entrance; 0 when it is the choked one
	choked := FannoMach(x, k)
	exit := func(M float64) (pe float64) {
		me := FannoMach(math.Max(FannoLength(M, k)-x, 0), k)
		return PressureRatio(M, k) * FannoPressure(me, k) / FannoPressure(M, k)
	}
	flux := func(M float64) float64 {
		return p0 * PressureRatio(M, k) * M * math.Sqrt(k/(g.SpecificR()*T0*TemperatureRatio(M, k)))
	}
	if exit(choked) >= pb/p0 {
		return flux(choked), nil
	}
	lo, hi := 0.0, choked // the faster the flow, the lower the pressure at the end
	for range 100 {
		mid := (lo + hi) / 2
		if mid > 1e-6 && exit(mid) < pb/p0 {
			hi = mid
		} else {
			lo = mid
		}
	}
	return flux((lo + hi) / 2), nil
}

// A Passage is a piece of the way that gas takes inside a cell: a channel
// (Laminar and Turbulent from Duct) or a porous body (from Porous). The
// difference of the squares of the pressures at its ends is
// 2·Rs·T·(Laminar·G + Turbulent·G·|G|) with the mass flux G: the isothermal
// flow of an ideal gas with Darcy's (or Hagen and Poiseuille's) law for slow
// and a friction factor (Forchheimer's term) for fast flow. The kinetic energy
// gained along the piece is neglected; a cap at the choked flux stands for it.
type Passage struct {
	AreaM2    float64
	Laminar   float64 // m/s: viscosity·length/permeability over a density, see above
	Turbulent float64 // -, f_Darcy·L/(2D) for a duct
}

// Duct is a round channel of diameter d and length l (m) for a gas of dynamic
// viscosity mu (Pa s) with Darcy's friction factor fd (4 times Fanning's):
// Hagen and Poiseuille's 32·mu·l/d², and fd·l/(2d).
func Duct(d, l, mu, fd float64) Passage {
	return Passage{AreaM2: math.Pi / 4 * d * d, Laminar: 32 * mu * l / (d * d), Turbulent: fd * l / (2 * d)}
}

// Porous is a body of cross-section area (m²) and length l (m) that gas of
// viscosity mu passes by Darcy's law with the given permeability (m²). A jelly
// roll is such a body, as an estimate only: its permeability along the axis
// spreads over decades and changes while it burns.
func Porous(area, l, mu, permeability float64) Passage {
	return Passage{AreaM2: area, Laminar: mu * l / permeability}
}

// MassFlow is the mass flow (kg/s) from p1 to p2 (Pa absolute) at T (K);
// negative where p2 is the higher.
func (w Passage) MassFlow(g Gas, p1, p2, T float64) float64 {
	return w.MassFlowAt(p1, p2, g.SpecificR()*T, g.ChokedFlux(1, T))
}

// MassFlowAt is MassFlow with what depends on gas and temperature only handed
// in: rt = Rs·T (J/kg), choke = the choked flux a pascal (s/m).
func (w Passage) MassFlowAt(p1, p2, rt, choke float64) float64 {
	if w.AreaM2 <= 0 || p1 == p2 {
		return 0
	}
	drive := math.Abs((p1-p2)*(p1+p2)) / (2 * rt)
	var G float64
	switch b := w.Laminar; {
	case w.Turbulent > 0:
		G = 2 * drive / (b + math.Sqrt(b*b+4*w.Turbulent*drive))
	case b > 0:
		G = drive / b
	default:
		G = math.Inf(1)
	}
	if most := choke * math.Max(p1, p2); G > most {
		G = most
	}
	return math.Copysign(G*w.AreaM2, p1-p2)
}

// Viscosity is the dynamic viscosity of a hot vent gas (Pa s) at T (K), by
// Sutherland's law with the constants of air (1.716e-5 Pa s at 273.15 K, 110.4
// K; White, Viscous Fluid Flow, from memory). Within 30 % or so for the mixture
// of light and heavy gases that a cell gives.
func Viscosity(T float64) float64 {
	return 1.716e-5 * math.Pow(T/273.15, 1.5) * (273.15 + 110.4) / (T + 110.4)
}
