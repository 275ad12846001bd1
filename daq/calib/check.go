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
	default:
		add("kind", fmt.Sprintf("%q", c.Kind), "is not known; use linear, current-loop or thermocouple")
	}
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
		{"zero", c.Zero}, {"zero_limit", c.ZeroLimit}, {"zero_slope_limit", c.ZeroSlopeLimit}, {"u_offset", c.UOffset}, {"u_gain", c.UGain}}
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
	for _, f := range []number{{"u_offset", c.UOffset}, {"u_gain", c.UGain}, {"junction_u_C", c.JunctionU}, {"zero_limit", c.ZeroLimit}, {"zero_slope_limit", c.ZeroSlopeLimit}} {
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
}
