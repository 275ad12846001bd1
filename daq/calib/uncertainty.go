package calib

import "math"

// U returns the standard uncertainty (k = 1) of a value v, in the channel's
// unit: the certificate's offset and gain parts in quadrature (GUM, JCGM 100,
// 5.1.2, the two taken as independent), or what the tolerance class states, and
// the cold junction's. It is fully correlated along a run: it is combined once,
// at the result, and never divided by the root of a number of samples. 0: none
// is stated.
func (c Curve) U(v float64) float64 {
	return math.Hypot(math.Hypot(c.UOffsetAt(v), c.UGainAt(v)), c.uJunction(v))
}

// UDifference returns the standard uncertainty of a difference d of two values
// of the same channel in the same run: the offset part cancels and the gain
// part remains. The cold junction's part cancels too.
func (c Curve) UDifference(d float64) float64 { return c.UGainAt(d) }

// UOffsetAt is the part of U that is the same for every value: the
// certificate's, or the floor of the tolerance class as a rectangular
// distribution (half width / sqrt 3; GUM, JCGM 100, 4.3.7), and what the
// transducer is referred to.
func (c Curve) UOffsetAt(v float64) float64 {
	return math.Hypot(c.uOffset(v), math.Hypot(c.SealU, c.uAmbient()))
}

func (c Curve) uAmbient() float64 {
	if c.Ambient == "" {
		return 0
	}
	return c.AmbientU
}

func (c Curve) uOffset(v float64) float64 {
	if base, rel, ok := c.statedPlatinum(); ok {
		// The class bounds base + rel*|v| as a whole: this part and UGainAt in
		// quadrature give that.
		g := rel * math.Abs(v)
		return math.Sqrt((base*base + 2*base*g) / 3)
	}
	r := c.stated()
	if r == nil {
		return c.UOffset
	}
	if r.from == 0 && r.rel*math.Abs(v) > r.floor {
		return 0
	}
	return r.floor / math.Sqrt(3)
}

// UGainAt is the part of U in proportion to the value. Where the class's
// tolerance has grown beyond its floor the whole of it is of that kind. Of a
// bridge it holds the excitation's part.
func (c Curve) UGainAt(v float64) float64 {
	if _, rel, ok := c.statedPlatinum(); ok {
		return rel * math.Abs(v) / math.Sqrt(3)
	}
	r := c.stated()
	if r == nil {
		return math.Hypot(c.UGain, c.uExcitation()) * math.Abs(v)
	}
	if r.from != 0 {
		return r.rel * math.Max(0, v-r.from) / math.Sqrt(3)
	}
	if g := r.rel * math.Abs(v); g > r.floor {
		return g / math.Sqrt(3)
	}
	return 0
}

// uExcitation is the relative uncertainty that a bridge's excitation brings.
func (c Curve) uExcitation() float64 {
	if c.Kind != Bridge || c.ExcitationV == 0 {
		return 0
	}
	return c.ExcitationU / math.Abs(c.ExcitationV)
}

// statedPlatinum returns the tolerance class that stands in for a certificate.
func (c Curve) statedPlatinum() (base, rel float64, ok bool) {
	if c.Kind != Platinum || c.UOffset != 0 || c.UGain != 0 {
		return 0, 0, false
	}
	t, ok := platinumTolerances[c.PlatinumClass]
	return t.base, t.rel, ok
}

// stated returns the tolerance that stands in for a certificate, or nil.
func (c Curve) stated() *tolerance {
	if c.Kind != ThermocoupleCurve || c.Class == 0 || c.UOffset != 0 || c.UGain != 0 {
		return nil
	}
	if tc := types[c.Thermocouple]; tc != nil {
		return tc.tolerance(c.Class)
	}
	return nil
}

// uJunction carries the cold junction's uncertainty to the hot one. Where the
// junction is measured its temperature is not known here: JunctionC stands
// for it, and 25 °C where that is 0, which moves the sensitivity by less than
// 2 % of itself for the base-metal types.
func (c Curve) uJunction(v float64) float64 {
	if c.Kind != ThermocoupleCurve || c.JunctionU == 0 {
		return 0
	}
	tc := types[c.Thermocouple]
	if tc == nil {
		return 0
	}
	cold := c.JunctionC
	if c.Junction != "" && cold == 0 {
		cold = 25
	}
	return math.Abs(tc.JunctionSensitivity(v, cold)) * c.JunctionU
}
