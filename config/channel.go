package config

import (
	"fmt"
	"sort"
	"strings"

	"ventward/daq"
	"ventward/daq/calib"
	"ventward/daq/wire"
)

// roleQuantity is what a channel of each role measures.
var roleQuantity = map[daq.Role]daq.Quantity{
	daq.RoleSpecimen: daq.Pressure, daq.RoleSupply: daq.Pressure, daq.RoleBarometer: daq.Pressure,
	daq.RoleSkin: daq.Temperature, daq.RoleGas: daq.Temperature, daq.RoleRoom: daq.Temperature, daq.RoleJunction: daq.Temperature,
	daq.RoleCell: daq.Voltage, daq.RoleDumpValve: daq.Digital, daq.RoleSupplyValve: daq.Digital, daq.RoleShield: daq.Digital,
	daq.RoleEStop: daq.Digital, daq.RoleCID: daq.Digital, daq.RoleTrigger: daq.Digital,
}

// manyOf are the roles that several channels may have.
var manyOf = map[daq.Role]bool{daq.RoleNone: true, daq.RoleTrigger: true, daq.RoleSpecimen: true, daq.RoleSkin: true, daq.RoleGas: true, daq.RoleJunction: true}

func roles() []string {
	out := []string{"none"}
	for role := range roleQuantity {
		out = append(out, string(role))
	}
	sort.Strings(out)
	return out
}

func (r *reading) readChannels(list []*section, root *section) {
	r.channels = map[string]int{}
	if len(list) == 0 {
		root.problem("channel", "is missing: a bench has at least one channel", "add a [[channel]]")
	}
	taken := map[daq.Role]string{}
	for i, s := range list {
		c := r.channel(s)
		once(s, r.channels, c.Name, i)
		if other, two := taken[c.Role]; two && !manyOf[c.Role] {
			s.problem("role", fmt.Sprintf("is the role of channel %q too", other), "give it to one channel; the other may have none")
		}
		taken[c.Role] = c.Name
		r.bench.Channels = append(r.bench.Channels, c)
	}
	r.helpers(list)
}

func (r *reading) channel(s *section) daq.Channel {
	c := daq.Channel{
		Name: s.needText("name", "a short name to refer to"),
		Role: daq.Role(s.choice("role", "none", roles()...)),
	}
	if c.Role == "none" {
		c.Role = daq.RoleNone
	}
	c.Quantity = quantityOf(s, c.Role)
	in := r.column(s, &c)
	c.LagS = s.real("lag_ms", 0, 0, 60_000) / 1000
	c.LagUS = s.real("lag_u_ms", 0, 0, 60_000) / 2000
	c.DelayS = s.real("line_delay_ms", 0, 0, 60_000) / 1000
	c.ResonanceHz = s.real("line_resonance_Hz", 0, 0, 1e6)
	c.ResonanceDamping = s.real("line_damping", 0, 0, 1)
	c.Low, c.High, c.Reference = transducerRange(s, c.Quantity)
	r.slow(s, c.Name)
	cal := s.table("calibration")
	r.curve(s, cal, &c, in)
	if lo, hi, ok := s.pair("rail_counts"); ok {
		c.RailLow, c.RailHigh = lo, hi
	}
	s.close()
	return c
}

// slow reads who accepted an instrument that is too slow for the ramp.
func (r *reading) slow(s *section, name string) {
	who := s.text("slow_accepted_by", "")
	if who == "" {
		return
	}
	if r.bench.Slow == nil {
		r.bench.Slow = map[string]string{}
	}
	r.bench.Slow[name] = who
}

func quantityOf(s *section, role daq.Role) daq.Quantity {
	fixed := roleQuantity[role]
	q := daq.Quantity(s.choice("quantity", orNumber(fixed), string(daq.Pressure), string(daq.Temperature), string(daq.Voltage),
		string(daq.Current), string(daq.Force), string(daq.Digital), string(daq.Number)))
	if fixed != "" && q != fixed {
		s.problem("quantity", fmt.Sprintf("does not go with role %s, which is a %s", role, fixed), "change one of the two")
		return fixed
	}
	return q
}

func orNumber(q daq.Quantity) string {
	if q == "" {
		return string(daq.Number)
	}
	return string(q)
}

// column reads where a channel's readings come from.
func (r *reading) column(s *section, c *daq.Channel) *Instrument {
	c.Column = int(s.needWhole("column", 1, wire.MaxColumns, "the instrument's column, from 1")) - 1
	i, ok := refer(s, "instrument", r.instruments)
	if !ok {
		return nil
	}
	c.Instrument = i
	in := &r.bench.Instruments[i]
	if c.Column >= in.Columns && in.Columns > 0 {
		s.problem("column", fmt.Sprintf("instrument %q has %d column(s)", in.Name, in.Columns), "give a column from 1 to that number")
	}
	c.Floats = in.Modbus != nil && in.Modbus.Floats() || in.Query != nil && in.Query.Floats()
	return in
}

// transducerRange reads the range, which for a pressure also says gauge or
// absolute.
func transducerRange(s *section, q daq.Quantity) (lo, hi float64, ref daq.Reference) {
	lo, hi, u, ok := s.interval("range", q)
	if ok {
		return lo, hi, u.reference
	}
	if q == daq.Pressure && !s.asks("range") {
		s.problem("", "has no range, so neither full scale nor gauge or absolute is known", "add range_barg = [low, high] or range_bara = [low, high]")
	}
	return 0, 0, ""
}

// asks tells whether the table holds any key that starts with the stem.
func (s *section) asks(stem string) bool {
	for k := range s.keys {
		if strings.HasPrefix(k, stem) {
			return true
		}
	}
	return false
}

// helpers checks the names of the channels that others are referred to, which may
// be defined later in the file.
func (r *reading) helpers(list []*section) {
	for i, s := range list {
		cv := &r.bench.Channels[i].Curve
		cal := s.table("calibration")
		if name := cv.Junction; name != "" {
			r.helper(cal, "junction", name, i, daq.Temperature, "is no independent temperature", "name the channel of the cold junction's own sensor")
		}
		if name := cv.Excitation; name != "" {
			r.helper(cal, "excitation", name, i, daq.Voltage, "is no independent voltage", "name the channel that measures the bridge's supply")
		}
		if name := cv.Barometer; name != "" {
			if j := r.helper(s, "barometer", name, i, daq.Pressure, "is no independent absolute pressure", "name the barometer's channel"); j >= 0 {
				b := &r.bench.Channels[j]
				if cv.AmbientU = b.Curve.U(standardAtmospherePa); b.Reference != daq.Absolute || b.Curve.Barometer != "" {
					s.problem("barometer", "is no independent absolute pressure", "name the barometer's channel")
				}
			}
		}
	}
}

// helper returns the index of the channel that another names, -1 with a problem.
func (r *reading) helper(s *section, key, name string, self int, q daq.Quantity, message, next string) int {
	j, ok := r.channels[name]
	switch {
	case !ok:
		s.problem(key, "is not defined", "use one of "+known(r.channels))
	case j == self || r.bench.Channels[j].Quantity != q || r.bench.Channels[j].Curve.Kind == calib.ThermocoupleCurve || r.bench.Channels[j].Curve.Helper() != "":
		s.problem(key, message, next)
	default:
		return j
	}
	return -1
}

// known lists names for a message.
func known(index map[string]int) string {
	var list []string
	for n := range index {
		list = append(list, n)
	}
	if len(list) == 0 {
		return "(none is defined)"
	}
	sort.Strings(list)
	return strings.Join(list, ", ")
}
