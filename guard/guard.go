package guard

import (
	"errors"
	"fmt"
	"slices"
	"strconv"

	"ventward/daq"
	"ventward/detect"
)

// Ready is what the calls since the last Take produced; the caller acts on it
// in field order.
type Ready struct {
	Demands []daq.Demand // newest wishes for outputs, heartbeat edges included
	Alarms  []Alarm      // changes of alarms
	Trips   bool         // a trip latched or was reset
	Phase   bool         // the course of the test moved
}

// state is everything that a Guard carries from call to call and that a
// snapshot keeps.
type state struct {
	Phase      Phase    `json:"phase"`
	PhaseAt    int64    `json:"phase_at"`
	Alarms     []Alarm  `json:"alarms"` // one a rule
	Holds      []bool   `json:"holds"`  // one a rule
	Trips      []Trip   `json:"trips"`  // one a rule
	Outputs    []output `json:"outputs"`
	NextAlarm  int      `json:"next_alarm"`
	NextDemand uint64   `json:"next_demand"`
	Unbeat     string   `json:"unbeat,omitempty"`
}

// Guard judges one bench. The zero value is not usable; see New.
type Guard struct {
	o       Options
	s       state
	conds   []condition
	byChan  [][]int // conditions by channel: limit and fault
	stales  []int
	events  []int
	outputs []int
	links   []int
	record  []int
	delays  []int64
	seen    []int64 // by channel: the older of newest sample time and its arrival
	vital   []daq.ChannelID
	heart   int
	beatNS  int64
	freshNS int64
	began   int64
	ready   Ready
	spare   Ready
}

// unconfirmedNS is how long an output may take to confirm a demand before it
// is called unconfirmed, ns.
const unconfirmedNS = 500e6

// graceNS is how long after its start the program lets a channel that has never
// spoken be silent, ns.
const graceNS = int64(3e9)

// New returns a guard at rest with every output demanded off at its first
// tick, or an error that lists every problem of the options.
func New(o Options) (*Guard, error) {
	var errs []error
	for _, p := range o.Check() {
		errs = append(errs, p)
	}
	if len(errs) > 0 {
		return nil, errors.Join(errs...)
	}
	g := &Guard{o: o, heart: -1, beatNS: int64(o.HeartbeatS * 1e9), freshNS: 2e9}
	g.byChan = make([][]int, len(o.Channels))
	g.seen = make([]int64, len(o.Channels))
	g.s = state{Phase: AtRest, Alarms: make([]Alarm, len(o.Rules)), Holds: make([]bool, len(o.Rules)),
		Trips: make([]Trip, len(o.Rules)), Outputs: make([]output, len(o.Outputs))}
	for i, r := range o.Rules {
		g.s.Alarms[i] = Alarm{Rule: r.Name, State: Normal}
		g.s.Trips[i] = Trip{Rule: r.Name, Outputs: r.Trip}
		g.delays = append(g.delays, int64(r.DelayOnS*1e9))
		g.addConditions(i, r)
	}
	for i, out := range o.Outputs {
		g.s.Outputs[i].State = daq.OutputUnknown
		if out.Heartbeat {
			g.heart = i
		}
	}
	return g, nil
}

func (g *Guard) addConditions(i int, r Rule) {
	add := func(index int, factor int8) int {
		g.conds = append(g.conds, condition{rule: i, index: index, factor: factor})
		return len(g.conds) - 1
	}
	switch r.Kind {
	case LimitHigh, LimitLow, Faulty:
		factor := int8(1)
		if r.Kind == LimitLow {
			factor = -1
		}
		for _, c := range r.Channels {
			g.byChan[c] = append(g.byChan[c], add(int(c), factor))
		}
	case Stale:
		for _, c := range r.Channels {
			g.stales = append(g.stales, add(int(c), 0))
		}
	case OnEvent:
		g.events = append(g.events, add(0, 0))
	case Unconfirmed:
		for k, out := range g.o.Outputs {
			if !out.Heartbeat {
				g.outputs = append(g.outputs, add(k, 0))
			}
		}
	case Lost:
		g.links = append(g.links, add(0, 0))
	case Recording:
		g.record = append(g.record, add(0, 0))
	}
	if len(r.Trip) > 0 && isChannelRule(r.Kind) {
		for _, c := range r.Channels {
			if !slices.Contains(g.vital, c) {
				g.vital = append(g.vital, c)
			}
		}
	}
}

// moved judges a rule anew after one of its conditions moved.
func (g *Guard) moved(c *condition, now int64) {
	holds := false
	for i := range g.conds {
		if g.conds[i].rule == c.rule && g.conds[i].holds {
			holds = true
		}
	}
	g.s.Holds[c.rule] = holds
	g.s.Trips[c.rule].Stands = holds
	if holds {
		g.trip(c.rule, now)
	}
	g.raise(c.rule, holds, c, now)
}

// Sample judges consecutive samples of one channel that the loop took at bench
// time now.
func (g *Guard) Sample(ch daq.ChannelID, s []daq.Sample, now int64) {
	if len(s) == 0 {
		return
	}
	g.seen[ch] = min(now, s[len(s)-1].T)
	for _, k := range g.byChan[ch] {
		c := &g.conds[k]
		r := &g.o.Rules[c.rule]
		var changed bool
		if r.Kind == Faulty {
			changed = c.fault(g.delays[c.rule], s)
		} else {
			changed = c.limit(r, g.delays[c.rule], s)
		}
		if changed {
			g.moved(c, now)
		}
	}
}

// Event judges a new or revised event.
func (g *Guard) Event(e detect.Event, now int64) {
	for _, k := range g.events {
		c := &g.conds[k]
		stands := slices.Contains(g.o.Rules[c.rule].Events, e.Kind)
		if !stands && !c.standing[e.ID] {
			continue
		}
		if c.standing == nil {
			c.standing = map[int]bool{}
		}
		if stands {
			c.standing[e.ID] = true
			c.what = eventWords(&e, g.o.Channels)
		} else {
			delete(c.standing, e.ID)
		}
		if c.set(len(c.standing) > 0, now, 0) {
			g.moved(c, now)
		}
	}
	if e.Kind == detect.SensorFault {
		g.faultEvent(e)
	}
}

// faultEvent lets a standing sensor fault hold the fault rules of its channel.
// Faults of a few samples end with the event itself.
func (g *Guard) faultEvent(e detect.Event) {
	if e.Fault != detect.FaultOpen && e.Fault != detect.FaultRail && e.Fault != detect.FaultFrozen {
		return
	}
	if int(e.Channel) >= len(g.byChan) {
		return
	}
	for _, k := range g.byChan[e.Channel] {
		c := &g.conds[k]
		if g.o.Rules[c.rule].Kind != Faulty {
			continue
		}
		if c.standing == nil {
			c.standing = map[int]bool{}
		}
		if e.End == 0 {
			c.standing[e.ID], c.what = true, string(e.Fault)
		} else {
			delete(c.standing, e.ID)
		}
	}
}

func eventWords(e *detect.Event, chans []daq.Channel) string {
	s := string(e.Kind)
	if e.Feature != "" {
		s += " of " + e.Feature
	}
	if int(e.Channel) < len(chans) {
		s += " seen by " + chans[e.Channel].Name
	}
	return s
}

// Readback takes what an output line saw.
func (g *Guard) Readback(r daq.Readback, now int64) {
	if r.Output < 0 || r.Output >= len(g.s.Outputs) {
		return
	}
	o := &g.s.Outputs[r.Output]
	if o.State != r.State {
		o.Since = now
	}
	o.State, o.Read, o.Why = r.State, r.Serial, r.Reason
	g.confirm(now)
	g.advance(now)
}

// confirm judges whether outputs agree with their demands.
func (g *Guard) confirm(now int64) {
	for _, k := range g.outputs {
		c := &g.conds[k]
		o := &g.s.Outputs[c.index]
		pending := o.Read < o.Serial || o.State == daq.OutputUnknown
		wrong := (o.State == daq.OutputOn) != o.Want && o.Read == o.Serial && o.State != daq.OutputUnknown
		bad := wrong || (pending && now-max(o.Asked, g.began) > unconfirmedNS)
		if bad {
			c.what = fmt.Sprintf("demanded %s, read back %s %s", onOff(o.Want), o.State, o.Why)
		}
		if c.set(bad, now, g.delays[c.rule]) {
			g.moved(c, now)
		}
	}
}

func onOff(on bool) string {
	if on {
		return "on"
	}
	return "off"
}

// Link takes that an instrument's port went or came back.
func (g *Guard) Link(l daq.LinkState, now int64) {
	for _, k := range g.links {
		c := &g.conds[k]
		if c.standing == nil {
			c.standing = map[int]bool{}
		}
		if l.Up {
			delete(c.standing, l.Instrument)
		} else {
			c.standing[l.Instrument] = true
			c.what = fmt.Sprintf("instrument %d: %s", l.Instrument, l.Reason)
		}
		if c.set(len(c.standing) > 0, now, 0) {
			g.moved(c, now)
		}
	}
}

// Tick tells that bench time has reached now: silence is noticed, delays run
// out, and the heartbeat gets its edge.
func (g *Guard) Tick(now int64) {
	if g.began == 0 {
		g.began = now
		for i := range g.o.Outputs {
			if !g.o.Outputs[i].Heartbeat && g.s.Outputs[i].Serial == 0 {
				g.put(i, false, now)
			}
		}
	}
	for _, k := range g.stales {
		c := &g.conds[k]
		last := g.seen[c.index]
		if last == 0 { // ports take a moment to open; arming waits for fresh readings anyway
			last = g.began + graceNS
		}
		silent := now-last > int64(g.o.Rules[c.rule].StaleS*1e9)
		if c.set(silent, now, 0) {
			g.moved(c, now)
		}
	}
	g.confirm(now)
	g.advance(now)
	g.beat(now)
}

// Command takes a person's or the program's wish. The error says why not and
// what to do.
func (g *Guard) Command(c daq.Command, now int64) error {
	switch c.Verb {
	case "arm":
		if g.s.Phase != AtRest && g.s.Phase != Preparing {
			return fmt.Errorf("cannot arm while %s: end the test first", g.s.Phase)
		}
		if t := g.anyTrip(); t != "" {
			return fmt.Errorf("cannot arm: trip %q is latched: cure its cause, then reset", t)
		}
		if why := g.unfresh(now); why != "" {
			return fmt.Errorf("cannot arm: %s: look at its instrument", why)
		}
		g.enter(Armed, now)
	case "pressurise":
		if g.s.Phase != Armed {
			return fmt.Errorf("cannot pressurise while %s: arm first", g.s.Phase)
		}
		g.enter(UnderTest, now)
		g.permit(true, now)
	case "abort", "make-safe":
		if g.s.Phase == AtRest {
			g.permit(false, now)
			return nil
		}
		g.permit(false, now)
		if g.s.Phase != PressureWatch {
			g.enter(MakingSafe, now)
		}
		g.advance(now)
	case "end":
		g.permit(false, now)
		g.enter(AtRest, now)
	case "acknowledge":
		return g.acknowledgeCommand(c, now)
	case "reset":
		return g.reset(now)
	case "recording":
		g.recording(c, now)
	}
	return nil
}

func (g *Guard) acknowledgeCommand(c daq.Command, now int64) error {
	id := 0
	if s := c.Args["id"]; s != "" && s != "all" {
		n, err := strconv.Atoi(s)
		if err != nil || n <= 0 {
			return fmt.Errorf("acknowledge: id %q is not an alarm's number: use one from the list of alarms, or all", s)
		}
		id = n
	}
	if !g.acknowledge(id, c.Who, now) && id != 0 {
		return fmt.Errorf("acknowledge: no alarm %d stands: it was answered or its rule is quiet", id)
	}
	return nil
}

// recording takes what the program itself noticed of the record (store).
func (g *Guard) recording(c daq.Command, now int64) {
	for _, k := range g.record {
		cond := &g.conds[k]
		cond.what = "recording: " + c.Args["reason"]
		if cond.set(c.Args["ok"] != "true", now, 0) {
			g.moved(cond, now)
		}
	}
}

func (g *Guard) anyTrip() string {
	for i := range g.s.Trips {
		if g.s.Trips[i].Tripped {
			return g.s.Trips[i].Rule
		}
	}
	return ""
}

// reset ends latched trips whose condition is gone. Events are acts of the
// past: a reset takes note of them. Outputs stay off until the course of a
// test permits them anew.
func (g *Guard) reset(now int64) error {
	var stands []string
	for _, k := range g.events {
		c := &g.conds[k]
		clear(c.standing)
		if c.set(false, now, 0) {
			g.moved(c, now)
		}
	}
	for i := range g.s.Trips {
		t := &g.s.Trips[i]
		switch {
		case !t.Tripped:
		case g.s.Holds[i]:
			stands = append(stands, t.Rule)
		default:
			t.Tripped, t.Since = false, 0
			g.ready.Trips = true
		}
	}
	if g.s.Phase == Armed || g.s.Phase == UnderTest || g.s.Phase == HoldingPressure {
		g.permit(false, now)
	}
	g.demand(now)
	if len(stands) > 0 {
		return fmt.Errorf("reset: the condition of %q still stands: cure it first", stands)
	}
	return nil
}

// Take returns what became ready since the last call; valid until the call
// after the next of any method.
func (g *Guard) Take() *Ready {
	g.ready, g.spare = g.spare, g.ready
	g.ready.Demands, g.ready.Alarms = g.ready.Demands[:0], g.ready.Alarms[:0]
	g.ready.Trips, g.ready.Phase = false, false
	return &g.spare
}
