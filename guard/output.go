package guard

import (
	"fmt"
	"strings"

	"ventward/daq"
)

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
	SeenOn bool            `json:"seen_on,omitempty"`  // read back on, as demanded, since the guard was made
	Off    bool            `json:"seen_off,omitempty"` // ... and off after that: it was exercised
	Until  int64           `json:"until,omitempty"`    // exercised: bench time at which it goes off again
}

// unconfirmedNS is how long an output may take to confirm a demand before it
// is called unconfirmed, ns.
const unconfirmedNS = 500e6

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

// permit forbids all outputs but the heartbeat, or allows those that a test
// needs: a dump valve that opens with power is not among them.
func (g *Guard) permit(on bool, now int64) {
	for i := range g.s.Outputs {
		o := &g.o.Outputs[i]
		g.s.Outputs[i].Until = 0
		if !o.Heartbeat {
			g.s.Outputs[i].Permit = on && (o.Role != daq.RoleDumpValve || o.OpenWhenOff)
		}
	}
	g.demand(now)
}

// Readback takes what an output line saw.
func (g *Guard) Readback(r daq.Readback, now int64) {
	if r.Output < 0 || r.Output >= len(g.s.Outputs) {
		return
	}
	g.reach(now)
	o := &g.s.Outputs[r.Output]
	if o.State != r.State {
		o.Since = now
	}
	o.State, o.Read, o.Why = r.State, r.Serial, r.Reason
	if o.Read >= o.Serial {
		switch {
		case o.Want && o.State == daq.OutputOn:
			o.SeenOn = true
		case !o.Want && o.State == daq.OutputOff && o.SeenOn:
			o.Off = true
		}
	}
	g.confirm(now)
	g.advance(now)
}

// confirm judges whether outputs agree with their demands. A write that timed
// out leaves the state unknown, which is treated as unsafe.
func (g *Guard) confirm(now int64) {
	for _, k := range g.outputs {
		c := &g.conds[k]
		o := &g.s.Outputs[c.index]
		var raw bool
		switch c.kind {
		case Welded:
			raw = !o.Want && o.State == daq.OutputOn && o.Read >= o.Serial
		case HeartbeatLost:
			raw = g.unwritten(now)
		default:
			pending := o.Read < o.Serial || o.State == daq.OutputUnknown
			wrong := (o.State == daq.OutputOn) != o.Want && o.Read >= o.Serial && o.State != daq.OutputUnknown
			late := now-max(o.Asked, g.s.Began) > unconfirmedNS
			raw = wrong || pending && (late || c.Raw) // once doubted, only a confirmation will do
		}
		if raw && !c.Raw {
			c.What = g.outputWords(c, o)
		}
		g.set(c, raw, now, now)
	}
}

func (g *Guard) outputWords(c *condition, o *output) string {
	switch {
	case c.kind == Welded:
		return "demanded off, read back on: it may be welded or stuck; open its circuit by hand"
	case c.kind == HeartbeatLost && g.s.Unbeat != "":
		return "no edge for the watchdog relay is sent: " + g.s.Unbeat
	case c.kind == HeartbeatLost:
		return "an edge for the watchdog relay is not confirmed: read back " + o.seen()
	}
	return fmt.Sprintf("demanded %s, read back %s", onOff(o.Want), o.seen())
}

// seen is what was read back, with the reason where it says more than that.
func (o *output) seen() string {
	why := strings.TrimPrefix(o.Why, fmt.Sprintf("read back %s, demanded %s", o.State, onOff(o.Want)))
	if why = strings.TrimPrefix(why, ": "); why == "" {
		return string(o.State)
	}
	return fmt.Sprintf("%s (%s)", o.State, why)
}

// unwritten tells that the heartbeat's edges don't reach the relay: withheld
// for want of fresh readings, or not read back within two periods.
func (g *Guard) unwritten(now int64) bool {
	o := &g.s.Outputs[g.heart]
	if g.s.Began == 0 || now-g.s.Began < graceNS {
		return false
	}
	late := o.Read < o.Serial && now-g.s.Confirmed > max(2*g.beatNS, unconfirmedNS)
	return g.s.Unbeat != "" || o.State == daq.OutputUnknown || late
}

func onOff(on bool) string {
	if on {
		return "on"
	}
	return "off"
}

// beat sends an edge to the watchdog relay when one is due and every rule that
// makes safe has fresh channels. It is the last thing a tick does, when every
// rule was evaluated. A constant level is no heartbeat.
func (g *Guard) beat(now int64) {
	if g.heart < 0 {
		return
	}
	o := &g.s.Outputs[g.heart]
	if o.Read >= o.Serial && o.State != daq.OutputUnknown {
		g.s.Confirmed = now
	}
	if now-o.Asked < g.beatNS {
		return
	}
	g.s.Unbeat = g.unfresh(now)
	if g.s.Unbeat != "" {
		return
	}
	g.put(g.heart, !o.Want, now)
}

// unfresh names a channel of a rule that makes safe which is not fresh.
func (g *Guard) unfresh(now int64) string {
	for _, c := range g.vital {
		if t := g.s.Seen[c]; now-t > g.freshNS || t == 0 {
			return "no fresh reading of " + g.o.Channels[c].Name
		}
	}
	return ""
}
