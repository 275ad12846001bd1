package calib

import (
	"fmt"
	"math"
	"strings"
)

// A Problem is one thing wrong with a Curve.
type Problem struct {
	Field   string // the curve's JSON name of it
	Value   string
	Message string // what is wrong and what to do
}

func (p Problem) Error() string {
	return fmt.Sprintf("%s = %s: %s", p.Field, p.Value, p.Message)
}

// Check returns everything wrong with the curve, in a fixed order.
func (c Curve) Check() []Problem {
	var ps []Problem
	add := func(field string, value any, message string) {
		ps = append(ps, Problem{field, fmt.Sprint(value), message})
	}
	for _, f := range c.numbers() {
		if math.IsNaN(f.v) || math.IsInf(f.v, 0) {
			add(f.name, f.v, "is no finite number; state one")
		}
	}
	switch c.Kind {
	case Linear:
		if c.Gain == 0 {
			add("gain", c.Gain, "every reading would be the same; state the certificate's gain, in the channel's unit per signal unit")
		}
	case CurrentLoop:
		if c.LoopLow == c.LoopHigh {
			add("loop_high", c.LoopHigh, "is the same as loop_low; state the values at 4 mA and at 20 mA")
		}
	case ThermocoupleCurve:
		c.checkThermocouple(add)
	case Platinum:
		c.checkPlatinum(add)
	case Bridge:
		c.checkBridge(add)
	case Polynomial:
		c.checkPolynomial(add)
	case Digital:
		c.checkDigital(add)
	default:
		add("kind", fmt.Sprintf("%q", c.Kind), "is not known; use "+strings.Join(Kinds(), ", "))
	}
	c.checkReference(add)
	c.checkUncertainty(add)
	return ps
}

type number struct {
	name string
	v    float64
}

func (c Curve) numbers() []number {
	return []number{{"scale_gain", c.ScaleGain}, {"scale_offset", c.ScaleOffset}, {"gain", c.Gain}, {"offset", c.Offset},
		{"loop_low", c.LoopLow}, {"loop_high", c.LoopHigh}, {"junction_C", c.JunctionC}, {"junction_u_C", c.JunctionU},
		{"zero", c.Zero}, {"zero_limit", c.ZeroLimit}, {"zero_slope_limit", c.ZeroSlopeLimit}, {"u_offset", c.UOffset}, {"u_gain", c.UGain},
		{"signal_low", c.SignalLow}, {"signal_high", c.SignalHigh}, {"excitation_V", c.ExcitationV}, {"excitation_u_V", c.ExcitationU},
		{"shunt_mV_V", c.ShuntMVV}, {"shunt_tolerance", c.ShuntTolerance}, {"r0_ohm", c.R0}, {"lead_ohm", c.LeadOhm}, {"reversed_K", c.ReversedK},
		{"seal_Pa", c.SealPa}, {"seal_u_Pa", c.SealU}, {"ambient_Pa", c.AmbientPa}, {"ambient_u_Pa", c.AmbientU}}
}

func (c Curve) checkPlatinum(add func(string, any, string)) {
	if !(c.R0 > 0) {
		add("r0_ohm", c.R0, "is no resistance; state that at 0 °C, 100 for Pt100, 1000 for Pt1000")
	}
	if _, known := platinumTolerances[c.PlatinumClass]; c.PlatinumClass != "" && !known {
		add("platinum_class", fmt.Sprintf("%q", c.PlatinumClass), "is not known; use one of "+strings.Join(PlatinumClasses(), " "))
	}
}

func (c Curve) checkBridge(add func(string, any, string)) {
	if c.Gain == 0 {
		add("gain", c.Gain, "every reading would be the same; state the certificate's gain, in the channel's unit per mV/V")
	}
	if c.ExcitationV < 0 || c.ExcitationV == 0 && c.Excitation != "" {
		add("excitation_V", c.ExcitationV, "is no excitation; state the nominal one in V")
	}
	if c.ShuntTolerance < 0 || c.ShuntTolerance >= 1 {
		add("shunt_tolerance", c.ShuntTolerance, "is no part of the change; 0.01 means 1 %")
	}
}

func (c Curve) checkPolynomial(add func(string, any, string)) {
	if n := len(c.Coefficients); n < 2 || n > MaxCoefficients {
		add("coefficients", n, fmt.Sprintf("are too few or too many; a polynomial has 2 to %d, the constant first", MaxCoefficients))
		return
	}
	for _, x := range c.Coefficients {
		if !finite(x) {
			add("coefficients", x, "is no finite number; state one")
			return
		}
	}
	switch {
	case !(c.SignalLow < c.SignalHigh):
		add("signal_high", c.SignalHigh, "is not above signal_low; state the certificate's range")
	case c.turns():
		add("coefficients", fmt.Sprint(c.Coefficients), "the polynomial turns round within its range: two signals would mean one value; check the coefficients and their order, the constant first")
	}
}

func (c Curve) checkDigital(add func(string, any, string)) {
	if c.Threshold != nil && (c.Mask != 0 || !finite(*c.Threshold)) {
		add("threshold", *c.Threshold, "stands beside a mask or is no number; state either a finite threshold of the signal or a mask of bits")
	}
	if c.Zero != 0 || c.Ambient != "" || c.SealPa != 0 {
		add("zero", c.Zero, "a digital input has neither zero nor reference; leave them out")
	}
}

func (c Curve) checkReference(add func(string, any, string)) {
	switch c.Ambient {
	case "":
		if c.Barometer != "" {
			add("barometer", fmt.Sprintf("%q", c.Barometer), "is of no use without ambient; state add or subtract")
		}
	case AddAmbient, SubtractAmbient:
		if c.Barometer == "" && !(c.AmbientPa > 0) {
			add("ambient_Pa", c.AmbientPa, "is no ambient pressure; name the barometer's channel or state the pressure in Pa")
		}
	default:
		add("ambient", fmt.Sprintf("%q", c.Ambient), "is not known; use add or subtract")
	}
	if c.SealPa < 0 {
		add("seal_Pa", c.SealPa, "is no absolute pressure; state the one that was sealed in, in Pa")
	}
}

func (c Curve) checkThermocouple(add func(string, any, string)) {
	tc := types[c.Thermocouple]
	if tc == nil {
		add("thermocouple", fmt.Sprintf("%q", c.Thermocouple), "is not a known type; name one of "+strings.Join(Thermocouples(), " "))
		return
	}
	if lo, hi := tc.direct[0].lo, tc.direct[len(tc.direct)-1].hi; c.Junction == "" && !(c.JunctionC >= lo && c.JunctionC <= hi) {
		add("junction_C", c.JunctionC, fmt.Sprintf("is outside type %s's range of %g to %g °C; state the cold junction's temperature or name its channel", tc.letter, lo, hi))
	}
	if c.Class != 0 && tc.tolerance(c.Class) == nil {
		add("class", c.Class, fmt.Sprintf("type %s has no such tolerance class; leave it out or state 1, 2 or 3 as its standard has them", tc.letter))
	}
}

func (c Curve) checkUncertainty(add func(string, any, string)) {
	for _, f := range []number{{"u_offset", c.UOffset}, {"u_gain", c.UGain}, {"junction_u_C", c.JunctionU}, {"zero_limit", c.ZeroLimit}, {"zero_slope_limit", c.ZeroSlopeLimit},
		{"reversed_K", c.ReversedK}, {"excitation_u_V", c.ExcitationU}, {"seal_u_Pa", c.SealU}, {"ambient_u_Pa", c.AmbientU}} {
		if f.v < 0 {
			add(f.name, f.v, "is negative; state a magnitude, or 0 where none is known")
		}
	}
	if c.UGain >= 1 {
		add("u_gain", c.UGain, "is 100 % or more; it is relative: 0.001 means 0.1 % of the value")
	}
	if c.ZeroLimit > 0 && math.Abs(c.Zero) > c.ZeroLimit {
		add("zero", c.Zero, fmt.Sprintf("is beyond zero_limit = %g; find out why before a zero of that size is used", c.ZeroLimit))
	}
	if c.Kind != ThermocoupleCurve && c.Class != 0 {
		add("class", c.Class, "only a thermocouple has a tolerance class; leave it out and state u_offset and u_gain")
	}
	if c.Kind != Platinum && c.PlatinumClass != "" {
		add("platinum_class", c.PlatinumClass, "only a platinum thermometer has it; leave it out")
	}
}
