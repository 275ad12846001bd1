package calib

import (
	"fmt"
	"math"
)

// excitationBand is the part of its nominal value by which a measured excitation
// may be off before the bridge counts as not supplied.
const excitationBand = 0.5

// A bridge is the law of a strain-gauge bridge whose excitation is measured.
type bridge struct{ gain, offset, nominal float64 }

func (l *bridge) value(_, mV, excitation float64) (float64, Fault) {
	if math.IsNaN(excitation) {
		return excitation, NoValue
	}
	if !(math.Abs(excitation-l.nominal) <= excitationBand*math.Abs(l.nominal)) {
		return l.offset, OpenLoop
	}
	return l.gain*(mV/excitation) + l.offset, Sound
}

// ShuntSignal returns the change in mV/V that a resistor of shunt ohm across one
// arm makes in a balanced bridge of four arms of arm ohm: 1000*arm/(4*shunt +
// 2*arm), from the two voltage dividers.
func ShuntSignal(arm, shunt float64) float64 { return 1000 * arm / (4*shunt + 2*arm) }

// A Shunt is the outcome of a shunt check, in mV/V.
type Shunt struct {
	Before   float64 `json:"before_mV_V"`
	After    float64 `json:"after_mV_V"`
	Expected float64 `json:"expected_mV_V"`
	Error    float64 `json:"error"` // of the change, relative
}

// CheckShunt compares the change of a bridge's signal, in mV/V, as its shunt is
// closed with the curve's ShuntMVV. The error says what may be wrong.
func (c Curve) CheckShunt(before, after float64) (Shunt, error) {
	s := Shunt{Before: before, After: after, Expected: c.ShuntMVV}
	if c.ShuntMVV == 0 || !(c.ShuntTolerance > 0) {
		return s, fmt.Errorf("shunt check: shunt_mV_V = %g, shunt_tolerance = %g: state both from the transducer's certificate", c.ShuntMVV, c.ShuntTolerance)
	}
	if !finite(before) || !finite(after) {
		return s, fmt.Errorf("shunt check: the signals are %g and %g mV/V: read both", before, after)
	}
	change := after - before
	s.Error = change/c.ShuntMVV - 1
	switch {
	case math.Abs(s.Error) <= c.ShuntTolerance:
		return s, nil
	case math.Abs(-change/c.ShuntMVV-1) <= c.ShuntTolerance:
		return s, fmt.Errorf("shunt check: the signal changed by %.5g mV/V, the wrong way: exchange the signal wires", change)
	case math.Abs(change) < 0.1*math.Abs(c.ShuntMVV):
		return s, fmt.Errorf("shunt check: the signal changed by %.5g mV/V instead of %.5g: is the shunt switched on, the bridge connected and supplied?", change, c.ShuntMVV)
	}
	return s, fmt.Errorf("shunt check: the signal changed by %.5g mV/V instead of %.5g, %.2g %% off, more than %.2g %%: check excitation, leads and sensitivity before the next shot",
		change, c.ShuntMVV, 100*s.Error, 100*c.ShuntTolerance)
}
