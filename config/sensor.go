package config

import (
	"fmt"
	"math"
	"strings"

	"ventward/daq"
	"ventward/daq/calib"
)

// polynomial reads value = c0 + c1*signal + c2*signal^2 + ...
func polynomial(cal *section, c *daq.Channel) {
	cv := &c.Curve
	key, u := "coefficients", unit{factor: 1}
	if len(points(c.Quantity)) > 0 {
		var ok bool
		if key, u, ok = cal.unitKey("coefficients", c.Quantity, false); !ok {
			ex := exampleUnit(c.Quantity, c.Reference, false)
			cal.problem("kind", "needs the certificate's coefficients", fmt.Sprintf("add coefficients_%s = [c0, c1, c2, ...], the constant first", ex))
			return
		}
		sameReference(cal, key, u, c.Reference)
	}
	for i, x := range cal.reals(key) {
		if x *= u.factor; i == 0 {
			x += u.offset
		}
		cv.Coefficients = append(cv.Coefficients, x)
	}
	lo, hi, ok := cal.pair("signal_range")
	if !ok && !cal.has("signal_range") {
		cal.problem("kind", "needs the range of the certificate", "add signal_range = [low, high] in the signal's unit")
	}
	cv.SignalLow, cv.SignalHigh = lo, hi
}

// thermocouple reads a thermocouple and what its cold junction is.
func thermocouple(cal *section, c *daq.Channel, signal string) {
	cv := &c.Curve
	needs(cal, c, daq.Temperature, signal, "mV", "the voltage in mV")
	cv.Thermocouple = cal.choice("type", "", calib.Thermocouples()...)
	cv.Junction = cal.text("junction", "")
	cv.JunctionC = cal.real("junction_C", 0, -40, 100)
	if (cv.Junction == "") != cal.has("junction_C") {
		cal.problem("junction", "either junction (a channel) or junction_C (a fixed temperature) must be given", "keep exactly one")
	}
	cv.JunctionU = cal.real("junction_u_C", 0, 0, 50) / 2
	cv.Class = int(cal.whole("class", 0, 0, 3))
	def := 0.0
	if c.High > c.Low && c.Low >= 0 {
		def = reversedK
	}
	cv.ReversedK = cal.real("reversed_below_K", def, 0, 1000)
}

// reversedK: on a channel whose range starts at 0 °C or above, a hot junction so
// far below the cold one is taken for reversed wires, K (common practice, no
// source).
const reversedK = 20

// needs reports a sensor whose quantity or signal can't be.
func needs(cal *section, c *daq.Channel, q daq.Quantity, signal, want, what string) {
	if q != "" && c.Quantity != q {
		cal.problem("kind", fmt.Sprintf("does not measure a %s", c.Quantity), fmt.Sprintf("set quantity = %q", q))
	}
	if signal != want {
		cal.problem("kind", "needs "+what, "add signal_per_count_"+want+" to the channel")
	}
}

// platinum reads a platinum resistance thermometer.
func platinum(cal *section, c *daq.Channel, signal string) {
	cv := &c.Curve
	needs(cal, c, daq.Temperature, signal, "ohm", "the resistance in ohm")
	cv.R0 = cal.needReal("r0_ohm", 1, 1e5, "the resistance at 0 °C, 100 for Pt100")
	cv.LeadOhm = cal.real("lead_ohm", 0, 0, 1e4)
	if cal.has("class") {
		cv.PlatinumClass = cal.choice("class", "", calib.PlatinumClasses()...)
	}
}

// strainGauge reads a strain-gauge bridge: a pressure transducer or a load cell.
func strainGauge(cal *section, c *daq.Channel, signal string) {
	cv := &c.Curve
	us := differences(c.Quantity)
	if len(us) == 0 {
		cal.problem("kind", fmt.Sprintf("does not measure a %s", c.Quantity), "state the channel's quantity, pressure or force")
		return
	}
	if cv.Gain = gain(cal, c, us, "mV_per_V"); cv.Gain == 0 {
		cal.problem("gain", "is zero: every reading would be the same", "give the certificate's gain")
	}
	if v, u, ok := cal.value("offset", c.Quantity); ok {
		cv.Offset = v
		sameReference(cal, "offset_"+u.name, u, c.Reference)
	}
	cv.Excitation = cal.text("excitation", "")
	switch signal {
	case "mV":
		cv.ExcitationV = cal.needReal("excitation_V", 0.01, 100, "the bridge's supply, nominal where excitation names the channel that measures it")
		cv.ExcitationU = cal.real("excitation_u_V", 0, 0, 100) / 2
	case "mV_per_V":
		if cv.Excitation != "" || cal.has("excitation_V") {
			cal.problem("excitation_V", "stands beside a signal that is ratiometric already", "remove it, or give the signal in mV")
		}
	default:
		cal.problem("kind", "needs the signal in mV or mV/V", "add signal_per_count_mV or signal_per_count_mV_per_V to the channel")
	}
	if cv.ShuntMVV = cal.real("shunt_mV_per_V", 0, -1000, 1000); cv.ShuntMVV != 0 {
		cv.ShuntTolerance = cal.real("shunt_tolerance_percent", 1, 0.001, 50) / 100
	}
}

// digital reads a 0/1 input: bits of a word, or a signal against a threshold.
func digital(s, cal *section, c *daq.Channel, signal string) {
	cv := &c.Curve
	if c.Quantity != daq.Digital {
		cal.problem("kind", fmt.Sprintf("does not measure a %s", c.Quantity), "set quantity = \"digital\"")
	}
	words := []string{"set", "clear"}
	if key := "threshold_" + signal; signal != "" && signal != "reads" {
		x := s.needReal(key, -1e6, 1e6, "the signal at and above which the input is on")
		cv.Threshold = &x
		words = []string{"above", "below"}
	} else if s.has("bit") {
		cv.Mask = 1 << s.whole("bit", 0, 0, 31)
	}
	cv.Inverted = s.choice("one_when", words[0], words...) == words[1]
}

// open reads the signals at which the sensor is open: a converter may drive an
// open input to one of its ends.
func open(s *section, c *daq.Channel, signal string) {
	cv := &c.Curve
	if signal == "" || signal == "reads" {
		return
	}
	raw := func(x float64) float64 { return (x - cv.ScaleOffset) / cv.ScaleGain }
	low, high := math.NaN(), math.NaN()
	if key := "open_below_" + signal; s.has(key) {
		low = s.real(key, 0, -1e6, 1e6)
	} else if cv.Kind == calib.CurrentLoop {
		low = calib.LoopOpenMA
	}
	if key := "open_above_" + signal; s.has(key) {
		high = s.real(key, 0, -1e6, 1e6)
	}
	if cv.ScaleGain < 0 {
		low, high = high, low
	}
	if cv.ScaleGain == 0 {
		return
	}
	if !math.IsNaN(low) {
		c.OpenBelow = raw(low)
	}
	if !math.IsNaN(high) {
		c.OpenAbove = raw(high)
	}
}

// weatherU is the standard uncertainty of an ambient pressure that no barometer
// measures, Pa: the weather's scatter about the site's mean (common practice, no
// source).
const weatherU = 1000.0

// reference reads from what a transducer itself counts where that isn't what its
// channel shows.
func (r *reading) reference(s *section, c *daq.Channel) {
	cv := &c.Curve
	if c.Quantity != daq.Pressure {
		return
	}
	if c.Reference == "" { // said already; what belongs to it can't be told
		for key := range s.keys {
			if key == "transducer" || key == "barometer" || strings.HasPrefix(key, "sealed_at_") {
				s.asked[key] = true
			}
		}
		return
	}
	kind := s.choice("transducer", string(c.Reference), string(daq.Gauge), string(daq.Absolute), "sealed")
	if kind == "sealed" {
		r.sealed(s, cv)
	}
	switch {
	case kind == "" || kind == string(c.Reference) || kind == "sealed" && c.Reference == daq.Absolute:
		if s.has("barometer") {
			s.problem("barometer", "is of no use here: the transducer counts as its channel does", "remove it, or state transducer = \"absolute\", \"sealed\" or \"gauge\"")
		}
		return
	case c.Reference == daq.Absolute:
		cv.Ambient = calib.AddAmbient
	default:
		cv.Ambient = calib.SubtractAmbient
	}
	if cv.Barometer = s.text("barometer", ""); cv.Barometer == "" {
		cv.AmbientPa, cv.AmbientU = r.bench.Detect.Fixture.AmbientPa, weatherU
	}
}

// sealed reads the absolute pressure that is sealed into a transducer.
func (r *reading) sealed(s *section, cv *calib.Curve) {
	pa, u, ok := s.value("sealed_at", daq.Pressure)
	if !ok {
		if !s.asks("sealed_at_") {
			s.problem("transducer", "needs the pressure that was sealed in", "add sealed_at_bara, from the data sheet")
		}
		return
	}
	if key := "sealed_at_" + u.name; u.reference != daq.Absolute || pa <= 0 {
		s.problemIn(key, u.name, "is not a positive absolute pressure", "write sealed_at_bara = 1.013")
	}
	cv.SealPa = pa
	if d, ok := s.difference("sealed_at_u", daq.Pressure); ok {
		cv.SealU = d / 2
	}
}

// step is one raw count in the channel's unit near mid range; 0 where the
// instrument itself speaks floating point.
func step(c *daq.Channel, in *Instrument) float64 {
	if in != nil && in.Modbus != nil && c.Column >= 0 && c.Column < len(in.Modbus.Registers) && in.Modbus.Registers[c.Column].Type == "f32" {
		return 0
	}
	cv := &c.Curve
	count := math.Abs(cv.ScaleGain)
	mid := (c.Low + c.High) / 2
	switch cv.Kind {
	case calib.Linear:
		return count * math.Abs(cv.Gain)
	case calib.CurrentLoop:
		return count * math.Abs(cv.LoopHigh-cv.LoopLow) / 16
	case calib.Bridge:
		if cv.ExcitationV != 0 {
			count /= cv.ExcitationV
		}
		return count * math.Abs(cv.Gain)
	case calib.Platinum:
		if cv.R0 > 0 {
			t, _ := calib.PlatinumTemperature(calib.PlatinumRatio(math.Max(mid, 0)) + count/cv.R0)
			return math.Abs(t - math.Max(mid, 0))
		}
	case calib.Polynomial:
		if n := len(cv.Coefficients); n > 1 {
			at := (cv.SignalLow + cv.SignalHigh) / 2
			slope := 0.0
			for i := n - 1; i > 0; i-- {
				slope = slope*at + float64(i)*cv.Coefficients[i]
			}
			return count * math.Abs(slope)
		}
	}
	return 0
}
