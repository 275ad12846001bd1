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

// next is the alarm's state after its condition moved (holds) or somebody
// acknowledged it. Acknowledging never clears a condition that stands.
func (s AlarmState) next(holds, acknowledged bool) AlarmState {
	switch s {
	case Normal:
		if holds {
			return Unacknowledged
		}
	case Unacknowledged, ReturnedUnacknowledged:
		switch {
		case acknowledged && holds:
			return Acknowledged
		case acknowledged:
			return Normal
		case holds:
			return Unacknowledged
		default:
			return ReturnedUnacknowledged
		}
	case Acknowledged:
		if !holds {
			return Normal
		}
	}
	return s
}

// raise moves the alarm of a rule after its conditions moved.
func (g *Guard) raise(rule int, holds bool, c *condition, now int64) {
	a := &g.s.Alarms[rule]
	next := a.State.next(holds, false)
	if next == a.State {
		return
	}
	if a.State == Normal || (a.State == ReturnedUnacknowledged && next == Unacknowledged) {
		r := &g.o.Rules[rule]
		g.s.NextAlarm++
		*a = Alarm{ID: g.s.NextAlarm, Rule: r.Name, Priority: r.Priority, Since: now, Text: r.Text, First: g.quiet()}
		if c != nil {
			a.Message, a.Value = g.message(c), c.value
			if isChannelRule(r.Kind) {
				a.Channel = daq.ChannelID(c.index)
			}
		}
	}
	a.State, a.Changed = next, now
	g.ready.Alarms = append(g.ready.Alarms, *a)
}

// quiet tells that no other alarm is unresolved: the next one is first-out.
func (g *Guard) quiet() bool {
	for i := range g.s.Alarms {
		if g.s.Alarms[i].State != Normal {
			return false
		}
	}
	return true
}

// acknowledge answers one alarm by id, or all with id 0.
func (g *Guard) acknowledge(id int, who string, now int64) bool {
	found := false
	for i := range g.s.Alarms {
		a := &g.s.Alarms[i]
		if a.State == Normal || (id != 0 && a.ID != id) {
			continue
		}
		found = true
		next := a.State.next(g.s.Holds[i], true)
		if next == a.State {
			continue
		}
		a.State, a.Changed, a.Who = next, now, who
		g.ready.Alarms = append(g.ready.Alarms, *a)
	}
	return found
}

func isChannelRule(k RuleKind) bool {
	return k == LimitHigh || k == LimitLow || k == Stale || k == Faulty
}
