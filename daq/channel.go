package daq

import "ventward/daq/calib"

// ChannelID indexes a channel in the bench's channel table.
type ChannelID uint16

// Quantity is what a channel measures; it fixes the unit of its samples.
type Quantity string

const (
	Pressure    Quantity = "pressure"    // Pa, gauge or absolute as Channel.Reference says
	Temperature Quantity = "temperature" // °C
	Voltage     Quantity = "voltage"     // V
	Current     Quantity = "current"     // A
	Force       Quantity = "force"       // N
	Digital     Quantity = "digital"     // 0 or 1
	Number      Quantity = "number"      // a plain number without a unit
)

// Reference tells from where a pressure is counted. Empty for other quantities.
type Reference string

const (
	Gauge    Reference = "gauge"    // from the ambient pressure
	Absolute Reference = "absolute" // from vacuum
)

// Role is what a channel means to the job. Channels without a role are stored
// and shown, not analysed.
type Role string

const (
	RoleNone        Role = ""
	RoleSpecimen    Role = "p"            // pressure in the specimen's volume; several channels may carry it (redundant sensors)
	RoleSupply      Role = "p_supply"     // pressure before the supply valve
	RoleBarometer   Role = "p_ambient"    // barometer or back-pressure
	RoleSkin        Role = "t_skin"       // skin of the cell
	RoleGas         Role = "t_gas"        // gas in the vessel or fixture
	RoleRoom        Role = "t_ambient"    // room
	RoleJunction    Role = "t_junction"   // cold junction of thermocouples
	RoleCell        Role = "u_cell"       // cell voltage
	RoleDumpValve   Role = "dump_valve"   // 1 = open
	RoleSupplyValve Role = "supply_valve" // 1 = open
	RoleShield      Role = "shield"       // 1 = closed
	RoleEStop       Role = "estop"        // 1 = circuit healthy
	RoleCID         Role = "cid"          // 1 = continuity
	RoleTrigger     Role = "trigger"      // 1 = on
)

// A Channel is one transducer on one column of one instrument, with the
// calibration in force. It is an option struct: config fills it, it travels in
// the record as JSON, and Conditioner uses it.
type Channel struct {
	Name       string    `json:"name"`
	Role       Role      `json:"role,omitempty"`
	Quantity   Quantity  `json:"quantity"`
	Reference  Reference `json:"reference,omitempty"`
	Instrument int       `json:"instrument"` // index in the bench's instrument table
	Column     int       `json:"column"`     // column of that instrument's batches
	Floats     bool      `json:"floats,omitempty"`

	// Curve turns a raw reading into the channel's unit.
	Curve calib.Curve `json:"curve"`

	// Low and High are the transducer's range in the channel's unit (Pa, °C,
	// V, ...). At and above 98 % of High (and of Low where Low < 0) a sample is
	// Saturated. Both zero: no range is known.
	Low  float64 `json:"low,omitempty"`
	High float64 `json:"high,omitempty"`

	// RailLow and RailHigh are raw readings at or beyond which the converter
	// is at its end. Both zero: not known.
	RailLow  float64 `json:"rail_low,omitempty"`
	RailHigh float64 `json:"rail_high,omitempty"`

	// OpenBelow is the raw reading below which the loop is open (a 4-20 mA
	// transmitter below 3.6 mA, say). Zero: not known.
	OpenBelow float64 `json:"open_below,omitempty"`
	// OpenAbove is the raw reading above which the sensor is open (a converter
	// that drives an open thermocouple to its upper end, say). Zero: not known.
	OpenAbove float64 `json:"open_above,omitempty"`

	// Step is one raw count in the channel's unit near the middle of its range
	// (LSB). Zero: not known.
	Step float64 `json:"step,omitempty"`

	// LagS is the transducer's time constant in s (first order), LagUS its
	// standard uncertainty. Zero LagS: unknown, results carry lag-unknown.
	LagS  float64 `json:"lag_s,omitempty"`
	LagUS float64 `json:"lag_u_s,omitempty"`
	// DelayS is the transport delay of the impulse line in s.
	DelayS float64 `json:"delay_s,omitempty"`

	// ResonanceHz is the natural frequency of the impulse line and the transducer's
	// cavity, ResonanceDamping its damping ratio. Zero: not identified.
	ResonanceHz      float64 `json:"resonance_hz,omitempty"`
	ResonanceDamping float64 `json:"resonance_damping,omitempty"`

	// Zeroed tells that the zero was verified with the line open to air.
	Zeroed bool `json:"zeroed,omitempty"`
	// Certificate names the calibration in force; empty: uncalibrated.
	Certificate string `json:"certificate,omitempty"`
	// CalDue is the date (YYYY-MM-DD) until which the certificate is in force.
	CalDue string `json:"cal_due,omitempty"`
}

// IsPressure tells whether the channel watches the specimen's volume.
func (c *Channel) IsPressure() bool { return c.Quantity == Pressure && c.Role == RoleSpecimen }
