package detect

import "ventward/daq"

// Rig is the kind of bench.
type Rig string

const (
	BurstRig   Rig = "burst"
	RunawayRig Rig = "runaway"
)

// Medium is what pressurises the specimen.
type Medium string

const (
	Gas    Medium = "gas"
	Liquid Medium = "liquid"
)

// Feature is one of the specimen's pressure-release features with its nominal
// range of opening, in Pa gauge. Nil: no limit on that side. Ranges are labels,
// never the reason to call an event.
type Feature struct {
	Name   string   `json:"name"` // top vent, bottom vent, housing
	LowPa  *float64 `json:"low_Pa,omitempty"`
	HighPa *float64 `json:"high_Pa,omitempty"`
}

// Fixture is what the physics of an opening needs to know. Uncertainties are
// standard (k = 1).
type Fixture struct {
	VolumeM3     float64 `json:"volume_m3,omitempty"` // free volume; 0: not given
	VolumeUM3    float64 `json:"volume_u_m3,omitempty"`
	Gas          string  `json:"gas"`           // N2, air, Ar, CO2
	TemperatureK float64 `json:"temperature_K"` // of the gas before the opening
	TemperatureU float64 `json:"temperature_u_K,omitempty"`
	AmbientPa    float64 `json:"ambient_Pa"` // absolute; the barometer channel overrides it where there is one
}

// Cell is what the criteria of a runaway and its results need to know of the
// cell. Zero: not given.
type Cell struct {
	CapacityAh float64 `json:"capacity_Ah,omitempty"` // nominal
	// MaxC is the maker's maximum operating temperature, °C: reaching it is the
	// regulation's criterion b.
	MaxC float64 `json:"max_operating_C,omitempty"`
}

// Options is the option struct of a Monitor.
type Options struct {
	Rig    Rig    `json:"rig"`
	Medium Medium `json:"medium"`
	// FalseAlarmS is the stated mean time between false alarms of the whole
	// bench, in s (default 1000 h).
	FalseAlarmS float64   `json:"false_alarm_s"`
	Features    []Feature `json:"features,omitempty"` // in the expected order of opening
	Fixture     Fixture   `json:"fixture"`
	Cell        Cell      `json:"cell,omitzero"` // of a runaway rig
	// Channels is the bench's channel table; RateHz the nominal sample rate of
	// each channel (same length; 0: not known, measured from the samples).
	Channels []daq.Channel `json:"channels"`
	RateHz   []float64     `json:"rate_Hz"`
}
