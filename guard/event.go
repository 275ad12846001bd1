package guard

import (
	"fmt"
	"slices"
	"strings"

	"ventward/daq"
	"ventward/detect"
)

// Event judges a new or revised event. An event that a later revision names
// otherwise no longer holds its rule; what it tripped stays tripped.
func (g *Guard) Event(e detect.Event, now int64) {
	g.reach(now)
	id := mark{e.ID, e.Decided}
	for _, k := range g.events {
		c := &g.conds[k]
		r := &g.o.Rules[c.rule]
		stands := slices.Contains(r.Events, e.Kind) && (r.Feature == "" || r.Feature == e.Feature) && r.sees(&e)
		if !stands && !slices.Contains(c.Standing, id) {
			continue
		}
		c.stand(id, stands)
		if stands {
			c.What = eventWords(&e, g.o.Channels)
		}
		g.set(c, c.stands(), now, now)
	}
	if g.s.Test.Running {
		g.s.Test.opened(id, e.Opens())
	}
}

// sees tells whether one of the rule's channels saw the event; a rule without
// channels asks for none.
func (r *Rule) sees(e *detect.Event) bool {
	return len(r.Channels) == 0 || slices.Contains(r.Channels, e.Channel) ||
		slices.ContainsFunc(e.Channels, func(c daq.ChannelID) bool { return slices.Contains(r.Channels, c) })
}

// eventWords says an event for people. The feature is what the pressure makes
// it; what is found on the specimen may be another.
func eventWords(e *detect.Event, chans []daq.Channel) string {
	s := strings.ReplaceAll(string(e.Kind), "-", " ")
	if e.Kind == detect.VentOpening {
		s = "opening"
	}
	if e.Feature != "" {
		s += " (" + e.Feature + ", by its pressure)"
	}
	if int(e.Channel) < len(chans) {
		s += ", seen by " + chans[e.Channel].Name
	}
	return s
}

// Link takes that an instrument's port went or came back.
func (g *Guard) Link(l daq.LinkState, now int64) {
	g.reach(now)
	for _, k := range g.links {
		c := &g.conds[k]
		only := g.o.Rules[c.rule].Instruments
		if len(only) > 0 && !slices.Contains(only, l.Instrument) {
			continue
		}
		c.stand(mark{ID: l.Instrument}, !l.Up)
		if !l.Up {
			c.What = fmt.Sprintf("%s: %s", g.instrument(l.Instrument), l.Reason)
		}
		g.set(c, c.stands(), now, now)
	}
}

func (g *Guard) instrument(i int) string {
	if i >= 0 && i < len(g.o.Instruments) && g.o.Instruments[i] != "" {
		return g.o.Instruments[i]
	}
	return fmt.Sprintf("instrument %d", i)
}
