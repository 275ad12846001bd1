package detect

import (
	"math"

	"ventward/daq"
)

const (
	episodeNs = int64(1e9) // faults of one kind closer than this are one event
	outageMin = 4          // invalid samples in a row that make a fault
	codeBlock = 256        // samples between two looks at how often the code rests
	frozenMin = 16         // equal codes in a row below which nothing is called frozen
)

// A health judges whether the samples of a channel are measurements, from the
// raw readings alone.
type health struct {
	bad     int // invalid samples in a row
	badFrom int64
	badKind Fault

	lastRaw float64
	run     int // equal codes in a row, after the first
	runFrom int64
	equal   int // equal codes in this block
	seen    int // samples in this block
	blocks  int
	rest    float64 // probability that a code is followed by itself
	longest float64 // longest run seen lately
	limit   int     // run beyond which the channel is frozen
	frozen  bool

	episode  int // number of the open fault event in the book, 1-based; 0: none
	fault    Fault
	lastSeen int64
}

// faultOf names what an invalid sample's flags say.
func faultOf(q daq.Quality) Fault {
	switch {
	case q&daq.Open != 0:
		return FaultOpen
	case q&daq.Rail != 0:
		return FaultRail
	case q&daq.Frozen != 0:
		return FaultFrozen
	case q&daq.Spike != 0:
		return FaultSpike
	case q&daq.Reversed != 0:
		return FaultReversed
	}
	return FaultDropout
}

// code follows runs of equal codes and tells whether the channel is frozen. A
// channel whose noise is far below one code may rest on it for any time; it
// can't be judged by its codes, and is not.
func (h *health) code(x *daq.Sample) bool {
	h.seen++
	if h.seen >= codeBlock {
		h.judgeCodes()
	}
	if x.Raw != h.lastRaw {
		h.move(x)
		return false
	}
	h.run++
	h.equal++
	if h.limit > 0 && h.run > h.limit {
		h.frozen = true
	}
	return h.frozen
}

// move ends a run of equal codes.
func (h *health) move(x *daq.Sample) {
	if h.run > 0 && !h.frozen && float64(h.run) > h.longest {
		h.longest = float64(h.run)
	}
	h.lastRaw, h.run, h.frozen = x.Raw, 0, false
	h.runFrom = x.T
}

// judgeCodes sets the run of equal codes that can't be chance: at the measured
// probability p of a repeat, a run of k has p^k; k is where that is e^-25.
func (h *health) judgeCodes() {
	p := float64(h.equal) / float64(h.seen)
	h.equal, h.seen = 0, 0
	if h.run >= codeBlock/2 { // perhaps frozen: don't learn from it
		if h.blocks == 0 {
			h.limit = 0
		}
		return
	}
	h.blocks++
	h.rest += (p - h.rest) / float64(min(h.blocks, 16))
	h.longest *= 0.98
	if h.blocks < 4 || h.rest > 0.7 {
		h.limit = 0
		return
	}
	k := 25 / -math.Log(math.Max(h.rest, 0.05))
	h.limit = max(frozenMin, int(k), int(4*h.longest))
}

// outage counts invalid samples; it tells when they have become a fault.
func (h *health) outage(x *daq.Sample) bool {
	if h.bad == 0 {
		h.badFrom, h.badKind = x.T, faultOf(x.Q)
	}
	h.bad++
	return h.bad == outageMin
}

// faultAt opens a fault event of a channel, or prolongs the open one of the
// same kind.
func (m *Monitor) faultAt(c *channel, f Fault, onset, now int64) *record {
	h := &c.health
	if r := m.book.at(h.episode); r != nil && h.fault == f && onset-h.lastSeen <= episodeNs {
		h.lastSeen = now
		r.ev.End = max(r.ev.End, now)
		return r
	}
	m.endFault(c)
	r := m.book.open(SensorFault, c, onset, now)
	r.ev.Fault = f
	r.ev.End = now
	r.ev.Named = now
	h.episode, h.fault, h.lastSeen = r.ev.ID, f, now
	m.book.issue(r)
	return r
}

// endFault closes the channel's open fault event, whose end is now known.
func (m *Monitor) endFault(c *channel) {
	if r := m.book.at(c.health.episode); r != nil {
		m.book.revise(r)
	}
	c.health.episode = 0
}

// tend closes a fault episode that has been quiet for long enough.
func (m *Monitor) tend(c *channel, now int64) {
	if h := &c.health; h.episode != 0 && now-h.lastSeen > episodeNs {
		m.endFault(c)
	}
}
