package config

import (
	"fmt"

	"ventward/daq"
	"ventward/daq/wire"
)

func (r *reading) readOutputs(list []*section) {
	r.outputs = map[string]int{}
	addresses := map[[4]int]string{}
	for i, s := range list {
		o := daq.Output{
			Name:        s.needText("name", "a short name to refer to"),
			Role:        daq.Role(s.choice("role", "none", "none", string(daq.RoleSupplyValve), string(daq.RoleDumpValve), string(daq.RoleTrigger))),
			Heartbeat:   s.yes("heartbeat"),
			OpenWhenOff: s.yes("opens_when_off"),
		}
		if o.Role == "none" {
			o.Role = daq.RoleNone
		}
		r.place(s, &o, i, addresses)
		r.judgeOutput(s, o)
		once(s, r.outputs, o.Name, i)
		s.close()
		r.bench.Outputs = append(r.bench.Outputs, o)
	}
}

// place puts an output on its instrument: on a coil, a register or commands.
func (r *reading) place(s *section, o *daq.Output, i int, addresses map[[4]int]string) {
	index, ok := refer(s, "instrument", r.instruments)
	if !ok {
		s.askPlaces()
		return
	}
	o.Instrument = index
	in := &r.bench.Instruments[index]
	switch {
	case s.has("line"):
		r.onControlLine(s, o)
	case in.Modbus != nil:
		r.onModbus(s, o, i, addresses)
	case in.Query != nil:
		in.Query.Switches = append(in.Query.Switches, textSwitch(s, i, o.Heartbeat))
	default:
		s.askPlaces()
		if in.Protocol != "" { // else named already
			s.problem("instrument", fmt.Sprintf("speaks %s, which has no outputs", in.Protocol), "name a modbus or query instrument, or for a heartbeat add line = \"rts\" or \"dtr\"")
		}
	}
}

// askPlaces marks the keys that place an output as known where it can't be told
// which of them belong to it.
func (s *section) askPlaces() {
	s.take("line")
	for _, key := range placeKeys {
		s.take(key)
	}
}

// placeKeys place an output on a coil, a register or text commands.
var placeKeys = []string{"unit", "coil", "register", "function", "on", "off", "on_answer", "off_answer", "ask", "is_on", "is_off"}

// onControlLine puts the heartbeat on a control line of the instrument's port.
// Opening a port raises these lines: a valve there would open by itself, while
// a level means nothing to a watchdog relay that wants edges.
func (r *reading) onControlLine(s *section, o *daq.Output) {
	o.Line = s.choice("line", "", "rts", "dtr")
	for _, key := range placeKeys {
		if s.has(key) {
			s.problem(key, "stands beside line", "remove it: a control line has no address and no command")
		}
	}
	if !o.Heartbeat {
		s.problem("line", "carries a valve", "opening a port raises its control lines: put only the heartbeat there, with heartbeat = true")
	}
}

// onModbus puts an output on a coil or, with function 6 or 16, on a holding
// register.
func (r *reading) onModbus(s *section, o *daq.Output, i int, addresses map[[4]int]string) {
	unit := int(s.needWhole("unit", 1, 247, "the device's number on the line"))
	key, fn := "coil", 0
	if s.has("register") || s.has("function") {
		fn = int(s.whole("function", 0, 5, 16))
	}
	switch fn {
	case 0, 5, 15:
	case 6, 16:
		key = "register"
	default:
		s.problem("function", "writes no single output", "use 5 or 15 for a coil, 6 or 16 for a holding register")
	}
	if fn == 0 && s.has("register") {
		s.problem("function", "is missing", "add function = 6 or 16, which write a holding register")
		key, fn = "register", 6
	}
	o.Address = int(s.needWhole(key, 0, 65535, "the "+key+"'s address on the wire, from 0"))
	kind := 0
	if key == "register" {
		kind = 1
	}
	at := [4]int{o.Instrument, unit, kind, o.Address}
	if other, taken := addresses[at]; taken {
		s.problem(key, fmt.Sprintf("is the %s of output %q too", key, other), "give each output its own "+key)
	}
	addresses[at] = o.Name
	m := r.bench.Instruments[o.Instrument].Modbus
	m.Coils = append(m.Coils, wire.Coil{Unit: unit, Address: o.Address, Output: i, Heartbeat: o.Heartbeat, Function: fn})
}

func (r *reading) judgeOutput(s *section, o daq.Output) {
	if o.Heartbeat && o.Role != daq.RoleNone {
		s.problem("heartbeat", "stands on a valve's output", "the heartbeat has an output of its own")
	}
	if o.Role == daq.RoleSupplyValve && o.OpenWhenOff {
		s.problem("opens_when_off", "a supply valve that opens without power is not energise-to-run", "fit a normally closed supply valve: no setting can make this one safe")
	}
}

// refer reads the name of another entry as its index.
func refer(s *section, key string, index map[string]int) (int, bool) {
	name := s.needText(key, "the name of an entry above")
	if name == "" {
		return 0, false
	}
	i, ok := index[name]
	if !ok {
		s.problem(key, "is not defined", "use one of "+known(index))
	}
	return i, ok
}

// watchdog reads how the hard watchdog relay is fed. It is called after the
// outputs.
func (r *reading) watchdog(s *section) {
	b := r.bench
	beats := 0
	for _, o := range b.Outputs {
		if o.Heartbeat {
			beats++
		}
	}
	if !s.absent {
		b.WatchdogS = s.real("opens_after_s", 0, 0.05, 60)
		b.HeartbeatS = s.real("heartbeat_s", 0, 0.01, 30)
		b.NoWatchdog = s.text("without_watchdog", "")
	}
	switch {
	case len(b.Outputs) == 0:
		if !s.absent {
			s.problem("", "there are no outputs to watch", "add the [[output]] entries or remove [watchdog]")
		}
	case b.NoWatchdog != "":
		if beats > 0 || b.WatchdogS > 0 || b.HeartbeatS > 0 {
			s.problem("without_watchdog", "stands beside a watchdog", "keep either the watchdog or the decision to run without one")
		}
	default:
		r.judgeWatchdog(s, beats)
	}
	s.close()
}

func (r *reading) judgeWatchdog(s *section, beats int) {
	b := r.bench
	if s.absent || b.WatchdogS == 0 || beats == 0 {
		s.d.add(element("output", 0), "watchdog", "", "", "outputs without a hardware watchdog relay stay as they are when this program or its computer dies",
			"fit one, add [watchdog] opens_after_s and heartbeat_s and an output with heartbeat = true; or write without_watchdog = \"name of who decided\"")
		return
	}
	if beats > 1 {
		s.problem("", fmt.Sprintf("%d outputs have heartbeat = true", beats), "keep it on one")
	}
	if b.HeartbeatS == 0 {
		s.problem("heartbeat_s", "is missing", "add heartbeat_s, less than half of opens_after_s")
	} else if b.HeartbeatS >= b.WatchdogS/2 {
		s.problemIn("heartbeat_s", "s", fmt.Sprintf("is not less than half of opens_after_s = %s s: one lost edge would open the relay", show(b.WatchdogS)),
			fmt.Sprintf("beat more often, for example every %s s", show(b.WatchdogS/5)))
	}
}
