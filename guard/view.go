package guard

import (
	"encoding/json"
	"fmt"
	"slices"

	"ventward/daq"
)

// Phase returns the state of the test and the bench time it was entered.
func (g *Guard) Phase() (Phase, int64) { return g.s.Phase, g.s.PhaseAt }

// Trips returns a copy of every trip that has outputs.
func (g *Guard) Trips() []Trip {
	var ts []Trip
	for _, t := range g.s.Trips {
		if len(t.Outputs) > 0 {
			ts = append(ts, t)
		}
	}
	return ts
}

// Alarms returns a copy of every alarm that is not normal.
func (g *Guard) Alarms() []Alarm {
	var as []Alarm
	for _, a := range g.s.Alarms {
		if a.State != Normal {
			as = append(as, a)
		}
	}
	return as
}

// OutputView is what is wanted and known of one output.
type OutputView struct {
	Want   bool
	State  daq.OutputState
	Since  int64
	Agrees bool
	Why    string
}

// Output returns the view of output i.
func (g *Guard) Output(i int) OutputView {
	o := &g.s.Outputs[i]
	agrees := o.State != daq.OutputUnknown && (o.State == daq.OutputOn) == o.Want
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

// Heartbeat returns the output that carries the heartbeat (-1: none), the
// bench time of its last edge, and why no edge is sent (empty: edges are sent).
func (g *Guard) Heartbeat() (output int, last int64, why string) {
	if g.heart < 0 {
		return -1, 0, ""
	}
	return g.heart, g.s.Outputs[g.heart].Asked, g.s.Unbeat
}

// Snapshot is the guard's state as JSON, so that a run's record can begin with
// what was latched and unanswered when it began.
func (g *Guard) Snapshot() json.RawMessage {
	s := g.s
	s.Alarms, s.Holds, s.Trips, s.Outputs = slices.Clone(s.Alarms), slices.Clone(s.Holds), slices.Clone(s.Trips), slices.Clone(s.Outputs)
	b, err := json.Marshal(s)
	if err != nil { // only numbers, strings and booleans: cannot happen with finite values
		return nil
	}
	return b
}

// Restore begins from a snapshot of a guard with the same rules and outputs.
func (g *Guard) Restore(snapshot json.RawMessage) error {
	if len(snapshot) == 0 {
		return nil
	}
	var s state
	if err := json.Unmarshal(snapshot, &s); err != nil {
		return fmt.Errorf("guard: snapshot unreadable: %w: the record is damaged; run verify", err)
	}
	if len(s.Alarms) != len(g.s.Alarms) || len(s.Outputs) != len(g.s.Outputs) || len(s.Holds) != len(g.s.Holds) || len(s.Trips) != len(g.s.Trips) {
		return fmt.Errorf("guard: snapshot has %d rules and %d outputs, the bench %d and %d: use the bench description of the record", len(s.Alarms), len(s.Outputs), len(g.s.Alarms), len(g.s.Outputs))
	}
	g.s = s
	for i := range g.conds { // what held then is judged anew by the first samples and ticks
		held := s.Holds[g.conds[i].rule]
		g.conds[i].raw, g.conds[i].holds = held, held
	}
	return nil
}
