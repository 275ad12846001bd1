package config

import (
	"strings"

	"ventward/daq"
)

// A unit is what a key's suffix or a `reads` value means: si = Factor*x +
// Offset. Reference is set for a pressure that says gauge or absolute.
type unit struct {
	name      string
	quantity  daq.Quantity
	reference daq.Reference
	factor    float64
	offset    float64
}

// psiPa is one pound-force per square inch in Pa: 0.45359237 kg x 9.80665
// m/s2 / (0.0254 m)^2, all three exact by definition.
const psiPa = 0.45359237 * 9.80665 / (0.0254 * 0.0254)

// zeroCelsiusK is 0 °C in K, exact by definition.
const zeroCelsiusK = 273.15

var pressureUnits = []unit{
	{name: "Pa", factor: 1}, {name: "kPa", factor: 1e3}, {name: "MPa", factor: 1e6},
	{name: "bar", factor: 1e5}, {name: "mbar", factor: 100}, {name: "psi", factor: psiPa},
}

var otherUnits = []unit{
	{name: "C", quantity: daq.Temperature, factor: 1},
	{name: "K", quantity: daq.Temperature, factor: 1, offset: -zeroCelsiusK},
	{name: "V", quantity: daq.Voltage, factor: 1}, {name: "mV", quantity: daq.Voltage, factor: 1e-3},
	{name: "A", quantity: daq.Current, factor: 1}, {name: "mA", quantity: daq.Current, factor: 1e-3},
	{name: "N", quantity: daq.Force, factor: 1}, {name: "kN", quantity: daq.Force, factor: 1e3},
}

// points lists the units of a value of q: for pressure each with its
// reference, for example barg and bara.
func points(q daq.Quantity) []unit {
	var out []unit
	if q == daq.Pressure {
		for _, u := range pressureUnits {
			for suffix, ref := range map[string]daq.Reference{"g": daq.Gauge, "a": daq.Absolute} {
				out = append(out, unit{u.name + suffix, q, ref, u.factor, 0})
			}
		}
		return out
	}
	for _, u := range otherUnits {
		if u.quantity == q {
			out = append(out, u)
		}
	}
	return out
}

// differences lists the units of a difference or a width of q, which has
// neither reference nor offset: bar, K.
func differences(q daq.Quantity) []unit {
	var out []unit
	if q == daq.Pressure {
		for _, u := range pressureUnits {
			out = append(out, unit{u.name, q, "", u.factor, 0})
		}
		return out
	}
	for _, u := range points(q) {
		u.offset = 0
		out = append(out, u)
	}
	return out
}

// bare tells whether name is a pressure unit that says neither gauge nor
// absolute.
func bare(name string) bool {
	for _, u := range pressureUnits {
		if u.name == name {
			return true
		}
	}
	return false
}

// find returns the unit of that name among us.
func find(us []unit, name string) (unit, bool) {
	for _, u := range us {
		if u.name == name {
			return u, true
		}
	}
	return unit{}, false
}

// exampleUnit is the unit that messages suggest for q.
func exampleUnit(q daq.Quantity, ref daq.Reference, difference bool) string {
	switch {
	case q == daq.Pressure && difference:
		return "bar"
	case q == daq.Pressure && ref == daq.Absolute:
		return "bara"
	case q == daq.Pressure:
		return "barg"
	}
	us := points(q)
	if len(us) == 0 {
		return ""
	}
	return us[0].name
}

// names joins the units' names in a fixed order for a message.
func names(q daq.Quantity, difference bool) string {
	if q == daq.Pressure {
		list := make([]string, len(pressureUnits))
		for i, u := range pressureUnits {
			list[i] = u.name
		}
		if difference {
			return strings.Join(list, ", ")
		}
		return strings.Join(list, ", ") + ", each with g (gauge) or a (absolute)"
	}
	var list []string
	for _, u := range points(q) {
		list = append(list, u.name)
	}
	return strings.Join(list, ", ")
}
