package guard

import (
	"fmt"

	"ventward/daq"
)

// condition is what a rule watches on one channel (or output, or instrument):
// whether it holds, since when, and what to say.
type condition struct {
	rule   int
	index  int     // channel, output or instrument
	factor int8    // +1 limit-high, -1 limit-low
	raw    bool    // holds before the delay
	holds  bool    // holds after the delay
	since  int64   // bench time at which raw came
	value  float64 // the value that made it hold
	what   string
	// for event and fault conditions: events that stand, by id
	standing map[int]bool
}

// set moves the raw condition at time t and returns whether holds changed.
func (c *condition) set(raw bool, t int64, delay int64) bool {
	if raw && !c.raw {
		c.since = t
	}
	c.raw = raw
	was := c.holds
	c.holds = raw && t-c.since >= delay
	return c.holds != was
}

// limit judges consecutive samples of one channel against a limit. It returns
// whether holds changed. Samples that are no measurement change nothing: the
// fault rule speaks for them.
func (c *condition) limit(r *Rule, delay int64, s []daq.Sample) bool {
	changed := false
	edge := r.Limit * float64(c.factor)
	for i := range s {
		v := s[i].V * float64(c.factor)
		bound := edge
		if c.raw {
			bound -= r.Deadband
		}
		over := v >= bound
		if over == c.raw && over == c.holds {
			continue
		}
		if s[i].Q&(daq.Bad&^daq.Spike) != 0 {
			continue
		}
		if over && !c.holds {
			c.value = s[i].V
		}
		changed = c.set(over, s[i].T, delay) || changed
	}
	return changed
}

// fault judges whether a channel's samples have stopped being measurements.
func (c *condition) fault(delay int64, s []daq.Sample) bool {
	changed := false
	for i := range s {
		bad := s[i].Q&(daq.Missing|daq.Open|daq.Rail|daq.Frozen) != 0 || len(c.standing) > 0
		if bad == c.raw && bad == c.holds {
			continue
		}
		if bad && !c.raw {
			c.what = s[i].Q.String()
		}
		changed = c.set(bad, s[i].T, delay) || changed
	}
	return changed
}

// message says in words what holds.
func (g *Guard) message(c *condition) string {
	r := &g.o.Rules[c.rule]
	switch r.Kind {
	case LimitHigh, LimitLow:
		ch := &g.o.Channels[c.index]
		v, unit := Edge(ch.Quantity, c.value)
		l, _ := Edge(ch.Quantity, r.Limit)
		dir := "at or above"
		if r.Kind == LimitLow {
			dir = "at or below"
		}
		return fmt.Sprintf("%s %.4g %s%s %s %.4g %s", ch.Name, v, unit, referenceWord(ch.Reference), dir, l, unit)
	case Stale:
		return fmt.Sprintf("%s: no reading for %.3g s", g.o.Channels[c.index].Name, r.StaleS)
	case Faulty:
		return fmt.Sprintf("%s: no measurement (%s)", g.o.Channels[c.index].Name, c.what)
	case Unconfirmed:
		return fmt.Sprintf("%s: %s", g.o.Outputs[c.index].Name, c.what)
	}
	return c.what
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
