package flow

import (
	"fmt"
	"math"
)

// Compressibility is the factor Z = pV/(nRT) of the mixture as a gas at p (Pa
// absolute) and T (K), by the cubic equation of Peng and Robinson (Ind. Eng.
// Chem. Fundam. 15 (1976) 59) with van der Waals' mixing rules and no binary
// interaction. Within about 2 % for the gases here above 1.5 times the critical
// temperature of the mixture and up to 300 bar (experience with the equation,
// from memory; hydrogen comes out up to 3 % low); a vent gas with much CO2 near room temperature is outside that.
// Of three roots the gas's, the largest, is returned.
func (m Mixture) Compressibility(p, T float64) (float64, error) {
	if len(m) == 0 || !(p >= 0) || !(T > 0) || math.IsInf(p, 0) || math.IsInf(T, 0) {
		return 0, fmt.Errorf("compressibility at %g Pa and %g K: give a mixture, an absolute pressure of 0 or more and a positive temperature", p, T)
	}
	sa, b := 0.0, 0.0
	for _, x := range m {
		kappa := 0.37464 + 1.54226*x.Omega - 0.26992*x.Omega*x.Omega
		alpha := 1 + kappa*(1-math.Sqrt(T/x.TcK))
		ac := 0.45723553 * R * R * x.TcK * x.TcK / x.PcPa
		// with no interaction the double sum of sqrt(a_i a_j) is a square
		sa += x.Fraction * math.Sqrt(ac) * math.Abs(alpha)
		b += x.Fraction * 0.07779607 * R * x.TcK / x.PcPa
	}
	A, B := sa*sa*p/(R*R*T*T), b*p/(R*T)
	return largestRoot(B-1, A-3*B*B-2*B, -(A*B - B*B - B*B*B)), nil
}

// largestRoot is the largest real root of x³ + c2 x² + c1 x + c0.
func largestRoot(c2, c1, c0 float64) float64 {
	q := (c2*c2 - 3*c1) / 9
	r := (2*c2*c2*c2 - 9*c2*c1 + 27*c0) / 54
	var x float64
	if d := q*q*q - r*r; d >= 0 {
		th := 0.0
		if q > 0 {
			th = math.Acos(math.Max(-1, math.Min(1, r/math.Sqrt(q*q*q))))
		}
		x = -2*math.Sqrt(q)*math.Cos((th+2*math.Pi)/3) - c2/3
		for _, k := range []float64{0, -2 * math.Pi} {
			x = math.Max(x, -2*math.Sqrt(q)*math.Cos((th+k)/3)-c2/3)
		}
	} else {
		a := -math.Copysign(math.Cbrt(math.Abs(r)+math.Sqrt(-d)), r)
		x = a - c2/3
		if a != 0 {
			x += q / a
		}
	}
	for range 3 { // polish: the formulas lose digits near a double root
		f, df := c0+x*(c1+x*(c2+x)), c1+x*(2*c2+3*x)
		if df == 0 {
			break
		}
		x -= f / df
	}
	return x
}
