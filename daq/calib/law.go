package calib

import (
	"fmt"
	"math"
)

// Fault says why the value of a Law is no sound measurement.
type Fault uint8

const (
	Sound      Fault = iota
	NoValue          // the raw reading or the cold junction is missing: the value is NaN
	OpenLoop         // current loop below 3.6 mA: broken wire or transmitter
	BelowRange       // current loop under 3.8 mA: the transmitter is at its lower end
	AboveRange       // current loop over 20.5 mA: the value is a lower bound
	Failed           // current loop over 21 mA: the transmitter reports its own failure
	OffTable         // EMF outside the thermocouple's reference function: the value is the nearer end of its range
)

var faultNames = [...]string{"sound", "no value", "open loop", "below range", "above range", "failed", "off the table"}

// String names the fault.
func (f Fault) String() string {
	if int(f) < len(faultNames) {
		return faultNames[f]
	}
	return fmt.Sprintf("Fault(%d)", uint8(f))
}

// Kinds of Curve.
const (
	Linear            = "linear"
	CurrentLoop       = "current-loop"
	ThermocoupleCurve = "thermocouple"
)

// Limits of a 4-20 mA loop in mA. A transmitter measures within 3.8 to 20.5 mA
// and signals its failure at or beyond 3.6 or 21 mA (the NAMUR convention for
// live-zero signals; from memory).
const (
	LoopOpenMA  = 3.6
	LoopUnderMA = 3.8
	LoopOverMA  = 20.5
	LoopFailMA  = 21.0
)

// A Law is a Curve made ready to be evaluated: no maps, no strings, no errors.
type Law struct {
	scale, shift float64       // signal = scale*raw + shift
	gain, offset float64       // value = gain*signal + offset
	zero         float64       // subtracted last
	loop         bool          // live-zero limits hold
	tc           *Thermocouple // nil: linear in the signal

	lawGain, lawOffset float64 // value = lawGain*raw + lawOffset
	quietLo, quietHi   float64 // raw band in which the value is sound
}

// Compile makes the curve's law. The error holds the first of Check's problems.
func Compile(c Curve) (Law, error) {
	if ps := c.Check(); len(ps) > 0 {
		return Law{}, ps[0]
	}
	l := Law{scale: c.ScaleGain, shift: c.ScaleOffset, zero: c.Zero, quietLo: -math.MaxFloat64, quietHi: math.MaxFloat64}
	if l.scale == 0 {
		l.scale = 1
	}
	switch c.Kind {
	case Linear:
		l.gain, l.offset = c.Gain, c.Offset
	case CurrentLoop:
		l.loop = true
		l.gain = (c.LoopHigh - c.LoopLow) / 16
		l.offset = c.LoopLow - 4*l.gain
		a, b := (LoopUnderMA-l.shift)/l.scale, (LoopOverMA-l.shift)/l.scale
		l.quietLo, l.quietHi = math.Min(a, b), math.Max(a, b)
	case ThermocoupleCurve:
		l.tc = types[c.Thermocouple]
	}
	l.lawGain = l.gain * l.scale
	l.lawOffset = l.gain*l.shift + l.offset - l.zero
	return l, nil
}

// Linear returns the law as value = gain*raw + offset; ok is false for a
// thermocouple, whose value needs the cold junction.
func (l *Law) Linear() (gain, offset float64, ok bool) {
	return l.lawGain, l.lawOffset, l.tc == nil
}

// Quiet returns the raw readings between which (ends included) a linear law
// has no fault, so that Value need not be asked. The band of a plain linear
// law is all finite numbers; a thermocouple's means nothing.
func (l *Law) Quiet() (lo, hi float64) { return l.quietLo, l.quietHi }

// Value turns a raw reading into the channel's unit. junctionC is the cold
// junction's temperature in °C; only thermocouples look at it. With a fault
// the value is the best there is: NaN for NoValue, the law's continuation for
// a loop, the nearer end of the range for a thermocouple.
func (l *Law) Value(raw, junctionC float64) (float64, Fault) {
	if math.IsNaN(raw) || math.IsInf(raw, 0) {
		return math.NaN(), NoValue
	}
	if l.tc != nil {
		return l.hot(l.scale*raw+l.shift, junctionC)
	}
	v := l.lawGain*raw + l.lawOffset
	if !l.loop || raw >= l.quietLo && raw <= l.quietHi {
		return v, Sound
	}
	switch i := l.scale*raw + l.shift; {
	case i < LoopOpenMA:
		return v, OpenLoop
	case i < LoopUnderMA:
		return v, BelowRange
	case i > LoopFailMA:
		return v, Failed
	case i > LoopOverMA:
		return v, AboveRange
	}
	return v, Sound
}

func (l *Law) hot(e, junctionC float64) (float64, Fault) {
	if math.IsNaN(junctionC) {
		return junctionC, NoValue
	}
	t, ok := l.tc.Compensate(e, junctionC)
	switch {
	case math.IsNaN(t):
		return t, NoValue
	case !ok:
		return t - l.zero, OffTable
	}
	return t - l.zero, Sound
}
