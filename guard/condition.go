package guard

import (
	"fmt"
	"math"
	"slices"

	"ventward/daq"
)

// condition is what a rule watches on one channel (or output, or instrument).
// Its first fields are of the bench's making; the others are what it carries
// from call to call, and go into a snapshot.
type condition struct {
	rule     int
	index    int // channel, output or instrument
	kind     RuleKind
	on, off  int64   // delays, ns
	factor   float64 // +1 looks at high values, -1 at low ones
	edge     float64 // limit x factor
	back     float64 // edge less deadband
	failSafe bool    // what is no measurement counts as the condition
	aux      int     // index of its slope or pair

	memory
}

// memory is what a condition carries from call to call.
type memory struct {
	Raw   bool    `json:"raw,omitempty"`   // holds before the delay
	Holds bool    `json:"holds,omitempty"` // holds after the delay
	Since int64   `json:"since,omitempty"` // bench time at which Raw came, ns
	Value float64 `json:"value,omitempty"` // what made it hold
	What  string  `json:"what,omitempty"`
	// Standing lists what holds an event or lost condition; Full tells that
	// more came than it remembers: then only a reset ends it.
	Standing []mark `json:"standing,omitempty"`
	Full     bool   `json:"full,omitempty"`
}

// mark names an event, or an instrument by ID.
type mark struct {
	ID int   `json:"id"`
	At int64 `json:"at,omitempty"` // when the event was decided: ids begin anew with every monitor
}

// standingMax is how many events or instruments a condition remembers.
const standingMax = 64

// set moves the raw condition at time t and returns whether Holds changed.
func (m *memory) set(raw bool, t, on, off int64) bool {
	if raw != m.Raw {
		m.Raw, m.Since = raw, t
	}
	if m.Holds == raw {
		return false
	}
	delay := on
	if !raw {
		delay = off
	}
	if t-m.Since < delay {
		return false
	}
	m.Holds = raw
	return true
}

// stand notes that something holds the condition, or no longer does.
func (m *memory) stand(k mark, holds bool) {
	i := slices.Index(m.Standing, k)
	switch {
	case holds && i < 0 && len(m.Standing) >= standingMax:
		m.Full = true
	case holds && i < 0:
		m.Standing = append(m.Standing, k)
	case !holds && i >= 0:
		m.Standing = slices.Delete(m.Standing, i, i+1)
	}
}

func (m *memory) stands() bool { return m.Full || len(m.Standing) > 0 }

// set moves a condition and judges its rule anew where that changes something.
func (g *Guard) set(c *condition, raw bool, t, now int64) {
	if c.memory.set(raw, t, c.on, c.off) {
		g.moved(c.rule, c, now)
	}
}

// of returns the conditions of a rule.
func (g *Guard) of(rule int) []condition {
	return g.conds[g.span0[rule]:g.span0[rule+1]]
}

// moved judges a rule anew after one of its conditions, or the health of one
// of its channels, moved.
func (g *Guard) moved(rule int, c *condition, now int64) {
	r := &g.o.Rules[rule]
	seen, faulty := 0, 0
	conds := g.of(rule)
	for i := range conds {
		switch {
		case r.Vote != Any && g.s.Health[conds[i].index].Holds:
			faulty++
		case conds[i].Holds:
			seen++
		}
	}
	holds := r.Vote.Holds(seen, faulty)
	g.s.Faulty[rule] = faulty
	g.s.Holds[rule] = holds
	g.s.Trips[rule].Stands = holds
	g.s.Trips[rule].Past = holds && r.Kind == OnEvent && !r.Vote.Holds(0, faulty)
	if c != nil && !c.Holds {
		c = nil
	}
	g.raise(rule, holds, c, now) // first: the trip may lead to a phase in which the alarm is suppressed by design
	if holds {
		g.trip(rule, now)
	}
}

// message says in words what holds.
func (g *Guard) message(c *condition) string {
	r := &g.o.Rules[c.rule]
	if r.Vote != Any && !c.Holds {
		return fmt.Sprintf("%s: too few channels are a measurement to vote %s", r.Name, r.Vote)
	}
	switch r.Kind {
	case LimitHigh, LimitLow:
		ch := &g.o.Channels[c.index]
		v, unit := Edge(ch.Quantity, c.Value)
		l, _ := Edge(ch.Quantity, r.Limit)
		dir := "at or above"
		if r.Kind == LimitLow {
			dir = "at or below"
		}
		return fmt.Sprintf("%s %.4g %s%s %s %.4g %s", ch.Name, v, unit, referenceWord(ch.Reference), dir, l, unit)
	case Rate:
		ch := &g.o.Channels[c.index]
		v, unit := Edge(ch.Quantity, c.Value)
		l, _ := Edge(ch.Quantity, r.Limit)
		return fmt.Sprintf("%s changes by %.4g %s/s over %.3g s; the limit is %.4g", ch.Name, v, unit, r.WindowS, l)
	case Deviation:
		a, b := &g.o.Channels[r.Channels[0]], &g.o.Channels[r.Channels[1]]
		v, unit := Edge(a.Quantity, c.Value)
		return fmt.Sprintf("%s and %s differ by %.4g %s", a.Name, b.Name, v, unit)
	case Digital:
		return fmt.Sprintf("%s is in its alarm state (%s)", g.o.Channels[c.index].Name, c.What)
	case Stale:
		return fmt.Sprintf("%s: no reading for %.3g s", g.o.Channels[c.index].Name, r.StaleS)
	case Faulty:
		return fmt.Sprintf("%s: no measurement (%s)", g.o.Channels[c.index].Name, c.What)
	case Unconfirmed, Welded, HeartbeatLost:
		return fmt.Sprintf("%s: %s", g.o.Outputs[c.index].Name, c.What)
	}
	return c.What
}

func referenceWord(r daq.Reference) string {
	if r == "" {
		return ""
	}
	return " " + string(r)
}

// Edge converts a value of the program's inside to the unit people read.
func Edge(q daq.Quantity, v float64) (float64, string) {
	switch q {
	case daq.Pressure:
		return v / 1e5, "bar"
	case daq.Temperature:
		return v, "°C"
	case daq.Voltage:
		return v, "V"
	case daq.Current:
		return v, "A"
	case daq.Force:
		return v, "N"
	}
	return v, ""
}

// finite keeps a value such that a snapshot can hold it.
func finite(v float64) float64 {
	switch {
	case v != v:
		return 0
	case v > math.MaxFloat64:
		return math.MaxFloat64
	case v < -math.MaxFloat64:
		return -math.MaxFloat64
	}
	return v
}

func seconds(s float64) int64 { return int64(s * 1e9) }
