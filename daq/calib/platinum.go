package calib

import "math"

// Coefficients of IEC 60751 for industrial platinum thermometers (from memory;
// checked against testdata/its90/checks.csv): R = R0*(1 + At + Bt² + C(t-100)t³),
// the last term below 0 °C only, t in °C.
const (
	platinumA = 3.9083e-3
	platinumB = -5.775e-7
	platinumC = -4.183e-12
)

// The range of the function, °C.
const (
	PlatinumLowC  = -200.0
	PlatinumHighC = 850.0
)

// PlatinumRatio returns R(t)/R0 at t °C by IEC 60751; NaN outside its range.
func PlatinumRatio(t float64) float64 {
	if !(t >= PlatinumLowC && t <= PlatinumHighC) {
		return math.NaN()
	}
	r, _ := platinumRatio(t)
	return r
}

func platinumRatio(t float64) (r, dr float64) {
	r = 1 + t*(platinumA+t*platinumB)
	dr = platinumA + 2*platinumB*t
	if t < 0 {
		r += platinumC * (t - 100) * t * t * t
		dr += platinumC * t * t * (4*t - 300)
	}
	return r, dr
}

// PlatinumTemperature returns the t in °C at which R/R0 is the ratio: the exact
// inverse, in closed form from 0 °C on and by Newton's method below. ok is false
// outside the range; t is then the nearer end, or NaN for a NaN.
func PlatinumTemperature(ratio float64) (t float64, ok bool) {
	if math.IsNaN(ratio) {
		return ratio, false
	}
	low, _ := platinumRatio(PlatinumLowC)
	high, _ := platinumRatio(PlatinumHighC)
	switch {
	case ratio < low:
		return PlatinumLowC, ratio >= low-1e-9
	case ratio > high:
		return PlatinumHighC, ratio <= high+1e-9
	}
	// A stable root of Bt² + At + 1 - ratio: no difference of near-equal numbers.
	t = 2 * (ratio - 1) / (platinumA + math.Sqrt(platinumA*platinumA+4*platinumB*(ratio-1)))
	if ratio >= 1 {
		return t, true
	}
	// Below 0 °C R rises and is concave, so that Newton's steps converge at once
	// from the quadratic's root, which is at most 3 K off.
	for range 8 {
		r, dr := platinumRatio(t)
		step := (r - ratio) / dr
		t -= step
		if math.Abs(step) < 1e-10 {
			break
		}
	}
	return t, true
}

// A resistor is the law of a platinum thermometer.
type resistor struct{ r0, lead float64 }

func (l *resistor) value(_, ohm, _ float64) (float64, Fault) {
	t, ok := PlatinumTemperature((ohm - l.lead) / l.r0)
	switch {
	case ok:
		return t, Sound
	case t == PlatinumHighC: // an open wire is an endless resistance
		return t, OpenLoop
	}
	return t, OffTable
}

// platinumTolerances are those of IEC 60751:2008 (from memory): |dt| <= base +
// rel*|t|, in °C, on the range of wire-wound elements.
var platinumTolerances = map[string]struct{ base, rel, lo, hi float64 }{
	"AA": {0.1, 0.0017, -50, 250},
	"A":  {0.15, 0.002, -100, 450},
	"B":  {0.3, 0.005, -196, 600},
	"C":  {0.6, 0.01, -196, 600},
}

// PlatinumClasses lists the tolerance classes.
func PlatinumClasses() []string { return []string{"AA", "A", "B", "C"} }

// PlatinumToleranceC returns the tolerance in °C of a class at t °C, a bound on
// both sides. ok is false where the standard states none: then it is the
// formula's all the same, or 0 for an unknown class.
func PlatinumToleranceC(class string, t float64) (c float64, ok bool) {
	r, known := platinumTolerances[class]
	if !known {
		return 0, false
	}
	return r.base + r.rel*math.Abs(t), t >= r.lo && t <= r.hi
}
