package sim

import (
	"fmt"

	"ventward/daq"
)

// inverse turns a value in a channel's unit into the raw reading that the
// channel's curve describes: the transducer and the converter, seen from the
// physical side.
type inverse struct {
	gain, offset float64 // raw = gain * x + offset, x the value or, for a thermocouple, the EMF in mV
	couple       bool
	table        emfTable
	zero         float64
	junctionC    float64 // where no channel measures the junction
	fixed        bool    // junctionC holds
}

// invert reads the curve's fields and shares no formula with its owner.
func invert(ch *daq.Channel) (inverse, error) {
	c := &ch.Curve
	scale := c.ScaleGain
	if scale == 0 {
		scale = 1
	}
	// signal = scale*raw + ScaleOffset, so raw = (signal - ScaleOffset)/scale.
	v := inverse{gain: 1 / scale, offset: -c.ScaleOffset / scale, zero: c.Zero}
	switch c.Kind {
	case "":
	case "linear":
		if c.Gain == 0 {
			return v, fmt.Errorf("curve linear: gain is 0: give the unit per signal unit of the certificate")
		}
		v.gain, v.offset = v.gain/c.Gain, v.offset-v.gain*c.Offset/c.Gain
	case "current-loop":
		if c.LoopHigh == c.LoopLow {
			return v, fmt.Errorf("curve current-loop: 4 mA and 20 mA both mean %g: give two values", c.LoopLow)
		}
		slope := 16 / (c.LoopHigh - c.LoopLow) // mA per unit
		v.gain, v.offset = v.gain*slope, v.offset+v.gain*(4-slope*c.LoopLow)
	case "thermocouple":
		t, err := thermocouple(c.Thermocouple)
		if err != nil {
			return v, fmt.Errorf("curve thermocouple: %w", err)
		}
		v.couple, v.table, v.junctionC, v.fixed = true, t, c.JunctionC, c.Junction == ""
	case "digital":
		v.gain, v.offset = 1, 0
		if c.Mask != 0 {
			v.gain = float64(c.Mask & -c.Mask) // the lowest bit it looks at
		}
		if c.Inverted {
			v.gain, v.offset = -v.gain, v.gain
		}
	default:
		return v, fmt.Errorf("curve kind %q is not played: use linear, current-loop, thermocouple or digital", c.Kind)
	}
	return v, nil
}

// raw is the reading for a value; junction is the cold junction's true
// temperature in °C.
func (v *inverse) raw(x, junction float64) float64 {
	x += v.zero
	if v.couple {
		if v.fixed {
			junction = v.junctionC
		}
		x = v.table.emf(x) - v.table.emf(junction)
	}
	return v.gain*x + v.offset
}
