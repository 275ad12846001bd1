package sim

import (
	"fmt"
	"math"

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

	r0, lead     float64   // ohm, of a platinum thermometer; 0: none
	coefficients []float64 // of a polynomial certificate
	low, high    float64   // its range, in the signal
	ambient      float64   // of the true ambient pressure that the transducer lacks
	sealed       float64   // Pa sealed in, less what a stated ambient pressure adds
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
	case "bridge":
		if c.Gain == 0 {
			return v, fmt.Errorf("curve bridge: gain is 0: give the unit per mV/V of the certificate")
		}
		supply := c.ExcitationV
		if supply == 0 {
			supply = 1 // the converter itself gives mV/V
		}
		v.gain, v.offset = v.gain*supply/c.Gain, v.offset-v.gain*supply*c.Offset/c.Gain
	case "platinum":
		if !(c.R0 > 0) {
			return v, fmt.Errorf("curve platinum: R0 is %g ohm: give its resistance at 0 °C", c.R0)
		}
		v.r0, v.lead = c.R0, c.LeadOhm
	case "polynomial":
		if len(c.Coefficients) < 2 || !(c.SignalHigh > c.SignalLow) {
			return v, fmt.Errorf("curve polynomial: %d coefficients over %g to %g: give those of the certificate and its range", len(c.Coefficients), c.SignalLow, c.SignalHigh)
		}
		v.coefficients, v.low, v.high = c.Coefficients, c.SignalLow, c.SignalHigh
	case "digital":
		if c.Threshold != nil {
			v.threshold(*c.Threshold, c.Inverted)
			break
		}
		v.gain, v.offset = 1, 0
		if c.Mask != 0 {
			v.gain = float64(c.Mask & -c.Mask) // the lowest bit it looks at
		}
		if c.Inverted {
			v.gain, v.offset = -v.gain, v.gain
		}
	default:
		return v, fmt.Errorf("curve kind %q is not played: use linear, current-loop, bridge, polynomial, thermocouple, platinum or digital", c.Kind)
	}
	v.refer(ch)
	return v, nil
}

// refer takes over from what the transducer counts.
func (v *inverse) refer(ch *daq.Channel) {
	c := &ch.Curve
	v.sealed = c.SealPa
	sign := map[string]float64{"add": 1, "subtract": -1}[c.Ambient]
	if c.Barometer != "" {
		v.ambient = sign
		return
	}
	v.sealed += sign * c.AmbientPa
}

// threshold has a contact read well above the threshold where it is on, well
// below where it is off, or the other way round.
func (v *inverse) threshold(at float64, inverted bool) {
	swing := 0.8 * math.Max(math.Abs(at), 0.1)
	on, off := at+swing, at-swing
	if inverted {
		on, off = off, on
	}
	v.offset += v.gain * off // before gain changes: both are per signal
	v.gain *= on - off
}

// platinum is the resistance at a temperature in °C as a part of that at 0 °C:
// IEC 60751 (from memory; the tests hold it against fetched values).
func platinum(t float64) float64 {
	r := 1 + 3.9083e-3*t - 5.775e-7*t*t
	if t < 0 {
		r -= 4.183e-12 * (t - 100) * t * t * t
	}
	return r
}

// signalFor finds the signal at which the certificate's polynomial has a value,
// by halving; beyond the range it is the nearer end.
func (v *inverse) signalFor(x float64) float64 {
	at := func(s float64) float64 {
		y := 0.0
		for i := len(v.coefficients) - 1; i >= 0; i-- {
			y = y*s + v.coefficients[i]
		}
		return y
	}
	lo, hi := v.low, v.high
	if at(lo) > at(hi) {
		lo, hi = hi, lo
	}
	for range 60 {
		if m := (lo + hi) / 2; at(m) < x {
			lo = m
		} else {
			hi = m
		}
	}
	return (lo + hi) / 2
}

// counts is how much the reading grows for a unit near x: a jump of a sensor's
// wire knows no law.
func (v *inverse) counts(x float64) float64 {
	h := 1e-3 * math.Max(math.Abs(x), 1)
	return (v.raw(x+h, 0, 0) - v.raw(x-h, 0, 0)) / (2 * h)
}

// raw is the reading for a value; junction is the cold junction's true
// temperature in °C, ambient the true ambient pressure in Pa.
func (v *inverse) raw(x, junction, ambient float64) float64 {
	x += v.zero - v.sealed - v.ambient*ambient
	switch {
	case v.r0 > 0:
		x = v.r0*platinum(x) + v.lead
	case len(v.coefficients) > 0:
		x = v.signalFor(x)
	case v.couple:
		if v.fixed {
			junction = v.junctionC
		}
		x = v.table.emf(x) - v.table.emf(junction)
	}
	return v.gain*x + v.offset
}
