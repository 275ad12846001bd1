package trace

import (
	"math"
	"strings"

	"ventward/daq"
)

// A unit is what may follow the last underscore of a column's name.
type unit struct {
	name      string
	quantity  daq.Quantity
	reference daq.Reference // of a pressure; empty: bare
	exp10     int           // SI value = number * 10^exp10 * factor + shift
	factor    float64       // 1 unless the unit is no power of ten of the SI unit
	shift     float64
}

// psi in Pa: 0.45359237 kg * 9.80665 m/s2 / (0.0254 m)^2 (NIST SP 811, 2008,
// appendix B; each factor exact by definition).
const psi = 0.45359237 * 9.80665 / (0.0254 * 0.0254)

// pressures are the units that come bare, with g (gauge) and with a (absolute).
var pressures = []unit{{name: "Pa", factor: 1}, {name: "kPa", exp10: 3, factor: 1}, {name: "MPa", exp10: 6, factor: 1},
	{name: "bar", exp10: 5, factor: 1}, {name: "mbar", exp10: 2, factor: 1}, {name: "psi", factor: psi}}

var others = []unit{
	{name: "C", quantity: daq.Temperature, factor: 1},
	{name: "K", quantity: daq.Temperature, factor: 1, shift: -273.15},
	{name: "V", quantity: daq.Voltage, factor: 1},
	{name: "mV", quantity: daq.Voltage, exp10: -3, factor: 1},
	{name: "A", quantity: daq.Current, factor: 1},
	{name: "mA", quantity: daq.Current, exp10: -3, factor: 1},
	{name: "N", quantity: daq.Force, factor: 1},
	{name: "g", quantity: daq.Force, exp10: -3, factor: gravity},
}

// gravity is standard gravity in m/s2 (NIST SP 811, 2008; exact by
// definition): a load cell that reads g shows the force of that mass.
const gravity = 9.80665

// unitList names every unit, for messages.
var unitList = func() string {
	var p, o []string
	for _, u := range pressures {
		p = append(p, u.name)
	}
	for _, u := range others {
		o = append(o, u.name)
	}
	return strings.Join(p, " ") + " (each bare or with g or a: barg, bara), " + strings.Join(o, " ")
}()

// plain is the unit of a column without one.
var plain = unit{quantity: daq.Number, factor: 1}

// findUnit looks a unit up by its name, case-sensitive.
func findUnit(name string) (unit, bool) {
	for _, u := range others {
		if u.name == name {
			return u, true
		}
	}
	for _, u := range pressures {
		u.quantity = daq.Pressure
		switch name {
		case u.name:
			return u, true
		case u.name + "g":
			u.name, u.reference = name, daq.Gauge
			return u, true
		case u.name + "a":
			u.name, u.reference = name, daq.Absolute
			return u, true
		}
	}
	return unit{}, false
}

// si turns a number that already carries exp10 into the SI value.
func (u *unit) si(x float64) float64 { return x*u.factor + u.shift }

// number is the inverse of si: before exp10 is taken off. Where no float64
// comes back as exactly v the nearest is taken.
func (u *unit) number(v float64) float64 {
	x := (v - u.shift) / u.factor
	for _, y := range [...]float64{x, math.Nextafter(x, math.Inf(1)), math.Nextafter(x, math.Inf(-1))} {
		if u.si(y) == v {
			return y
		}
	}
	return x
}
