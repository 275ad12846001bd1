package guard

import "ventward/daq"

// A Trip is the state of one rule's demand to make safe. It latches: only a
// reset, after its condition is gone, ends it.
type Trip struct {
	Rule    string `json:"rule"`
	Tripped bool   `json:"tripped"`
	Since   int64  `json:"since,omitempty"` // bench time, ns
	Stands  bool   `json:"stands"`          // the condition holds now
	Outputs []int  `json:"outputs"`
}

// output is what the guard wants of an output and knows of it.
type output struct {
	Permit bool            `json:"permit"` // the course of the test allows it on
	Want   bool            `json:"want"`   // the newest demand
	Serial uint64          `json:"serial"` // of the newest demand
	State  daq.OutputState `json:"state"`  // as read back
	Read   uint64          `json:"read"`   // serial of the demand the read-back answers
	Asked  int64           `json:"asked"`  // bench time of the newest demand
	Since  int64           `json:"since"`  // bench time since which State holds
	Why    string          `json:"why,omitempty"`
}

// trip latches a rule's trip.
func (g *Guard) trip(rule int, now int64) {
	t := &g.s.Trips[rule]
	if t.Tripped || len(t.Outputs) == 0 {
		return
	}
	t.Tripped, t.Since = true, now
	for _, o := range t.Outputs { // so that a reset alone never turns it on again
		g.s.Outputs[o].Permit = false
	}
	if g.s.Phase == Armed || g.s.Phase == UnderTest || g.s.Phase == HoldingPressure {
		g.enter(MakingSafe, now)
	}
	g.ready.Trips = true
	g.demand(now)
}

// demand derives the wish for every output from permits and trips, and makes a
// Demand of every change. Safe is off; nothing but a permit turns one on.
func (g *Guard) demand(now int64) {
	for i := range g.o.Outputs {
		if g.o.Outputs[i].Heartbeat {
			continue
		}
		want := g.s.Outputs[i].Permit && !g.tripped(i)
		if want != g.s.Outputs[i].Want {
			g.put(i, want, now)
		}
	}
}

func (g *Guard) put(i int, on bool, now int64) {
	o := &g.s.Outputs[i]
	g.s.NextDemand++
	o.Want, o.Serial, o.Asked = on, g.s.NextDemand, now
	g.ready.Demands = append(g.ready.Demands, daq.Demand{Output: i, On: on, Serial: o.Serial})
}

func (g *Guard) tripped(out int) bool {
	for i := range g.s.Trips {
		if !g.s.Trips[i].Tripped {
			continue
		}
		for _, o := range g.s.Trips[i].Outputs {
			if o == out {
				return true
			}
		}
	}
	return false
}

// permit allows or forbids all outputs but the heartbeat.
func (g *Guard) permit(on bool, now int64) {
	for i := range g.s.Outputs {
		if !g.o.Outputs[i].Heartbeat {
			g.s.Outputs[i].Permit = on
		}
	}
	g.demand(now)
}

// beat sends an edge to the watchdog relay when one is due and every rule that
// makes safe has fresh channels. A constant level is no heartbeat.
func (g *Guard) beat(now int64) {
	if g.heart < 0 || now-g.s.Outputs[g.heart].Asked < g.beatNS {
		return
	}
	if why := g.unfresh(now); why != "" {
		g.s.Unbeat = why
		return
	}
	g.s.Unbeat = ""
	g.put(g.heart, !g.s.Outputs[g.heart].Want, now)
}

// unfresh names a channel of a rule that makes safe which is not fresh.
func (g *Guard) unfresh(now int64) string {
	for _, c := range g.vital {
		if now-g.seen[c] > g.freshNS || g.seen[c] == 0 {
			return "no fresh reading of " + g.o.Channels[c].Name
		}
	}
	return ""
}
