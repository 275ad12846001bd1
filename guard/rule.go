package guard

import (
	"ventward/daq"
	"ventward/detect"
)

// RuleKind is what a rule watches.
type RuleKind string

const (
	LimitHigh RuleKind = "limit-high" // a channel at or above Limit
	LimitLow  RuleKind = "limit-low"  // a channel at or below Limit
	// Rate: the slope of a channel over WindowS at or beyond Limit, which is in
	// the channel's unit per second; a negative Limit watches the fall.
	Rate RuleKind = "rate"
	// Deviation: the two channels of a redundant pair differ by Limit or more.
	Deviation RuleKind = "deviation"
	// Digital: a 0/1 input is in the state AlarmOn. An input that is no
	// measurement counts as in that state.
	Digital RuleKind = "digital"
	OnEvent RuleKind = "event"        // a detected event of one of Events
	Stale   RuleKind = "stale"        // no sample of a channel for StaleS
	Faulty  RuleKind = "sensor-fault" // a channel's samples are no measurement

	Unconfirmed   RuleKind = "unconfirmed"   // an output's read-back differs from the demand, or is unknown
	Welded        RuleKind = "welded"        // an output is read back on although it was demanded off
	HeartbeatLost RuleKind = "heartbeat"     // an edge for the watchdog relay can't be written, or is withheld
	Lost          RuleKind = "lost"          // an instrument's port went away
	Bypassed      RuleKind = "bypassed"      // a trip is bypassed
	ProofOverdue  RuleKind = "proof-overdue" // a trip's proof test is overdue
	ClockStep     RuleKind = "clock-step"    // the wall clock jumped by StepS or more against bench time

	// What the program notices of itself; see Command, verb notice.
	Recording  RuleKind = "recording"  // the store fails or lags
	SpaceLow   RuleKind = "space-low"  // free space at or below Limit bytes, or called low by the notice
	Forwarding RuleKind = "forwarding" // the copy to the database lags by Limit s or more, or fails
	LoopLate   RuleKind = "loop-late"  // the daemon's own loop is Limit s or more behind
	// Standstill: the program stood still, so that nothing was watched for a
	// while. The condition is over when it runs again; the alarm is not.
	Standstill  RuleKind = "standstill"
	Description RuleKind = "description" // the bench description's file is no longer the one that runs
)

// RuleKinds lists every kind of rule.
func RuleKinds() []RuleKind {
	return []RuleKind{LimitHigh, LimitLow, Rate, Deviation, Digital, OnEvent, Stale, Faulty, Unconfirmed, Welded, HeartbeatLost,
		Lost, Bypassed, ProofOverdue, ClockStep, Recording, SpaceLow, Forwarding, LoopLate, Standstill, Description}
}

// Priority orders alarms; the words are those of the alarm-management
// standards.
type Priority string

const (
	Critical Priority = "critical"
	High     Priority = "high"
	Medium   Priority = "medium"
	Low      Priority = "low"
)

// A Rule is data in the bench description. Times are in s, values in the
// channel's unit (Pa, °C, V, ...).
type Rule struct {
	Name     string          `json:"name"`
	Kind     RuleKind        `json:"kind"`
	Channels []daq.ChannelID `json:"channels,omitempty"`
	// Vote says how many of Channels must agree (limit, rate and digital
	// rules). Empty: any one of them, and a faulty channel has no vote.
	Vote  Vote    `json:"vote,omitempty"`
	Limit float64 `json:"limit,omitempty"`
	// Deadband is how far a value must come back behind Limit before the
	// condition is gone.
	Deadband  float64       `json:"deadband,omitempty"`
	DelayOnS  float64       `json:"delay_on_s,omitempty"`  // the condition must hold this long before it counts
	DelayOffS float64       `json:"delay_off_s,omitempty"` // ... and be gone this long before it is over
	WindowS   float64       `json:"window_s,omitempty"`    // rate: the time over which the slope is taken
	StaleS    float64       `json:"stale_s,omitempty"`
	StepS     float64       `json:"step_s,omitempty"`   // clock-step: the jump that counts
	AlarmOn   string        `json:"alarm_on,omitempty"` // digital: "0" or "1", the state that is the condition
	Events    []detect.Kind `json:"events,omitempty"`
	// Feature limits an event rule to one feature's label; empty: any.
	Feature string `json:"feature,omitempty"`
	// Instruments limits a lost rule to these indices; empty: any.
	Instruments []int    `json:"instruments,omitempty"`
	Priority    Priority `json:"priority"`
	// Latching keeps the alarm on the list after its condition is gone, until
	// somebody resets it.
	Latching bool `json:"latching,omitempty"`
	// ReAlarmS announces an acknowledged alarm again while its condition still
	// stands after this long; zero: never.
	ReAlarmS float64 `json:"re_alarm_s,omitempty"`
	// NeverShelve forbids shelving.
	NeverShelve bool `json:"never_shelve,omitempty"`
	// Phases are those of the test in which the alarm is active; elsewhere it
	// is suppressed by design. Empty: all. The trip is not touched by this.
	Phases []Phase `json:"phases,omitempty"`
	// Trip lists the outputs (indices) demanded off when the rule holds. Empty:
	// the rule only alarms.
	Trip []int `json:"trip,omitempty"`
	// TripPhases are those of the test in which the condition trips. Empty:
	// all. Under test and holding pressure can't be left out. A condition that
	// stands when such a phase is entered trips at once.
	TripPhases []Phase `json:"trip_phases,omitempty"`
	// ProofDue is the date (YYYY-MM-DD) until which the trip's proof test is
	// good. Empty: not stated.
	ProofDue string `json:"proof_due,omitempty"`
	// EndsWatch makes the pressure watch wait until the condition is gone (a
	// gas detector, say).
	EndsWatch bool `json:"ends_watch,omitempty"`
	// Text says what to do.
	Text string `json:"text,omitempty"`
}

// ofChannels tells whether rules of this kind watch channels.
func (k RuleKind) ofChannels() bool {
	switch k {
	case LimitHigh, LimitLow, Rate, Deviation, Digital, Stale, Faulty:
		return true
	}
	return false
}

// votes tells whether rules of this kind may vote over channels.
func (k RuleKind) votes() bool {
	return k == LimitHigh || k == LimitLow || k == Rate || k == Digital
}
