package detect

import "math"

const (
	riseSpan  = 64  // samples after a step was noticed in which a collapse is looked for here
	riseSigma = 8.0 // standard deviations of a sample, and
	riseShare = 0.5 // of the step, by which it is below what was before the step, for
	riseStay  = 4   // samples: longer than a spike
)

// A lift is a step of the supply just noticed.
type lift struct {
	before float64 // pressure that it started from, Pa
	slope  float64 // at which that rose, Pa/s
	size   float64 // Pa
	at     int     // capture number where it began
	until  int     // capture number up to which a collapse is looked for
}

// collapses looks for a vent that opens so soon after a step of the supply that
// no baseline has grown on top of it: the pressure is then well below what it was
// before the step, where no settling and no pump's pulse leads.
func (m *Monitor) collapses(c *channel) {
	p := c.p
	now := p.cap.n - 1
	s := &p.step
	low := s.before - riseShare*s.size - riseSigma*p.sigma()
	for i := now - riseStay + 1; i <= now; i++ {
		if p.cap.at(i) > low {
			return
		}
	}
	onset := now
	for i := now; i >= max(s.at, p.cap.oldest()); i-- {
		if p.cap.at(i) > p.cap.at(onset) {
			onset = i
		}
	}
	s.until = 0
	m.departed(c, &watch{onset: onset, v0: p.cap.at(onset), ns: riseStay * c.period, sd: 2 * p.sigma()})
	p.settle(falling, 0, &p.levels[0].win[0])
}

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
	p.step = lift{}
	if l.slope > -riseSigma*l.sigma*slopeSD(l.span) { // what falls anyway goes on to
		p.step = lift{before: p.base + l.at(float64(back)), slope: l.slope / (float64(l.div) * float64(c.period) * 1e-9), size: rise, at: onset, until: p.cap.n + riseSpan}
	}
	r := m.book.at(c.p.lastRise)
	going := r != nil && c.lastT-r.ev.End < episodeNs
	if !going && p.step.size > 0 {
		p.first = p.step
	}
	if going {
		m.book.prolong(r.ev.ID, c.lastT) // one course of steps or pulses, one event
		return true
	}
	r = m.book.open(SupplyStep, c, p.cap.t[onset&p.cap.mask], c.lastT)
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

// stepped is the capture number up to which the supply was stepping before an
// onset; 0: it was not.
func (m *Monitor) stepped(c *channel, onset int) int {
	r := m.book.at(c.p.lastRise)
	if r == nil || c.p.lastRise == 0 {
		return 0
	}
	if to := c.p.cap.find(r.ev.End) + 1; to < onset {
		return to
	}
	return 0
}
