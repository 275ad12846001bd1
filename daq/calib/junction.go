package calib

import "math"

// Compensate returns the temperature in °C of the hot junction whose
// thermocouple shows e mV while its cold junction is at cold °C. The cold
// junction is added as an EMF, never as a temperature: t = E⁻¹(e + E(cold))
// (IEC 60584-1; NIST Monograph 175). ok is false where the sum or the cold
// junction is outside the type's range; t is then the nearer end, or NaN.
func (tc *Thermocouple) Compensate(e, cold float64) (t float64, ok bool) {
	return tc.Temperature(e + tc.EMF(cold))
}

// JunctionSensitivity is how many K of the hot junction's temperature one K of
// the cold junction's is worth: S(cold)/S(hot). It carries the cold junction's
// uncertainty to the result. 0 where it is not defined.
func (tc *Thermocouple) JunctionSensitivity(hot, cold float64) float64 {
	s := tc.Seebeck(cold) / tc.Seebeck(hot)
	if math.IsNaN(s) || math.IsInf(s, 0) {
		return 0
	}
	return s
}

// A tolerance is max(floor, rel*|t-from|+base) on a range, in °C.
type tolerance struct {
	types            string
	class            int
	lo, hi           float64
	floor, rel, from float64
}

// tolerances are those of IEC 60584-1:2013 (before, IEC 60584-2), as tabulated
// publicly. R and S of class 1 rise from 1100 °C on.
var tolerances = []tolerance{
	{"KN", 1, -40, 1000, 1.5, 0.004, 0}, {"KN", 2, -40, 1200, 2.5, 0.0075, 0}, {"KN", 3, -200, 40, 2.5, 0.015, 0},
	{"T", 1, -40, 350, 0.5, 0.004, 0}, {"T", 2, -40, 350, 1, 0.0075, 0}, {"T", 3, -200, 40, 1, 0.015, 0},
	{"J", 1, -40, 750, 1.5, 0.004, 0}, {"J", 2, -40, 750, 2.5, 0.0075, 0},
	{"E", 1, -40, 800, 1.5, 0.004, 0}, {"E", 2, -40, 900, 2.5, 0.0075, 0}, {"E", 3, -200, 40, 2.5, 0.015, 0},
	{"RS", 1, 0, 1600, 1, 0.003, 1100}, {"RS", 2, 0, 1600, 1.5, 0.0025, 0},
	{"B", 2, 600, 1700, 1.5, 0.0025, 0}, {"B", 3, 600, 1700, 4, 0.005, 0},
}

// ToleranceC returns the tolerance in °C of a thermocouple of the class at t °C,
// a bound on both sides. ok is false where the standard states none: then the
// tolerance is the formula's at t all the same, or 0 for an unknown class.
func (tc *Thermocouple) ToleranceC(class int, t float64) (c float64, ok bool) {
	r := tc.tolerance(class)
	if r == nil {
		return 0, false
	}
	return r.at(t), t >= r.lo && t <= r.hi
}

func (tc *Thermocouple) tolerance(class int) *tolerance {
	for i := range tolerances {
		r := &tolerances[i]
		if r.class != class {
			continue
		}
		for _, l := range r.types {
			if string(l) == tc.letter {
				return r
			}
		}
	}
	return nil
}

func (r *tolerance) at(t float64) float64 {
	if r.from != 0 {
		return r.floor + r.rel*math.Max(0, t-r.from)
	}
	return math.Max(r.floor, r.rel*math.Abs(t))
}
