package detect

import "math"

// risen handles a confirmed rise above the line: on a burst bench the supply's
// doing (or nothing worth an event, as when a ramp starts), on a runaway rig
// the first venting. It tells whether the rise is a step.
func (m *Monitor) risen(c *channel, l *level, w *window) bool {
	p := c.p
	back := l.back(w)
	decide := p.cap.n - 1
	onset := max(decide-back*l.div, p.cap.oldest())
	t := p.cap.t[onset&p.cap.mask]
	if m.opt.Rig == RunawayRig {
		m.thermal.vented(m, c, t, l.at(0)+p.base, w.r/float64(w.length))
		return true
	}
	if p.phase != calm || l.div > octave {
		return false // a settling fall, or a change of the ramp: no step
	}
	// A step stands above the line at once; a ramp that starts does so only
	// as it goes on, and is left to the trace.
	rise := l.residual(0)
	early := l.residual(min(back, l.gap-1) / 2)
	if early < 0.6*rise || rise < 8*l.sigma {
		return false
	}
	r := m.book.open(SupplyStep, c, t, c.lastT)
	r.slack = int64(w.length*l.div) * c.period
	r.ev.End = c.lastT
	r.ev.Named = c.lastT
	r.ev.StepPa = ptr(math.Abs(rise))
	m.book.issue(r)
	return true
}
