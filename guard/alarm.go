package guard

import "ventward/daq"

// AlarmState is an alarm's place in its life, in the words of the
// alarm-management standards.
type AlarmState string

const (
	Normal                 AlarmState = "normal"
	Unacknowledged         AlarmState = "unacknowledged"
	Acknowledged           AlarmState = "acknowledged"
	ReturnedUnacknowledged AlarmState = "returned-unacknowledged"
)

// An Alarm is a condition that an operator must answer. A change of state
// gives a new Alarm value with the same ID.
type Alarm struct {
	ID       int           `json:"id"` // grows with every new occurrence
	Rule     string        `json:"rule"`
	Priority Priority      `json:"priority"`
	State    AlarmState    `json:"state"`
	Since    int64         `json:"since"`   // bench time at which the condition came, ns
	Changed  int64         `json:"changed"` // bench time of this state, ns
	Channel  daq.ChannelID `json:"channel"`
	Value    float64       `json:"value"` // channel's unit; NaN is never used: 0 where there is none
	Message  string        `json:"message"`
	Text     string        `json:"text"` // what to do
	First    bool          `json:"first,omitempty"`
	Who      string        `json:"who,omitempty"` // who acknowledged
}
