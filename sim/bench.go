package sim

import (
	"errors"
	"fmt"
	"math/rand/v2"

	"ventward/daq"
	"ventward/daq/wire"
)

// Bench is what is simulated: the same structs that a daemon is given.
type Bench struct {
	Name        string        `json:"name"`
	Instruments []Instrument  `json:"instruments"`
	Channels    []daq.Channel `json:"channels"`
	Outputs     []daq.Output  `json:"outputs,omitempty"`
	Fixture     Fixture       `json:"fixture"`
	// WatchdogS is the hard relay's time in s: without an edge of the heartbeat
	// for that long it opens. 0: 1 s.
	WatchdogS float64 `json:"watchdog_s,omitempty"`
}

// Instrument is one device with the options of its protocol; exactly the one
// that Protocol names is set.
type Instrument struct {
	daq.Instrument
	Line   *wire.LineOptions   `json:"line,omitempty"`
	Frame  *wire.FrameOptions  `json:"frame,omitempty"`
	Modbus *wire.ModbusOptions `json:"modbus,omitempty"`
	Query  *wire.QueryOptions  `json:"query,omitempty"`
	// RowsPerMessage is how many rows a frame carries. 0: about 5 ms of them.
	RowsPerMessage int `json:"rows_per_message,omitempty"`
}

// Fixture is the volume that the specimen closes, and what surrounds it. Zero
// fields take the values of the demo's bench.
type Fixture struct {
	// Runaway makes it the vessel of a runaway rig, Liquid a liquid bench.
	Runaway      bool    `json:"runaway,omitempty"`
	Liquid       bool    `json:"liquid,omitempty"`
	HeaterW      float64 `json:"heater_W,omitempty"`      // power of a runaway rig's heater, 48 W
	VolumeM3     float64 `json:"volume_m3,omitempty"`     // as stated, 50 mL; of a runaway rig 3 L
	VolumeUM3    float64 `json:"volume_u_m3,omitempty"`   // standard uncertainty of that: the true volume is drawn within
	Gas          string  `json:"gas,omitempty"`           // N2, air, Ar, CO2
	RoomC        float64 `json:"room_C,omitempty"`        // 23 °C
	AmbientPa    float64 `json:"ambient_Pa,omitempty"`    // absolute, 101.4 kPa
	SupplyPa     float64 `json:"supply_Pa,omitempty"`     // gauge, before the supply valve, 9 MPa
	RampPaS      float64 `json:"ramp_Pa_s,omitempty"`     // set ramp, 100 kPa/s
	Needle       bool    `json:"needle,omitempty"`        // the ramp comes from a needle valve instead of a ramp controller
	WallTauS     float64 `json:"wall_tau_s,omitempty"`    // time constant of the heat exchange with the wall, 0.3 s
	DumpAreaM2   float64 `json:"dump_area_m2,omitempty"`  // effective area of the dump valve, 4 mm2
	ValveTravelS float64 `json:"valve_travel_s,omitzero"` // time a valve takes to move, 12 ms
}

func (f Fixture) withDefaults() Fixture {
	set := func(v *float64, d float64) {
		if *v == 0 {
			*v = d
		}
	}
	if f.Runaway {
		set(&f.VolumeM3, 3e-3)
		set(&f.DumpAreaM2, 60e-6)
	}
	set(&f.HeaterW, 48)
	set(&f.VolumeM3, 50e-6)
	set(&f.RoomC, 23)
	set(&f.AmbientPa, 101400)
	set(&f.SupplyPa, 9e6)
	set(&f.RampPaS, 1e5)
	set(&f.WallTauS, 0.3)
	set(&f.DumpAreaM2, 4e-6)
	set(&f.ValveTravelS, 0.012)
	if f.Gas == "" {
		f.Gas = "N2"
	}
	return f
}

// today draws what the stated values don't tell: the weather, the room, and
// the true volume within its standard uncertainty.
func (f Fixture) today(rng *rand.Rand) Fixture {
	f = f.withDefaults()
	f.AmbientPa += 500 * within(rng, 2)
	f.RoomC += 0.7 * within(rng, 2)
	f.VolumeM3 += f.VolumeUM3 * within(rng, 1)
	return f
}

// Check returns every problem of the bench at once, or nil.
func (b *Bench) Check() error {
	var errs []error
	add := func(format string, a ...any) { errs = append(errs, fmt.Errorf(format, a...)) }
	if len(b.Instruments) == 0 {
		add("bench %q has no instrument: name at least one", b.Name)
	}
	for i := range b.Instruments {
		in := &b.Instruments[i]
		set := map[string]bool{"line": in.Line != nil, "frame": in.Frame != nil, "modbus": in.Modbus != nil, "query": in.Query != nil}
		if !set[in.Protocol] {
			add("instrument %q: protocol %q has no options: give line, frame, modbus or query", in.Name, in.Protocol)
		}
		if !in.asked() && in.RateHz <= 0 {
			add("instrument %q: rate_hz is %g: give the rows it sends in a second", in.Name, in.RateHz)
		}
		if !in.asked() && in.Columns <= 0 {
			add("instrument %q: columns is %d: give the number of readings in a row", in.Name, in.Columns)
		}
	}
	for i := range b.Channels {
		c := &b.Channels[i]
		if c.Instrument < 0 || c.Instrument >= len(b.Instruments) {
			add("channel %q: instrument %d is not in the table of %d", c.Name, c.Instrument, len(b.Instruments))
			continue
		}
		if n := b.Instruments[c.Instrument].columns(); c.Column < 0 || c.Column >= n {
			add("channel %q: column %d of instrument %q, which has %d", c.Name, c.Column, b.Instruments[c.Instrument].Name, n)
		}
		if _, err := invert(c); err != nil {
			add("channel %q: %w", c.Name, err)
		}
	}
	for _, o := range b.Outputs {
		if o.Instrument < 0 || o.Instrument >= len(b.Instruments) || !b.Instruments[o.Instrument].asked() {
			add("output %q: instrument %d switches nothing: give a modbus or query line", o.Name, o.Instrument)
		}
	}
	if _, err := gasByName(b.Fixture.withDefaults().Gas); err != nil {
		add("fixture: %w", err)
	}
	return errors.Join(errs...)
}

// asked tells whether the instrument speaks only when it is asked.
func (in *Instrument) asked() bool { return in.Modbus != nil || in.Query != nil }

// columns is how many readings a row of the instrument has.
func (in *Instrument) columns() int {
	switch {
	case in.Modbus != nil:
		return len(in.Modbus.Registers)
	case in.Query != nil:
		return in.Query.Columns()
	case in.Line != nil:
		return len(in.Line.Columns)
	default:
		return in.Columns
	}
}
