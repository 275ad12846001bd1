package analysis

import (
	"fmt"
	"math"
)

// MechanicsCaution goes with every figure of this file.
const MechanicsCaution = "Estimate only: have a qualified person check it. Drawn and scored metal is not the metal of the data sheet."

// A Stress is the state of stress at one place of a wall, Pa; tension positive.
type Stress struct{ Hoop, Axial, Radial float64 }

// Mises is the equivalent stress of von Mises, Pa.
func (s Stress) Mises() float64 {
	a, b, c := s.Hoop-s.Axial, s.Axial-s.Radial, s.Radial-s.Hoop
	return math.Sqrt((a*a + b*b + c*c) / 2)
}

// ThinCylinder is the membrane stress of a closed thin cylinder of diameter d
// and wall t (m) under the pressure difference p (Pa): hoop p·d/(2t), axial half
// of it (Barlow; textbook). Domain t below about d/20; d is the mean diameter,
// or to be on the safe side the outer.
func ThinCylinder(p, d, t float64) (Stress, error) {
	if !positive(p) || !positive(d) || !positive(t) || t > d/20 {
		return Stress{}, fmt.Errorf("thin cylinder of %g m with a wall of %g m under %g Pa: give positive numbers and a wall below a twentieth of the diameter, or use the thick one", d, t, p)
	}
	h := p * d / (2 * t)
	return Stress{Hoop: h, Axial: h / 2}, nil
}

// ThickCylinder is Lamé's stress at radius r of a closed cylinder from ri to ro
// (m) under the internal pressure p (Pa) (Timoshenko; Roark, table 13.5):
// p·ri²/(ro²-ri²)·(1 ± ro²/r²), axial p·ri²/(ro²-ri²).
func ThickCylinder(p, ri, ro, r float64) (Stress, error) {
	if !positive(p) || !positive(ri) || !(ro > ri) || math.IsInf(ro, 0) || r < ri || r > ro {
		return Stress{}, fmt.Errorf("cylinder from %g m to %g m at %g m under %g Pa: give 0 < ri <= r <= ro and a positive pressure", ri, ro, r, p)
	}
	a := p * ri * ri / (ro*ro - ri*ri)
	q := ro * ro / (r * r)
	return Stress{Hoop: a * (1 + q), Axial: a, Radial: a * (1 - q)}, nil
}

// FaupelBurst is the burst pressure (Pa) of a closed cylinder with yield
// strength sy and tensile strength su (Pa): 2/√3·sy·(2-sy/su)·ln(ro/ri) (Faupel,
// Trans. ASME 78 (1956) 1031; formula from memory).
func FaupelBurst(sy, su, ri, ro float64) (float64, error) {
	if !positive(sy) || !(su >= sy) || !positive(ri) || !(ro > ri) {
		return 0, fmt.Errorf("cylinder from %g m to %g m of %g and %g Pa: give 0 < ri < ro and 0 < yield <= tensile strength", ri, ro, sy, su)
	}
	return 2 / math.Sqrt(3) * sy * (2 - sy/su) * math.Log(ro/ri), nil
}

// SvenssonBurst is the burst pressure (Pa) of a closed cylinder with tensile
// strength su (Pa) and strain-hardening exponent n:
// su·0.25/(n+0.227)·(e/n)^n·ln(ro/ri) (Svensson, J. Appl. Mech. 25 (1958) 89;
// formula from memory). Domain 0 < n < 1.
func SvenssonBurst(su, n, ri, ro float64) (float64, error) {
	if !positive(su) || !(n > 0 && n < 1) || !positive(ri) || !(ro > ri) {
		return 0, fmt.Errorf("cylinder from %g m to %g m of %g Pa, exponent %g: give 0 < ri < ro, a positive strength and an exponent between 0 and 1", ri, ro, su, n)
	}
	return su * 0.25 / (n + 0.227) * math.Pow(math.E/n, n) * math.Log(ro/ri), nil
}

// CrimpLoad is what the pressure difference p (Pa) asks of the crimp that holds
// a header of sealing diameter d (m): the axial force (N) and the force a length
// of the crimp (N/m). What a crimp bears is found by test, not by formula.
func CrimpLoad(p, d float64) (force, perLength float64) {
	return p * math.Pi / 4 * d * d, p * d / 4
}

// CrimpPressure is the pressure difference (Pa) at which a crimp that bears
// perLength (N/m), from a test, lets go of a header of diameter d (m).
func CrimpPressure(perLength, d float64) float64 { return 4 * perLength / d }

// A Plate is a flat round plate of radius A and thickness T (m), modulus E (Pa)
// and Poisson's ratio Nu, under even pressure. Small deflections: up to about
// half the thickness.
type Plate struct{ A, T, E, Nu float64 }

// Stiffness is E·t³/(12(1-ν²)), N m (Timoshenko and Woinowsky-Krieger).
func (s Plate) Stiffness() float64 { return s.E * s.T * s.T * s.T / (12 * (1 - s.Nu*s.Nu)) }

// Clamped gives deflection at the centre (m), moments at centre and edge (N), and
// the stress at centre and edge (Pa), of a plate clamped at its edge under q
// (Pa): q·a⁴/(64D), q·a²(1+ν)/16, -q·a²/8 and 6M/t² (Timoshenko and
// Woinowsky-Krieger, articles 16-17; Roark, table 11.2, case 10).
func (s Plate) Clamped(q float64) (w, centre, edge, stressCentre, stressEdge float64) {
	w = q * math.Pow(s.A, 4) / (64 * s.Stiffness())
	centre = q * s.A * s.A * (1 + s.Nu) / 16
	edge = -q * s.A * s.A / 8
	return w, centre, edge, 6 * centre / (s.T * s.T), -6 * edge / (s.T * s.T)
}

// Supported gives deflection (m), moment (N) and stress (Pa) at the centre of a
// plate simply supported at its edge: (5+ν)·q·a⁴/(64(1+ν)D), q·a²(3+ν)/16.
func (s Plate) Supported(q float64) (w, centre, stress float64) {
	w = (5 + s.Nu) * q * math.Pow(s.A, 4) / (64 * (1 + s.Nu) * s.Stiffness())
	centre = q * s.A * s.A * (3 + s.Nu) / 16
	return w, centre, 6 * centre / (s.T * s.T)
}

// LargeDeflection is the pressure (Pa) that bends a clamped plate by y (m) at
// the centre, beyond small deflections:
// E·t⁴/a⁴·(5.33/(1-ν²)·y/t + 2.6/(1-ν²)·(y/t)³) (Roark 11.11, from memory).
func (s Plate) LargeDeflection(y float64) float64 {
	x := y / s.T
	return s.E * math.Pow(s.T/s.A, 4) * (5.33*x + 2.6*x*x*x) / (1 - s.Nu*s.Nu)
}

// An Estimate is a figure with the band in which it may be believed. The band
// is no interval of confidence: it is how far such formulas are off in use.
type Estimate struct {
	Value, Low, High float64
	Method           string
	Caution          string
}

// Limits of the metal's shear strength over its tensile strength: von Mises'
// 1/√3 and what punching shows for soft steel, about 0.8 (common practice, no
// source).
const (
	shearLow  = 0.577
	shearHigh = 0.80
)

// ScoredDisc estimates the opening pressure (Pa, difference) of a disc that is
// scored round at radius a (m) down to the residual thickness t (m), of tensile
// strength su (Pa), at hot times it: the residual ring shears, p = 2·t·τ/a with
// τ = 0.577 to 0.80 of su (balance of forces). The ring also bends and the disc
// bulges, so the band is that of τ and 25 % more to either side (common
// practice, no source). ScoredBy, from measured pieces, is better by far.
func ScoredDisc(t, a, su, hot float64) (Estimate, error) {
	if !positive(t) || !positive(a) || !positive(su) || !(hot > 0 && hot <= 1) || t > a/2 {
		return Estimate{}, fmt.Errorf("score of radius %g m down to %g m in metal of %g Pa with hot factor %g: give positive numbers, a residual thickness below half the radius and a factor up to 1", a, t, su, hot)
	}
	k := 2 * t * su * hot / a
	return Estimate{Value: k * (shearLow + shearHigh) / 2, Low: 0.75 * k * shearLow, High: 1.25 * k * shearHigh,
		Method: "shear of the residual ring, 2·t·τ/a", Caution: MechanicsCaution}, nil
}

// ScoredBy scales a measured opening pressure p (Pa) of pieces of residual
// thickness t (m) to the thickness want (m): in proportion, with standard
// uncertainties up and ut of the measured means. The band is k = 2 and, for the
// part that is extrapolated, the difference between a power of 1 (shear) and 2
// (bending) of the thickness.
func ScoredBy(p, up, t, ut, want float64) (Estimate, error) {
	if !positive(p) || !positive(t) || !positive(want) || !(up >= 0) || !(ut >= 0) {
		return Estimate{}, fmt.Errorf("opening at %g Pa for %g m, wanted for %g m: give positive numbers", p, t, want)
	}
	r := want / t
	v := p * r
	u := 2 * v * math.Hypot(up/p, ut/t)
	bend := p * r * r
	return Estimate{Value: v, Low: math.Min(v, bend) - u, High: math.Max(v, bend) + u,
		Method: "in proportion to the residual thickness, from measured pieces", Caution: MechanicsCaution}, nil
}
