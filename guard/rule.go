package guard

import (
	"ventward/daq"
	"ventward/detect"
)

// RuleKind is what a rule watches.
type RuleKind string

const (
	LimitHigh   RuleKind = "limit-high"   // a channel at or above Limit
	LimitLow    RuleKind = "limit-low"    // a channel at or below Limit
	OnEvent     RuleKind = "event"        // a detected event of one of Events
	Stale       RuleKind = "stale"        // no sample of a channel for StaleS
	Faulty      RuleKind = "sensor-fault" // a channel's samples are no measurement
	Unconfirmed RuleKind = "unconfirmed"  // an output's read-back differs from the demand, or is unknown
	Lost        RuleKind = "lost"         // an instrument's port went away
	Recording   RuleKind = "recording"    // the store fails or lags
)

// Priority orders alarms; the words are those of the alarm-management
// standards.
type Priority string

const (
	Critical Priority = "critical"
	High     Priority = "high"
	Medium   Priority = "medium"
	Low      Priority = "low"
)

// A Rule is data in the bench description.
type Rule struct {
	Name     string          `json:"name"`
	Kind     RuleKind        `json:"kind"`
	Channels []daq.ChannelID `json:"channels,omitempty"`
	Limit    float64         `json:"limit,omitempty"`    // channel's unit (Pa, °C)
	Deadband float64         `json:"deadband,omitempty"` // channel's unit
	DelayOnS float64         `json:"delay_on_s,omitempty"`
	StaleS   float64         `json:"stale_s,omitempty"`
	Events   []detect.Kind   `json:"events,omitempty"`
	// Feature limits an event rule to one feature's label; empty: any.
	Priority Priority `json:"priority"`
	// Trip lists the outputs (indices) demanded off when the rule holds. Empty:
	// the rule only alarms.
	Trip []int `json:"trip,omitempty"`
	// Text says what to do.
	Text string `json:"text,omitempty"`
}
