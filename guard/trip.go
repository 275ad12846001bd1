package guard

import (
	"fmt"
	"slices"

	"ventward/daq"
)

// A Trip is the state of one rule's demand to make safe. It latches: only a
// reset, after its condition is gone, ends it. Nothing that silences an alarm
// touches it.
type Trip struct {
	Rule    string `json:"rule"`
	Tripped bool   `json:"tripped"`
	Since   int64  `json:"since,omitempty"` // bench time, ns
	First   bool   `json:"first,omitempty"` // no other trip was latched when it did
	Stands  bool   `json:"stands"`          // the condition holds now
	Past    bool   `json:"past,omitempty"`  // what holds is only an event that was seen: a reset takes note of it
	Outputs []int  `json:"outputs"`

	// A bypass keeps the condition from latching the trip. It ends by itself.
	Bypassed     bool   `json:"bypassed,omitempty"`
	BypassUntil  int64  `json:"bypass_until,omitempty"` // bench time, ns
	BypassWho    string `json:"bypass_who,omitempty"`
	BypassReason string `json:"bypass_reason,omitempty"`

	ProofDue string `json:"proof_due,omitempty"` // YYYY-MM-DD
	Overdue  bool   `json:"overdue,omitempty"`   // by the date last known
}

// trips tells whether the rule's condition trips in the phase of the test.
func (g *Guard) trips(rule int) bool {
	p := g.o.Rules[rule].TripPhases
	return len(p) == 0 || slices.Contains(p, g.s.Phase)
}

// trip latches a rule's trip.
func (g *Guard) trip(rule int, now int64) {
	t := &g.s.Trips[rule]
	if t.Tripped || t.Bypassed || len(t.Outputs) == 0 || !g.trips(rule) {
		return
	}
	t.First = g.anyTrip() == ""
	t.Tripped, t.Since = true, now
	for _, o := range t.Outputs { // so that a reset alone never turns it on again
		g.s.Outputs[o].Permit = false
	}
	g.ready.Trips = true
	g.demand(now)
	if g.s.Phase == Armed || g.s.Phase == UnderTest || g.s.Phase == HoldingPressure {
		g.enter(MakingSafe, now)
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

// cure is what has to be done before a reset, and the word that leads to it.
func (t *Trip) cure() string {
	if t.Past {
		return "look at what was seen, then "
	}
	return "cure its cause, then "
}

func (g *Guard) tripped(out int) bool {
	for i := range g.s.Trips {
		if g.s.Trips[i].Tripped && slices.Contains(g.s.Trips[i].Outputs, out) {
			return true
		}
	}
	return false
}

// bypass keeps a rule from tripping for a time, for a reason. A trip that is
// latched stays latched.
func (g *Guard) bypass(c daq.Command, now int64) error {
	i, err := g.rule(c)
	if err != nil {
		return err
	}
	t := &g.s.Trips[i]
	switch {
	case len(t.Outputs) == 0:
		return fmt.Errorf("bypass: rule %q trips nothing: shelve its alarm instead", t.Rule)
	case c.Args["reason"] == "":
		return fmt.Errorf("bypass: no reason is given: say why %q may not trip", t.Rule)
	}
	s, err := g.span(c, orElse(g.o.BypassMaxS, bypassMaxS))
	if err != nil {
		return err
	}
	n, most := 0, int(orElse(float64(g.o.BypassMax), bypassMax))
	for k := range g.s.Trips {
		if k != i && g.s.Trips[k].Bypassed {
			n++
		}
	}
	if n >= most {
		return fmt.Errorf("bypass: %d trips are bypassed, which is the limit: end one first", n)
	}
	t.Bypassed, t.BypassUntil, t.BypassWho, t.BypassReason = true, now+s, c.Who, c.Args["reason"]
	g.ready.Trips = true
	g.standing(now)
	return nil
}

// unbypass ends a bypass; a condition that stands trips at once.
func (g *Guard) unbypass(rule int, now int64) {
	t := &g.s.Trips[rule]
	t.Bypassed, t.BypassUntil, t.BypassWho, t.BypassReason = false, 0, "", ""
	g.ready.Trips = true
	if g.s.Holds[rule] {
		g.trip(rule, now)
	}
	g.standing(now)
}

func (g *Guard) endBypass(c daq.Command, now int64) error {
	i, err := g.rule(c)
	if err != nil {
		return err
	}
	if !g.s.Trips[i].Bypassed {
		return fmt.Errorf("end-bypass: the trip of %q is not bypassed: nothing to do", g.o.Rules[i].Name)
	}
	g.unbypass(i, now)
	return nil
}

// reset ends latched trips whose condition is gone, and alarms that latched
// and were acknowledged: those of one rule where the command names it. Events
// are acts of the past: a reset takes note of them. Outputs stay off until the
// course of a test permits them anew.
func (g *Guard) reset(c daq.Command, now int64) error {
	only := -1
	if c.Args["rule"] != "" || c.Args["id"] != "" {
		i, err := g.rule(c)
		if err != nil {
			return err
		}
		only = i
	}
	for _, k := range g.events {
		if e := &g.conds[k]; only < 0 || e.rule == only {
			e.Standing, e.Full = e.Standing[:0], false
			g.set(e, false, now, now)
		}
	}
	var stands []string
	for i := range g.s.Trips {
		t := &g.s.Trips[i]
		if only >= 0 && i != only {
			continue
		}
		if !g.s.Holds[i] {
			g.announce(i, Resets, nil, now)
			g.silence(i, now)
		}
		switch {
		case !t.Tripped:
		case g.s.Holds[i]:
			stands = append(stands, t.Rule)
		default:
			t.Tripped, t.Since, t.First = false, 0, false
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

// standing judges the conditions that the guard itself makes: a bypass, an
// overdue proof test.
func (g *Guard) standing(now int64) {
	for _, k := range g.own {
		c := &g.conds[k]
		raw := false
		for i := range g.s.Trips {
			t := &g.s.Trips[i]
			switch {
			case c.kind == Bypassed && t.Bypassed:
				raw, c.What = true, fmt.Sprintf("the trip of %q is bypassed by %s: %s", t.Rule, t.BypassWho, t.BypassReason)
			case c.kind == ProofOverdue && t.Overdue:
				raw, c.What = true, fmt.Sprintf("the proof test of the trip of %q was due on %s", t.Rule, t.ProofDue)
			}
		}
		g.set(c, raw, now, now)
	}
}

// dated notes what day it is: proof tests become overdue.
func (g *Guard) dated(date string, now int64) {
	if date == g.s.Date {
		return
	}
	g.s.Date = date
	for i := range g.s.Trips {
		t := &g.s.Trips[i]
		if late := g.overdueTrip(t); late != t.Overdue {
			t.Overdue, g.ready.Trips = late, true
		}
	}
	g.standing(now)
}
