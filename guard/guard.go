package guard

import (
	"errors"
	"slices"

	"ventward/daq"
)

// Ready is what the calls since the last Take produced; the caller acts on it
// in field order.
type Ready struct {
	Demands []daq.Demand // newest wishes for outputs, heartbeat edges included
	Alarms  []Alarm      // changes of alarms, the newest of each
	Trips   bool         // a trip latched or was reset, or a bypass came or went
	Phase   bool         // the course of the test moved
}

// Guard judges one bench. The zero value is not usable; see New.
//
// A Guard is no safety function. It never waits, fails or looks at a clock:
// its time is the bench time of its calls.
type Guard struct {
	o Options
	s state

	conds  []condition // by rule
	span0  []int       // by rule: its first condition; one more at the end
	byChan [][]int     // by channel: conditions that look at samples
	votes  [][]int     // by channel: voting rules

	// conditions by what moves them
	stales, events, outputs, links, notices, steps, own []int

	voters    []daq.ChannelID // channels that vote
	vital     []daq.ChannelID // channels of rules that make safe
	specimens []daq.ChannelID // specimen pressures
	follows   []bool          // by channel: is it one of them
	barometer int             // -1: none
	again     []int           // rules that re-alarm
	heart     int             // -1: none
	beatNS    int64
	freshNS   int64
	safePa    float64
	ready     Ready
	spare     Ready
}

// freshNS is how old the newest reading of a channel may be for it to count as
// fresh, ns.
const freshNS = int64(2e9)

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
	n := len(o.Channels)
	g := &Guard{o: o, s: newState(o), heart: -1, barometer: -1, beatNS: seconds(o.HeartbeatS), freshNS: freshNS,
		safePa: orElse(o.SafePa, plausiblePa), byChan: make([][]int, n), votes: make([][]int, n), follows: make([]bool, n)}
	for i := range o.Channels {
		switch c := &o.Channels[i]; {
		case c.IsPressure():
			g.specimens = append(g.specimens, daq.ChannelID(i))
			g.follows[i] = true
		case c.Role == daq.RoleBarometer && c.Quantity == daq.Pressure && c.Reference == daq.Absolute:
			g.barometer = i
		}
	}
	for i := range o.Outputs {
		if o.Outputs[i].Heartbeat {
			g.heart = i
		}
	}
	for i := range o.Rules {
		g.span0 = append(g.span0, len(g.conds))
		g.addRule(i, &o.Rules[i])
	}
	g.span0 = append(g.span0, len(g.conds))
	for i := range o.Rules {
		g.silence(i, 0)
	}
	return g, nil
}

// addRule makes the conditions of a rule.
func (g *Guard) addRule(i int, r *Rule) {
	if r.ReAlarmS > 0 {
		g.again = append(g.again, i)
	}
	if !r.Kind.ofChannels() {
		g.addOther(i, r)
		return
	}
	for _, c := range r.Channels {
		if r.Vote != Any {
			g.votes[c] = append(g.votes[c], i)
			g.voters = with(g.voters, c)
		}
		if len(r.Trip) > 0 {
			g.vital = with(g.vital, c)
		}
	}
	switch r.Kind {
	case Deviation:
		k := g.add(i, r, int(r.Channels[0]))
		g.conds[k].aux = len(g.s.Pairs)
		g.s.Pairs = append(g.s.Pairs, pair{})
		for _, c := range r.Channels {
			g.byChan[c] = append(g.byChan[c], k)
		}
	case Stale:
		for _, c := range r.Channels {
			g.stales = append(g.stales, g.add(i, r, int(c)))
		}
	default:
		for _, c := range r.Channels {
			k := g.add(i, r, int(c))
			if r.Kind == Rate {
				g.conds[k].aux = len(g.s.Slopes)
				g.s.Slopes = append(g.s.Slopes, slope{})
			}
			g.byChan[c] = append(g.byChan[c], k)
		}
	}
}

// addOther makes the conditions of a rule that looks at no samples.
func (g *Guard) addOther(i int, r *Rule) {
	switch r.Kind {
	case OnEvent:
		g.events = append(g.events, g.add(i, r, 0))
		if len(r.Trip) > 0 { // an event is seen only while the specimen's pressures are
			for _, c := range g.specimens {
				g.vital = with(g.vital, c)
			}
		}
	case Lost:
		g.links = append(g.links, g.add(i, r, 0))
	case Recording, SpaceLow, Forwarding, LoopLate, Standstill, Description:
		g.notices = append(g.notices, g.add(i, r, 0))
	case ClockStep:
		g.steps = append(g.steps, g.add(i, r, 0))
	case Bypassed, ProofOverdue:
		g.own = append(g.own, g.add(i, r, 0))
	case HeartbeatLost:
		if g.heart >= 0 {
			g.outputs = append(g.outputs, g.add(i, r, g.heart))
		}
	case Unconfirmed, Welded:
		for k := range g.o.Outputs {
			if k != g.heart {
				g.outputs = append(g.outputs, g.add(i, r, k))
			}
		}
	}
}

// add makes one condition and returns its number.
func (g *Guard) add(rule int, r *Rule, index int) int {
	c := condition{rule: rule, index: index, kind: r.Kind, on: seconds(r.DelayOnS), off: seconds(r.DelayOffS), factor: 1}
	limit := r.Limit
	switch {
	case r.Kind == Digital:
		limit, c.failSafe = 0.5, true
		if r.AlarmOn == "0" {
			c.factor = -1
		}
	case r.Kind == LimitLow, r.Kind == SpaceLow, r.Kind == Rate && limit < 0:
		c.factor = -1
	}
	c.edge = limit * c.factor
	c.back = c.edge - r.Deadband
	g.conds = append(g.conds, c)
	return len(g.conds) - 1
}

func with(list []daq.ChannelID, c daq.ChannelID) []daq.ChannelID {
	if slices.Contains(list, c) {
		return list
	}
	return append(list, c)
}

// reach moves the guard's own time.
func (g *Guard) reach(now int64) { g.s.Now = max(g.s.Now, now) }

// Sample judges consecutive samples of one channel that the loop took at bench
// time now. It costs two comparisons a sample and two a rule while nothing is
// remarkable, and does not allocate.
func (g *Guard) Sample(ch daq.ChannelID, s []daq.Sample, now int64) {
	if len(s) == 0 || int(ch) >= len(g.byChan) {
		return
	}
	g.reach(now)
	g.s.Seen[ch] = min(now, s[len(s)-1].T)
	b := look(s)
	if len(g.votes[ch]) > 0 {
		g.health(ch, s, &b, now)
	}
	for _, k := range g.byChan[ch] {
		switch c := &g.conds[k]; c.kind {
		case Faulty:
			if b.flags&faultFlags != 0 || c.Raw || c.Holds {
				g.fault(c, s, now)
			}
		case Rate:
			g.rate(c, s, now)
		case Deviation:
			g.deviate(c, ch, s, now)
		default:
			if !c.calm(&b) {
				g.limit(c, s, now)
			}
		}
	}
	if g.follows[ch] {
		g.follow(ch, s, &b)
	}
	for i := len(s) - 1; i >= 0; i-- {
		if s[i].Q&daq.Bad == 0 && s[i].V-s[i].V == 0 {
			g.s.Newest[ch] = point{s[i].T, s[i].V}
			break
		}
	}
}

// Tick tells that bench time has reached now: silence is noticed, delays and
// terms run out, and, last of all, the heartbeat gets its edge.
func (g *Guard) Tick(now int64) {
	g.reach(now)
	if g.s.Began == 0 {
		g.s.Began, g.s.Confirmed = now, now
		for i := range g.o.Outputs {
			if !g.o.Outputs[i].Heartbeat && g.s.Outputs[i].Serial == 0 {
				g.put(i, false, now)
			}
		}
	}
	for _, k := range g.stales {
		c := &g.conds[k]
		silent := now-g.heard(c.index) > seconds(g.o.Rules[c.rule].StaleS)
		if silent != c.Raw || silent != c.Holds {
			g.set(c, silent, now, now)
		}
	}
	g.mutes(now)
	g.late(now)
	g.expire(now)
	g.restExercised(now)
	g.realarm(now)
	g.s.Load.judge(now)
	g.confirm(now)
	g.advance(now)
	g.beat(now)
}

// late lets the delays of what no sample moves run out.
func (g *Guard) late(now int64) {
	for _, list := range [...][]int{g.events, g.links, g.notices, g.own} {
		for _, k := range list {
			if c := &g.conds[k]; c.Raw != c.Holds {
				g.set(c, c.Raw, now, now)
			}
		}
	}
}

// Take returns what became ready since the last call; valid until the call
// after the next of any method.
func (g *Guard) Take() *Ready {
	g.ready, g.spare = g.spare, g.ready
	g.ready.Demands, g.ready.Alarms = g.ready.Demands[:0], g.ready.Alarms[:0]
	g.ready.Trips, g.ready.Phase = false, false
	return &g.spare
}
