package detect

import "math"

// risen handles a confirmed rise above the line: on a burst bench the supply's
// doing (or nothing worth an event, as when a ramp starts), on a runaway rig
// the first venting. It tells whether the rise is a step.
func (m *Monitor) risen(c *channel, l *level, w *window) bool {
	if m.opt.Rig == RunawayRig {
		return m.thermal.vented(m, c, l, w)
	}
	p := c.p
	if p.phase != calm || l.div > octave {
		return false // a settling fall, or a change of the ramp: no step
	}
	// A step stands above the line at once; a ramp that starts does so only
	// as it goes on, and is left to the trace.
	back := l.back(w)
	rise := l.residual(0)
	early := l.residual(min(back, l.gap-1) / 2)
	if early < 0.6*rise || rise < 8*l.sigma {
		return false
	}
	onset := max(p.cap.n-1-back*l.div, p.cap.oldest())
	if r := m.book.at(c.p.lastRise); r != nil && c.lastT-r.ev.End < episodeNs {
		m.book.prolong(r.ev.ID, c.lastT) // one course of steps or pulses, one event
		return true
	}
	r := m.book.open(SupplyStep, c, p.cap.t[onset&p.cap.mask], c.lastT)
	r.slack = int64(w.length*l.div) * c.period
	r.ev.End = c.lastT
	r.ev.Named = c.lastT
	r.ev.StepPa = ptr(math.Abs(rise))
	p.lastRise = r.ev.ID
	m.book.issue(r)
	return true
}

// supplied notes that the supply's valve made the pressure rise from at on, as
// when somebody purges a vessel: one event for each edge of the valve.
func (m *Monitor) supplied(c *channel, at int64) {
	e := &m.supply.opened
	if m.book.at(e.used) != nil && e.used != 0 {
		m.book.prolong(e.used, c.lastT)
		return
	}
	r := m.book.open(SupplyStep, c, at, c.lastT)
	r.ev.End, r.ev.Named = c.lastT, c.lastT
	e.used = r.ev.ID
	m.book.issue(r)
}
