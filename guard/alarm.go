package guard

import "ventward/daq"

// AlarmState is an alarm's place in its life: the nine states of ANSI/ISA-18.2
// and IEC 62682.
type AlarmState string

const (
	Normal                 AlarmState = "normal"                  // A
	Unacknowledged         AlarmState = "unacknowledged"          // B
	Acknowledged           AlarmState = "acknowledged"            // C
	ReturnedUnacknowledged AlarmState = "returned-unacknowledged" // D
	LatchedUnacknowledged  AlarmState = "latched-unacknowledged"  // E
	LatchedAcknowledged    AlarmState = "latched-acknowledged"    // F
	Shelved                AlarmState = "shelved"                 // G
	SuppressedByDesign     AlarmState = "suppressed-by-design"    // H
	OutOfService           AlarmState = "out-of-service"          // I
)

// AlarmStates lists the nine states in the order of their letters, A to I.
func AlarmStates() []AlarmState {
	return []AlarmState{Normal, Unacknowledged, Acknowledged, ReturnedUnacknowledged, LatchedUnacknowledged, LatchedAcknowledged,
		Shelved, SuppressedByDesign, OutOfService}
}

// Unanswered tells whether somebody still has to acknowledge.
func (s AlarmState) Unanswered() bool {
	return s == Unacknowledged || s == ReturnedUnacknowledged || s == LatchedUnacknowledged
}

// Silenced tells whether the alarm is shelved, suppressed by design or out of
// service. Its trip is not.
func (s AlarmState) Silenced() bool {
	return s == Shelved || s == SuppressedByDesign || s == OutOfService
}

// An AlarmInput moves an alarm from state to state.
type AlarmInput string

const (
	Occurs           AlarmInput = "occurs"              // the condition came
	Clears           AlarmInput = "clears"              // the condition is gone, the rule does not latch
	ClearsLatched    AlarmInput = "clears-latched"      // the condition is gone, the rule latches
	Acknowledges     AlarmInput = "acknowledge"         // somebody answered
	Resets           AlarmInput = "reset"               // somebody reset what latched
	ReAlarms         AlarmInput = "re-alarm"            // the condition stands on after an acknowledgement
	Shelves          AlarmInput = "shelve"              // silenced by a person, for a time
	Suppresses       AlarmInput = "suppress"            // silenced by the bench's design
	RemovesService   AlarmInput = "remove-from-service" // silenced by a person, until put back
	ReleasesStanding AlarmInput = "release-standing"    // no longer silenced, the condition stands
	ReleasesQuiet    AlarmInput = "release-quiet"       // no longer silenced, there is no condition
)

// transitions is the whole table of an alarm's life; what isn't in it changes
// nothing. Above all: acknowledging never clears a condition that stands, nor
// resets a latch. The three silenced states are reached from every state.
//
// Source: ANSI/ISA-18.2-2016, IEC 62682 (letters and transitions from memory).
// The return of a condition to a latched alarm (E, F) is common practice, no
// source.
var transitions = map[AlarmState]map[AlarmInput]AlarmState{
	Normal:                 {Occurs: Unacknowledged},
	Unacknowledged:         {Acknowledges: Acknowledged, Clears: ReturnedUnacknowledged, ClearsLatched: LatchedUnacknowledged},
	Acknowledged:           {Clears: Normal, ClearsLatched: LatchedAcknowledged, ReAlarms: Unacknowledged},
	ReturnedUnacknowledged: {Acknowledges: Normal, Occurs: Unacknowledged},
	LatchedUnacknowledged:  {Acknowledges: LatchedAcknowledged, Occurs: Unacknowledged},
	LatchedAcknowledged:    {Resets: Normal, Occurs: Unacknowledged},
	Shelved:                {ReleasesStanding: Unacknowledged, ReleasesQuiet: Normal},
	SuppressedByDesign:     {ReleasesStanding: Unacknowledged, ReleasesQuiet: Normal},
	OutOfService:           {ReleasesStanding: Unacknowledged, ReleasesQuiet: Normal},
}

// After is the state that follows s on an input.
func (s AlarmState) After(in AlarmInput) AlarmState {
	switch in {
	case Shelves:
		return Shelved
	case Suppresses:
		return SuppressedByDesign
	case RemovesService:
		return OutOfService
	}
	if next, ok := transitions[s][in]; ok {
		return next
	}
	return s
}

// An Alarm is a condition that an operator must answer. A change of state
// gives a new Alarm value with the same ID.
type Alarm struct {
	ID       int           `json:"id"` // grows with every new occurrence; the return of one not yet answered keeps it
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
	Who      string        `json:"who,omitempty"`     // who acknowledged or silenced
	Count    int           `json:"count,omitempty"`   // how often it was announced under this ID
	Until    int64         `json:"until,omitempty"`   // shelved: bench time at which that ends, ns
	Reason   string        `json:"reason,omitempty"`  // shelved or out of service: why
	Chatter  bool          `json:"chatter,omitempty"` // announced three times or more within a minute
}

// announce moves the alarm of a rule by an input and tells the change. The
// condition c, if any, is what to say.
func (g *Guard) announce(rule int, in AlarmInput, c *condition, now int64) {
	a := &g.s.Alarms[rule]
	was, next := a.State, a.State.After(in)
	if next == was {
		return
	}
	if was == Normal || a.ID == 0 {
		a.ID = 0
		switch {
		case next == Normal, next == SuppressedByDesign: // by design, without an occurrence: nothing to tell
			a.State, a.Changed = next, now
			return
		}
		r := &g.o.Rules[rule]
		g.s.NextAlarm++
		*a = Alarm{ID: g.s.NextAlarm, Rule: r.Name, Priority: r.Priority, Since: now, Text: r.Text, First: next == Unacknowledged && g.first(rule)}
	}
	a.State, a.Changed = next, now
	if next == Unacknowledged {
		g.ring(rule, c, in != ReAlarms, now)
	}
	g.tell(*a)
}

// ring fills in what an alarm says when it calls for an answer.
func (g *Guard) ring(rule int, c *condition, came bool, now int64) {
	a := &g.s.Alarms[rule]
	a.Who, a.Reason, a.Until = "", "", 0
	if came {
		a.Since = now
	}
	if a.Count > 0 && g.s.Load.rang(rule, now) { // flaps within one batch: told once
		return
	}
	a.Count++
	if c == nil {
		c = g.speaker(rule)
	}
	if c != nil {
		a.Message, a.Value = g.message(c), finite(c.Value)
		if g.o.Rules[rule].Kind.ofChannels() {
			a.Channel = daq.ChannelID(c.index)
		}
	}
	a.Chatter = g.s.Load.count(rule, now)
}

// speaker is the condition of a rule that holds, or its first.
func (g *Guard) speaker(rule int) *condition {
	conds := g.of(rule)
	for i := range conds {
		if conds[i].Holds {
			return &conds[i]
		}
	}
	if len(conds) > 0 {
		return &conds[0]
	}
	return nil
}

// tell puts an alarm among what became ready; of several changes since the
// last Take the newest holds, so that a value which flaps within one batch
// gives one change.
func (g *Guard) tell(a Alarm) {
	for i := range g.ready.Alarms {
		if g.ready.Alarms[i].ID == a.ID {
			g.ready.Alarms = append(g.ready.Alarms[:i], g.ready.Alarms[i+1:]...)
			break
		}
	}
	g.ready.Alarms = append(g.ready.Alarms, a)
}

// raise moves the alarm of a rule after its conditions moved.
func (g *Guard) raise(rule int, holds bool, c *condition, now int64) {
	in := Clears
	switch {
	case holds:
		in = Occurs
	case g.o.Rules[rule].Latching:
		in = ClearsLatched
	}
	g.announce(rule, in, c, now)
	g.silence(rule, now)
}

// first tells that no other alarm is unresolved: the next one is first-out.
func (g *Guard) first(rule int) bool {
	for i := range g.s.Alarms {
		if s := g.s.Alarms[i].State; i != rule && s != Normal && !s.Silenced() {
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
		if a.State == Normal || a.ID == 0 || (id != 0 && a.ID != id) {
			continue
		}
		found = true
		if !a.State.Unanswered() {
			continue
		}
		a.Who = who
		g.announce(i, Acknowledges, nil, now)
		g.silence(i, now)
	}
	return found
}

// realarm announces acknowledged alarms again whose conditions stand on.
func (g *Guard) realarm(now int64) {
	for _, i := range g.again {
		a := &g.s.Alarms[i]
		if a.State == Acknowledged && g.s.Holds[i] && now-a.Changed >= seconds(g.o.Rules[i].ReAlarmS) {
			g.announce(i, ReAlarms, nil, now)
		}
	}
}
