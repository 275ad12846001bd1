package config

import (
	"fmt"
	"math"
	"strings"

	"ventward/daq"
	"ventward/daq/calib"
	"ventward/daq/wire"
)

// signals are the electrical signals that a converter's counts may stand for.
var signals = []string{"mV", "V", "mA", "ohm", "mV_per_V"}

// curve reads how raw readings become values: the converter's keys of the
// channel itself and its [channel.calibration].
func (r *reading) curve(s, cal *section, c *daq.Channel, in *Instrument) {
	cv := &c.Curve
	signal := converter(s, c, in)
	def := calib.Linear
	if c.Quantity == daq.Digital {
		def = calib.Digital
	}
	cv.Kind = cal.choice("kind", def, calib.Kinds()...)
	switch cv.Kind {
	case calib.Linear:
		linear(cal, c, signal)
	case calib.Polynomial:
		polynomial(cal, c)
	case calib.CurrentLoop:
		loop(s, cal, c, signal)
	case calib.ThermocoupleCurve:
		thermocouple(cal, c, signal)
	case calib.Platinum:
		platinum(cal, c, signal)
	case calib.Bridge:
		strainGauge(cal, c, signal)
	case calib.Digital:
		digital(s, cal, c, signal)
	}
	open(s, c, signal)
	r.reference(s, c)
	certificate(cal, c)
	zero(cal, c)
	c.Step = step(c, in)
	cal.close()
}

// converter reads what a raw reading stands for and returns the signal's name:
// "" for plain counts, "reads" where the instrument itself reports in a unit,
// or one of signals.
func converter(s *section, c *daq.Channel, in *Instrument) string {
	cv := &c.Curve
	cv.ScaleGain = 1
	found := ""
	for _, name := range signals {
		key := "signal_per_count_" + name
		if !s.has(key) {
			continue
		}
		if found != "" {
			s.problem(key, "says again what signal_per_count_"+found+" says", "keep one of the two")
		}
		found = name
		cv.ScaleGain = s.real(key, 1, -1e6, 1e6)
		cv.ScaleOffset = s.real("signal_at_zero_"+name, 0, -1e6, 1e6)
		if cv.ScaleGain == 0 {
			s.problem(key, "is zero: every reading would be the same", "give the converter's step")
		}
	}
	if !s.has("reads") {
		return found
	}
	if found != "" {
		s.problem("reads", "stands beside signal_per_count_"+found, "keep one of the two")
		return found
	}
	reads(s, c, in)
	return "reads"
}

// reads takes the unit in which the instrument itself reports.
func reads(s *section, c *daq.Channel, in *Instrument) {
	name := s.text("reads", "")
	u, ok := find(points(c.Quantity), name)
	switch {
	case !ok && c.Quantity == daq.Pressure && bare(name):
		s.problem("reads", "says neither gauge nor absolute", fmt.Sprintf("write %sg or %sa", name, name))
		return
	case !ok:
		s.problem("reads", fmt.Sprintf("is no unit of a %s", c.Quantity), "use one of "+names(c.Quantity, false))
		return
	case c.Reference != "" && u.reference != c.Reference:
		s.problem("reads", fmt.Sprintf("is %s, but the range is %s", u.reference, c.Reference), "make both gauge or both absolute")
	}
	c.Curve.ScaleGain = u.factor * textStep(c, in)
	c.Curve.ScaleOffset = u.offset
}

// textStep is the worth of one count of a text column, which keeps decimals
// as counts.
func textStep(c *daq.Channel, in *Instrument) float64 {
	switch {
	case in == nil || c.Column < 0:
		return 1
	case in.Line != nil && c.Column < len(in.Line.Columns):
		return math.Pow(10, -float64(in.Line.Columns[c.Column].Decimals))
	case in.Query != nil:
		at := 0
		for _, q := range in.Query.Questions {
			for _, d := range q.Decimals {
				if d == wire.SkipNumber {
					continue
				}
				if at == c.Column {
					return math.Pow(10, -float64(d))
				}
				at++
			}
		}
	}
	return 1
}

// linear reads value = gain * signal + offset.
func linear(cal *section, c *daq.Channel, signal string) {
	cv := &c.Curve
	cv.Gain = 1
	us := differences(c.Quantity)
	switch {
	case signal == "reads" || len(us) == 0:
		cv.Gain = cal.real("gain", 1, -1e9, 1e9)
	default:
		cv.Gain = gain(cal, c, us, signal)
	}
	if cv.Gain == 0 {
		cal.problem("gain", "is zero: every reading would be the same", "give the certificate's gain")
	}
	if v, u, ok := cal.value("offset", c.Quantity); ok {
		cv.Offset = v
		sameReference(cal, "offset_"+u.name, u, c.Reference)
	}
}

// gain reads gain_UNIT_per_SIGNAL.
func gain(cal *section, c *daq.Channel, us []unit, signal string) float64 {
	if signal == "" {
		signal = "count"
	}
	for _, u := range us {
		key := "gain_" + u.name + "_per_" + signal
		if cal.has(key) {
			return cal.real(key, 1, -1e9, 1e9) * u.factor
		}
	}
	example := fmt.Sprintf("gain_%s_per_%s", exampleUnit(c.Quantity, "", true), signal)
	if cal.absent {
		cal.d.add(cal.path, cal.title, "", "", "is missing: nothing says what a "+signal+" is worth",
			fmt.Sprintf("add [channel.calibration] with %s, or reads = \"UNIT\" if the instrument reports in a unit", example))
		return 1
	}
	cal.problem(example, "is missing", "add it from the certificate")
	return 1
}

// loop reads a 4-20 mA transmitter.
func loop(s, cal *section, c *daq.Channel, signal string) {
	cv := &c.Curve
	if signal != "mA" {
		cal.problem("kind", "needs the current in mA", "add signal_per_count_mA to the channel")
	}
	lo, ul, okl := cal.value("at_4mA", c.Quantity)
	hi, uh, okh := cal.value("at_20mA", c.Quantity)
	if !okl || !okh {
		ex := exampleUnit(c.Quantity, c.Reference, false)
		cal.problem("kind", "needs the values at both ends of the loop", fmt.Sprintf("add at_4mA_%s and at_20mA_%s", ex, ex))
		return
	}
	sameReference(cal, "at_4mA_"+ul.name, ul, c.Reference)
	sameReference(cal, "at_20mA_"+uh.name, uh, c.Reference)
	if lo >= hi {
		cal.problemIn("at_20mA_"+uh.name, uh.name, "is not above the value at 4 mA", "exchange or mend the two")
	}
	cv.LoopLow, cv.LoopHigh = lo, hi
}

// certificate reads the calibration in force and its uncertainty.
func certificate(cal *section, c *daq.Channel) {
	c.Certificate = cal.text("certificate", "")
	c.CalDue = cal.date("due")
	if u, ok := cal.difference("expanded_u", c.Quantity); ok {
		c.Curve.UOffset = u / 2
	}
	c.Curve.UGain = cal.real("expanded_u_percent", 0, 0, 100) / 200
	if c.Certificate == "" && (c.CalDue != "" || c.Curve.UOffset > 0 || c.Curve.UGain > 0) {
		cal.problem("certificate", "is missing, though an uncertainty or a date is given", "name the certificate they come from")
	}
	if c.Certificate != "" && c.CalDue == "" {
		cal.problem("due", "is missing", "add due = the date until which the certificate is in force")
	}
}

// zero reads the zero correction and its limits.
func zero(cal *section, c *daq.Channel) {
	cv := &c.Curve
	if z, ok := signedDifference(cal, "zero", c.Quantity); ok {
		cv.Zero = z
	}
	if z, ok := cal.difference("zero_limit", c.Quantity); ok {
		cv.ZeroLimit = z
	}
	if z, ok := cal.rate("zero_drift_limit", c.Quantity); ok {
		cv.ZeroSlopeLimit = z
	}
	c.Zeroed = cal.yes("zero_verified")
	if cv.ZeroLimit > 0 && math.Abs(cv.Zero) > cv.ZeroLimit {
		cal.problem("", "its zero is beyond its zero_limit", "have the transducer looked at, or mend the two")
	}
}

// signedDifference reads STEM_UNIT as a difference that may be negative.
func signedDifference(s *section, stem string, q daq.Quantity) (float64, bool) {
	for _, u := range differences(q) {
		if key := stem + "_" + u.name; s.has(key) {
			x, _, ok := s.scaled(key, u)
			return x, ok
		}
	}
	return 0, false
}

// sameReference reports a pressure whose reference is not the channel's.
func sameReference(s *section, key string, u unit, ref daq.Reference) {
	if ref == "" || u.reference == ref {
		return
	}
	other := strings.TrimRight(key, "ga") + string(ref)[:1]
	s.problemIn(key, u.name, fmt.Sprintf("is %s, but the channel is %s", u.reference, ref), fmt.Sprintf("write %s, converted", other))
}
