package guard

import "ventward/daq"

// Phase returns the state of the test and the bench time it was entered.
func (g *Guard) Phase() (Phase, int64) { return g.s.Phase, g.s.PhaseAt }

// Names returns the two persons that were named for arming; empty: not named.
func (g *Guard) Names() [2]string { return g.s.Names }

// Trips returns a copy of every trip that has outputs, the bypassed among
// them.
func (g *Guard) Trips() []Trip {
	var ts []Trip
	for _, t := range g.s.Trips {
		if len(t.Outputs) > 0 {
			ts = append(ts, t)
		}
	}
	return ts
}

// Alarms returns a copy of every alarm that is not normal: unanswered,
// standing, latched, or silenced by a person. Those that the bench's design
// keeps silent without an occurrence are in Rules only.
func (g *Guard) Alarms() []Alarm {
	var as []Alarm
	for _, a := range g.s.Alarms {
		if a.State != Normal && a.ID != 0 {
			as = append(as, a)
		}
	}
	return as
}

// RuleView is one rule as it stands.
type RuleView struct {
	Rule     string     `json:"rule"`
	Kind     RuleKind   `json:"kind"`
	Priority Priority   `json:"priority"`
	Holds    bool       `json:"holds"` // the condition holds now
	Alarm    AlarmState `json:"alarm"`
	Until    int64      `json:"until,omitempty"`    // shelved until, bench time, ns
	Reason   string     `json:"reason,omitempty"`   // silenced by a person: why
	Degraded string     `json:"degraded,omitempty"` // what its vote has become
}

// Rules returns every rule as it stands.
func (g *Guard) Rules() []RuleView {
	out := make([]RuleView, len(g.o.Rules))
	for i := range g.o.Rules {
		r := &g.o.Rules[i]
		out[i] = RuleView{Rule: r.Name, Kind: r.Kind, Priority: r.Priority, Holds: g.s.Holds[i], Alarm: g.s.Alarms[i].State,
			Until: g.s.Muted[i].Until, Reason: g.s.Muted[i].Reason, Degraded: r.Vote.Degraded(g.s.Faulty[i])}
	}
	return out
}

// OutputView is what is wanted and known of one output.
type OutputView struct {
	Want   bool
	State  daq.OutputState
	Since  int64
	Agrees bool // read back as demanded, after the demand
	Why    string
}

// Output returns the view of output i.
func (g *Guard) Output(i int) OutputView {
	o := &g.s.Outputs[i]
	agrees := o.State != daq.OutputUnknown && (o.State == daq.OutputOn) == o.Want && o.Read >= o.Serial
	return OutputView{Want: o.Want, State: o.State, Since: o.Since, Agrees: agrees, Why: o.Why}
}

// Demands returns the newest demand of every output but the heartbeat.
func (g *Guard) Demands() []daq.Demand {
	var ds []daq.Demand
	for i := range g.s.Outputs {
		if !g.o.Outputs[i].Heartbeat {
			ds = append(ds, daq.Demand{Output: i, On: g.s.Outputs[i].Want, Serial: g.s.Outputs[i].Serial})
		}
	}
	return ds
}

// Serial is the number of the newest demand.
func (g *Guard) Serial() uint64 { return g.s.NextDemand }

// Heartbeat returns the output that carries the heartbeat (-1: none), the
// bench time of its last edge, and why no edge is sent (empty: edges are sent).
func (g *Guard) Heartbeat() (output int, last int64, why string) {
	if g.heart < 0 {
		return -1, 0, ""
	}
	return g.heart, g.s.Outputs[g.heart].Asked, g.s.Unbeat
}
