package guard

import (
	"encoding/json"
	"fmt"
	"slices"

	"ventward/daq"
)

// state is everything that a Guard carries from call to call, except the
// memory of its conditions; a snapshot keeps both.
type state struct {
	Phase      Phase             `json:"phase"`
	PhaseAt    int64             `json:"phase_at"`
	Now        int64             `json:"now"`
	Began      int64             `json:"began"`
	Alarms     []Alarm           `json:"alarms"` // one a rule
	Muted      []muted           `json:"muted"`  // one a rule
	Holds      []bool            `json:"holds"`  // one a rule
	Faulty     []int             `json:"faulty"` // one a rule: channels without a vote
	Trips      []Trip            `json:"trips"`  // one a rule
	Outputs    []output          `json:"outputs"`
	NextAlarm  int               `json:"next_alarm"`
	NextDemand uint64            `json:"next_demand"`
	Unbeat     string            `json:"unbeat,omitempty"`
	Confirmed  int64             `json:"confirmed"` // bench time of the heartbeat's newest read-back, ns
	Conds      []memory          `json:"conds"`
	Seen       []int64           `json:"seen"`   // by channel: the older of newest sample time and its arrival
	Newest     []point           `json:"newest"` // by channel: newest sound sample
	Low        []int64           `json:"low"`    // by channel: bench time since which it is near ambient; 0: it is not
	Health     []memory          `json:"health"` // by channel: whether it is no measurement
	Slopes     []slope           `json:"slopes,omitempty"`
	Pairs      []pair            `json:"pairs,omitempty"`
	Load       load              `json:"load"`
	Test       test              `json:"test"`
	Notices    map[string]notice `json:"notices"`
	Settled    []bool            `json:"settled"` // by instrument
	Names      [2]string         `json:"names"`
	Date       string            `json:"date,omitempty"` // YYYY-MM-DD
	Day        int64             `json:"day,omitempty"`  // of the wall clock, days since 1970
	Offset     int64             `json:"offset,omitempty"`
	Walled     bool              `json:"walled,omitempty"`
	// Entered is what persons did between tests and entered, by what and subject.
	Entered map[string]Entered `json:"entered,omitempty"`
}

func newState(o Options) state {
	r, n := len(o.Rules), len(o.Channels)
	s := state{Phase: AtRest, Alarms: make([]Alarm, r), Muted: make([]muted, r), Holds: make([]bool, r), Faulty: make([]int, r),
		Trips: make([]Trip, r), Outputs: make([]output, len(o.Outputs)), Seen: make([]int64, n), Newest: make([]point, n),
		Low: make([]int64, n), Health: make([]memory, n), Notices: map[string]notice{}, Entered: map[string]Entered{}, Settled: make([]bool, clocks(o.Channels)),
		Load: load{Rules: make([][chatterN]int64, r)}, Test: test{High: make([]float64, n), From: make([]float64, n)}}
	for i := range o.Rules {
		s.Alarms[i] = Alarm{Rule: o.Rules[i].Name, State: Normal}
		s.Trips[i] = Trip{Rule: o.Rules[i].Name, Outputs: slices.Clone(o.Rules[i].Trip), ProofDue: o.Rules[i].ProofDue}
	}
	for i := range o.Outputs {
		s.Outputs[i].State = daq.OutputUnknown
	}
	return s
}

// Snapshot is everything the guard carries, as JSON, so that a run's record
// can begin with what was latched and unanswered when it began. A guard that
// is restored from it does on the same calls what this one does.
func (g *Guard) Snapshot() json.RawMessage {
	s := g.s
	s.Conds = make([]memory, len(g.conds))
	for i := range g.conds {
		s.Conds[i] = g.conds[i].memory
	}
	b, err := json.Marshal(s)
	if err != nil { // every number is finite, every key a string: cannot happen
		return nil
	}
	return b
}

// Restore begins from a snapshot of a guard with the same rules, channels and
// outputs. The error leaves the guard as it was.
func (g *Guard) Restore(snapshot json.RawMessage) error {
	if len(snapshot) == 0 {
		return nil
	}
	s, want := newState(g.o), newState(g.o)
	s.Slopes, s.Pairs = make([]slope, len(g.s.Slopes)), make([]pair, len(g.s.Pairs))
	want.Slopes, want.Pairs = g.s.Slopes, g.s.Pairs
	if err := json.Unmarshal(snapshot, &s); err != nil {
		return fmt.Errorf("guard: snapshot unreadable: %w: the record is damaged; run verify", err)
	}
	if s.Conds == nil { // of a version that judged conditions anew
		s.Conds = make([]memory, len(g.conds))
		for i := range g.conds {
			if r := g.conds[i].rule; r < len(s.Holds) && s.Holds[r] {
				s.Conds[i].Raw, s.Conds[i].Holds = true, true
			}
		}
	}
	if err := s.fits(&want, len(g.conds)); err != nil {
		return err
	}
	if s.Notices == nil {
		s.Notices = map[string]notice{}
	}
	for i := range g.conds {
		g.conds[i].memory = s.Conds[i]
	}
	if s.Entered == nil {
		s.Entered = map[string]Entered{}
	}
	s.Conds = nil
	g.s = s
	for i := range g.s.Trips {
		g.s.Trips[i].ProofDue = g.proofDue(i)
	}
	return nil
}

// fits tells whether a snapshot is one of this bench.
func (s *state) fits(want *state, conds int) error {
	same := true
	for _, l := range [...][2]int{
		{len(s.Alarms), len(want.Alarms)}, {len(s.Muted), len(want.Muted)}, {len(s.Holds), len(want.Holds)}, {len(s.Faulty), len(want.Faulty)},
		{len(s.Trips), len(want.Trips)}, {len(s.Outputs), len(want.Outputs)}, {len(s.Conds), conds},
		{len(s.Seen), len(want.Seen)}, {len(s.Newest), len(want.Newest)}, {len(s.Low), len(want.Low)}, {len(s.Health), len(want.Health)},
		{len(s.Slopes), len(want.Slopes)}, {len(s.Pairs), len(want.Pairs)}, {len(s.Load.Rules), len(want.Load.Rules)},
		{len(s.Test.High), len(want.Test.High)}, {len(s.Test.From), len(want.Test.From)}, {len(s.Settled), len(want.Settled)},
	} {
		same = same && l[0] == l[1]
	}
	if !same {
		return fmt.Errorf("guard: snapshot has %d rules and %d outputs, the bench %d and %d, or their channels differ: use the bench description of the record",
			len(s.Alarms), len(s.Outputs), len(want.Alarms), len(want.Outputs))
	}
	for i := range s.Alarms {
		if s.Alarms[i].Rule != want.Alarms[i].Rule || s.Trips[i].Rule != want.Trips[i].Rule || !slices.Equal(s.Trips[i].Outputs, want.Trips[i].Outputs) {
			return fmt.Errorf("guard: rule %d of the snapshot is %q, of the bench %q, or trips other outputs: use the bench description of the record", i, s.Alarms[i].Rule, want.Alarms[i].Rule)
		}
		if !slices.Contains(AlarmStates(), s.Alarms[i].State) {
			return fmt.Errorf("guard: snapshot: alarm of %q is in no known state %q: the record is damaged; run verify", s.Alarms[i].Rule, s.Alarms[i].State)
		}
	}
	if !slices.Contains(Phases(), s.Phase) || len(s.Load.Times) > loadRing {
		return fmt.Errorf("guard: snapshot: phase %q or the list of announcements is impossible: the record is damaged; run verify", s.Phase)
	}
	return nil
}
