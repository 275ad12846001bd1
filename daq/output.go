package daq

// An Output is one switched output of the bench (a valve, the heartbeat of a
// watchdog relay). Outputs are energise-to-run: the safe state is off.
type Output struct {
	Name       string `json:"name"`
	Instrument int    `json:"instrument"` // index of the instrument whose line carries it
	Address    int    `json:"address"`    // coil address for modbus
	// Line is the control line of the instrument's port that carries the
	// heartbeat, rts or dtr; empty: a coil, register or text command.
	Line string `json:"line,omitempty"`
	// Heartbeat marks the output whose EDGES keep the hard watchdog relay
	// closed. It is never a rule's to switch.
	Heartbeat bool `json:"heartbeat,omitempty"`
	// Role of what it drives: supply_valve, dump_valve, trigger (a runaway rig's
	// heater or other trigger) or empty.
	Role Role `json:"role,omitempty"`
	// OpenWhenOff tells that the valve opens when its output is de-energised
	// (a normally-open dump valve).
	OpenWhenOff bool `json:"open_when_off,omitempty"`
}

// A Demand is the newest wish of the loop for one output. Serial grows with
// every new wish, so that a read-back can say which wish it confirms.
type Demand struct {
	Output int    `json:"output"` // index in the bench's output table
	On     bool   `json:"on"`
	Serial uint64 `json:"serial"`
}

// OutputState is what is known of an output.
type OutputState string

const (
	OutputOff     OutputState = "off"     // read back off
	OutputOn      OutputState = "on"      // read back on
	OutputUnknown OutputState = "unknown" // write or read-back failed or timed out: treat as unsafe
)

// A Readback is what an output line saw after it acted on a demand, or when it
// polled the output.
type Readback struct {
	Output int         `json:"output"`
	State  OutputState `json:"state"`
	Serial uint64      `json:"serial"` // of the demand last written
	Reason string      `json:"reason,omitempty"`
}
