package guard

import (
	"math"

	"ventward/daq"
)

// noMeasurement are the flags with which a limit looks past a sample: the
// fault rule speaks for those. A spike counts, for it is only known as one
// afterwards.
const noMeasurement = daq.Bad &^ daq.Spike

// faultFlags are the flags with which a channel is no measurement.
const faultFlags = daq.Missing | daq.Open | daq.Rail | daq.Frozen | daq.Reversed

// survey is what all rules of a channel need to know of a stretch of samples:
// with it an unremarkable stretch costs each rule two comparisons.
type survey struct {
	min, max float64 // over all samples that are numbers, bad ones included
	flags    daq.Quality
}

func look(s []daq.Sample) survey {
	lo, hi := math.Inf(1), math.Inf(-1)
	var q daq.Quality
	for i := range s {
		v := s[i].V
		if v < lo {
			lo = v
		}
		if v > hi {
			hi = v
		}
		q |= s[i].Q
	}
	return survey{lo, hi, q}
}

// calm tells that a stretch of samples changes nothing of a limit.
func (c *condition) calm(b *survey) bool {
	lo, hi := b.min, b.max
	if c.factor < 0 {
		lo, hi = -hi, -lo
	}
	switch {
	case c.failSafe && b.flags&noMeasurement != 0:
		return false
	case !c.Raw && !c.Holds:
		return hi < c.edge
	case c.Raw && c.Holds:
		return lo >= c.back
	}
	return false
}

// limit judges consecutive samples of one channel against a limit. Samples
// that are no measurement change nothing, or count as the condition where the
// rule is fail-safe. A value that comes and goes within one stretch counts.
func (g *Guard) limit(c *condition, s []daq.Sample, now int64) {
	for i := range s {
		v := s[i].V * c.factor
		bound := c.edge
		if c.Raw {
			bound = c.back
		}
		over := v >= bound
		if s[i].Q&noMeasurement != 0 || v != v {
			if !c.failSafe {
				continue
			}
			over = true
		}
		if over == c.Raw && over == c.Holds {
			continue
		}
		if over && !c.Holds {
			c.Value = finite(s[i].V)
			if c.kind == Digital {
				c.What = inputWords(&s[i])
			}
		}
		g.set(c, over, s[i].T, now)
	}
}

func inputWords(x *daq.Sample) string {
	switch {
	case x.Q&noMeasurement != 0 || x.V != x.V:
		return "it can't be read: " + x.Q.String()
	case x.V >= 0.5:
		return "it reads 1"
	}
	return "it reads 0"
}

// fault judges whether a channel's samples have stopped being measurements.
func (g *Guard) fault(c *condition, s []daq.Sample, now int64) {
	for i := range s {
		bad := s[i].Q&faultFlags != 0
		if bad == c.Raw && bad == c.Holds {
			continue
		}
		if bad && !c.Raw {
			c.What = s[i].Q.String()
		}
		g.set(c, bad, s[i].T, now)
	}
}

// sickNS is how long a channel's samples must be no measurement before it has
// lost its vote, and sound before it has it back, ns.
const sickNS = int64(50e6)

// health judges whether a channel has a vote.
func (g *Guard) health(ch daq.ChannelID, s []daq.Sample, b *survey, now int64) {
	h := &g.s.Health[ch]
	if b.flags&faultFlags == 0 && !h.Raw && !h.Holds {
		return
	}
	for i := range s {
		if h.set(s[i].Q&faultFlags != 0, s[i].T, sickNS, sickNS) {
			g.revote(ch, now)
		}
	}
}

// mutes takes the vote of channels that say nothing any more.
func (g *Guard) mutes(now int64) {
	for _, ch := range g.voters {
		h := &g.s.Health[ch]
		if h.Holds || now-g.heard(int(ch)) <= g.freshNS {
			continue
		}
		h.Raw, h.Holds, h.Since = true, true, now
		g.revote(ch, now)
	}
}

// revote judges the voting rules of a channel anew.
func (g *Guard) revote(ch daq.ChannelID, now int64) {
	for _, rule := range g.votes[ch] {
		g.moved(rule, nil, now)
	}
}

// heard is when a channel last spoke. Ports take a moment to open: one that
// has never spoken counts from a little after the start.
func (g *Guard) heard(ch int) int64 {
	if t := g.s.Seen[ch]; t != 0 {
		return t
	}
	return g.s.Began + graceNS
}
