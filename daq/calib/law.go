package calib

import (
	"fmt"
	"math"
)

// Fault says why the value of a Law is no sound measurement.
type Fault uint8

const (
	Sound      Fault = iota
	NoValue          // the raw reading or what it is referred to is missing: the value is NaN
	OpenLoop         // current loop below 3.6 mA, platinum thermometer beyond its range, bridge without excitation: broken wire
	BelowRange       // current loop under 3.8 mA, or below a polynomial's range: the sensor is at its lower end
	AboveRange       // current loop over 20.5 mA, or above a polynomial's range: the value is a lower bound
	Failed           // current loop over 21 mA: the transmitter reports its own failure
	OffTable         // outside the thermocouple's or the platinum thermometer's function: the value is the nearer end of its range
	Reversed         // thermocouple far colder than its cold junction: reversed wires suspected
)

var faultNames = [...]string{"sound", "no value", "open loop", "below range", "above range", "failed", "off the table", "reversed"}

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
	Platinum          = "platinum"
	Bridge            = "bridge"
	Polynomial        = "polynomial"
	Digital           = "digital"
)

// Kinds lists the kinds of Curve.
func Kinds() []string {
	return []string{Linear, CurrentLoop, ThermocoupleCurve, Platinum, Bridge, Polynomial, Digital}
}

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
	scale, shift float64 // signal = scale*raw + shift
	gain, offset float64 // value = gain*signal + offset
	zero         float64 // subtracted last
	loop         bool    // live-zero limits hold
	curve        curved  // nil: linear in the signal
	sign         float64 // of the ambient pressure that is added; 0: none is

	lawGain, lawOffset float64 // value = lawGain*raw + lawOffset
	quietLo, quietHi   float64 // raw band in which the value is sound
}

// curved is a law that isn't linear in the signal: helper is what the channel
// named by Curve.Helper reads, or what stands for it.
type curved interface {
	value(raw, signal, helper float64) (float64, Fault)
}

// Compile makes the curve's law. The error holds the first of Check's problems.
func Compile(c Curve) (Law, error) {
	if ps := c.Check(); len(ps) > 0 {
		return Law{}, ps[0]
	}
	l := Law{scale: c.ScaleGain, shift: c.ScaleOffset, zero: c.Zero - c.SealPa, quietLo: -math.MaxFloat64, quietHi: math.MaxFloat64}
	if l.scale == 0 {
		l.scale = 1
	}
	l.refer(c)
	switch c.Kind {
	case Linear:
		l.gain, l.offset = c.Gain, c.Offset
	case CurrentLoop:
		l.loop = true
		l.gain = (c.LoopHigh - c.LoopLow) / 16
		l.offset = c.LoopLow - 4*l.gain
		a, b := (LoopUnderMA-l.shift)/l.scale, (LoopOverMA-l.shift)/l.scale
		l.quietLo, l.quietHi = math.Min(a, b), math.Max(a, b)
	case Bridge:
		l.gain, l.offset = c.Gain, c.Offset
		if c.ExcitationV != 0 {
			l.gain /= c.ExcitationV
		}
		if c.Excitation != "" {
			l.curve = &bridge{gain: c.Gain, offset: c.Offset, nominal: c.ExcitationV}
		}
	case ThermocoupleCurve:
		l.curve = &couple{tc: types[c.Thermocouple], reversed: c.ReversedK}
	case Platinum:
		l.curve = &resistor{r0: c.R0, lead: c.LeadOhm}
	case Polynomial:
		l.curve = newPolynomial(c)
	case Digital:
		l.curve = newBit(c)
	}
	l.lawGain = l.gain * l.scale
	l.lawOffset = l.gain*l.shift + l.offset - l.zero
	return l, nil
}

// refer takes over from what the transducer counts.
func (l *Law) refer(c Curve) {
	switch c.Ambient {
	case AddAmbient:
		l.sign = 1
	case SubtractAmbient:
		l.sign = -1
	}
	if c.Barometer == "" {
		l.zero -= l.sign * c.AmbientPa
		l.sign = 0
	}
}

// Linear returns the law as value = gain*raw + offset; ok is false for laws that
// are curved or need another channel's reading. What Referred adds comes on top.
func (l *Law) Linear() (gain, offset float64, ok bool) {
	return l.lawGain, l.lawOffset, l.curve == nil
}

// Referred returns the sign with which the ambient pressure that the curve's
// Barometer reads is added to the value; 0: there is none. Value leaves it out:
// it needs the reading.
func (l *Law) Referred() float64 { return l.sign }

// Quiet returns the raw readings between which (ends included) a linear law
// has no fault, so that Value need not be asked. The band of a plain linear
// law is all finite numbers; a curved law's means nothing.
func (l *Law) Quiet() (lo, hi float64) { return l.quietLo, l.quietHi }

// Value turns a raw reading into the channel's unit. helper is the cold
// junction's temperature in °C or the bridge's excitation in V; only laws with a
// Curve.Helper, and thermocouples, look at it. With a fault the value is the best
// there is: NaN for NoValue, the law's continuation for a loop, a polynomial and
// a bridge, the nearer end of the range for a thermometer.
func (l *Law) Value(raw, helper float64) (float64, Fault) {
	if math.IsNaN(raw) || math.IsInf(raw, 0) {
		return math.NaN(), NoValue
	}
	if l.curve != nil {
		v, f := l.curve.value(raw, l.scale*raw+l.shift, helper)
		return v - l.zero, f
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

// A couple is the law of a thermocouple.
type couple struct {
	tc       *Thermocouple
	reversed float64
}

func (l *couple) value(_, e, junctionC float64) (float64, Fault) {
	if math.IsNaN(junctionC) {
		return junctionC, NoValue
	}
	t, ok := l.tc.Compensate(e, junctionC)
	switch {
	case math.IsNaN(t):
		return t, NoValue
	case !ok:
		return t, OffTable
	case l.reversed > 0 && t < junctionC-l.reversed:
		return t, Reversed
	}
	return t, Sound
}
