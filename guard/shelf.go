package guard

import (
	"fmt"
	"slices"
	"strconv"

	"ventward/daq"
)

// muted is how people have silenced a rule's alarm.
type muted struct {
	Out    bool   `json:"out,omitempty"`   // out of service
	Until  int64  `json:"until,omitempty"` // shelved until; 0: not
	Who    string `json:"who,omitempty"`
	Reason string `json:"reason,omitempty"`
}

// Bounds of shelving and bypassing where the options state none (common
// practice, no source).
const (
	shelveMaxS = 3600.0
	shelveMax  = 10
	bypassMaxS = 1800.0
	bypassMax  = 1
)

// active tells whether the rule's alarm is active in the phase of the test.
func (g *Guard) active(rule int) bool {
	p := g.o.Rules[rule].Phases
	return len(p) == 0 || slices.Contains(p, g.s.Phase)
}

// silence puts an alarm where people and the bench's design want it: out of
// service before shelved before suppressed by design. The design waits until
// nobody has to answer or reset any more: an unacknowledged alarm never
// disappears.
func (g *Guard) silence(rule int, now int64) {
	a, m := &g.s.Alarms[rule], &g.s.Muted[rule]
	var in AlarmInput
	switch {
	case m.Out:
		in = RemovesService
	case m.Until != 0:
		in = Shelves
	case !g.active(rule):
		if a.State.Unanswered() || a.State == LatchedAcknowledged {
			return
		}
		in = Suppresses
	case !a.State.Silenced():
		return
	case g.s.Holds[rule]:
		in = ReleasesStanding
	default:
		in = ReleasesQuiet
	}
	g.announce(rule, in, nil, now)
}

// mute notes how an alarm is silenced and tells it, even if its state stays.
func (g *Guard) mute(rule int, m muted, now int64) {
	g.s.Muted[rule] = m
	g.silence(rule, now)
	a := &g.s.Alarms[rule]
	a.Until, a.Reason = m.Until, m.Reason
	if m.Out || m.Until != 0 {
		a.Who = m.Who
	}
	if a.ID != 0 {
		g.tell(*a)
	}
}

// shelve silences an alarm for a time, for a reason.
func (g *Guard) shelve(c daq.Command, now int64) error {
	i, err := g.rule(c)
	if err != nil {
		return err
	}
	r := &g.o.Rules[i]
	switch {
	case r.NeverShelve:
		return fmt.Errorf("shelve: rule %q may not be shelved: cure its cause", r.Name)
	case c.Args["reason"] == "":
		return fmt.Errorf("shelve: no reason is given: say why the alarm may be silent")
	case g.s.Muted[i].Out:
		return fmt.Errorf("shelve: the alarm of %q is out of service: put it in service first", r.Name)
	}
	s, err := g.span(c, orElse(g.o.ShelveMaxS, shelveMaxS))
	if err != nil {
		return err
	}
	n, most := 0, int(orElse(float64(g.o.ShelveMax), shelveMax))
	for k := range g.s.Muted {
		if k != i && g.s.Muted[k].Until != 0 {
			n++
		}
	}
	if n >= most {
		return fmt.Errorf("shelve: %d alarms are shelved, which is the limit: unshelve one first", n)
	}
	g.mute(i, muted{Until: now + s, Who: c.Who, Reason: c.Args["reason"]}, now)
	return nil
}

// unshelve ends the shelving of an alarm.
func (g *Guard) unshelve(c daq.Command, now int64) error {
	i, err := g.rule(c)
	if err != nil {
		return err
	}
	if g.s.Muted[i].Until == 0 {
		return fmt.Errorf("unshelve: the alarm of %q is not shelved: nothing to do", g.o.Rules[i].Name)
	}
	g.mute(i, muted{}, now)
	return nil
}

// service takes an alarm out of service, or puts it back.
func (g *Guard) service(c daq.Command, out bool, now int64) error {
	i, err := g.rule(c)
	if err != nil {
		return err
	}
	switch {
	case out && c.Args["reason"] == "":
		return fmt.Errorf("out-of-service: no reason is given: say why the alarm may be silent")
	case !out && !g.s.Muted[i].Out:
		return fmt.Errorf("in-service: the alarm of %q is in service: nothing to do", g.o.Rules[i].Name)
	case out:
		g.mute(i, muted{Out: true, Who: c.Who, Reason: c.Args["reason"]}, now)
	default:
		g.mute(i, muted{}, now)
	}
	return nil
}

// expire ends shelvings and bypasses whose time is over.
func (g *Guard) expire(now int64) {
	for i := range g.s.Muted {
		if u := g.s.Muted[i].Until; u != 0 && now >= u {
			g.mute(i, muted{}, now)
		}
	}
	for i := range g.s.Trips {
		if t := &g.s.Trips[i]; t.Bypassed && now >= t.BypassUntil {
			g.unbypass(i, now)
		}
	}
}

// rule finds the rule that a command names by rule or by an alarm's id.
func (g *Guard) rule(c daq.Command) (int, error) {
	if name := c.Args["rule"]; name != "" {
		i := slices.IndexFunc(g.o.Rules, func(r Rule) bool { return r.Name == name })
		if i < 0 {
			return 0, fmt.Errorf("%s: there is no rule %q: name one of the bench's rules", c.Verb, name)
		}
		return i, nil
	}
	id, err := strconv.Atoi(c.Args["id"])
	if err != nil || id <= 0 {
		return 0, fmt.Errorf("%s: neither a rule nor an alarm's number is given: state rule or id", c.Verb)
	}
	i := slices.IndexFunc(g.s.Alarms, func(a Alarm) bool { return a.ID == id })
	if i < 0 {
		return 0, fmt.Errorf("%s: no alarm %d stands: use one from the list of alarms", c.Verb, id)
	}
	return i, nil
}

// span reads for how long something is asked, in ns.
func (g *Guard) span(c daq.Command, mostS float64) (int64, error) {
	s, err := strconv.ParseFloat(c.Args["for_s"], 64)
	if err != nil || !(s > 0) || s > mostS {
		return 0, fmt.Errorf("%s: for_s = %q: state a time above 0 and at most %g s", c.Verb, c.Args["for_s"], mostS)
	}
	return seconds(s), nil
}

func orElse(x, def float64) float64 {
	if x > 0 {
		return x
	}
	return def
}
