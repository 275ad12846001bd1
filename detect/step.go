package detect

import (
	"math"

	"ventward/daq"
)

// stepPressure takes samples of a specimen pressure channel.
func (m *Monitor) stepPressure(c *channel, s []daq.Sample) {
	p, h := c.p, &c.health
	for i := range s {
		x := &s[i]
		if c.period == 0 {
			c.learnPeriod(x.T)
		}
		c.count++
		if x.Q&daq.Bad != 0 || x.V-x.V != 0 {
			p.cap.push(x)
			m.invalid(c, x)
			continue
		}
		if x.Q&daq.Saturated != 0 {
			h.run, h.frozen = 0, false // a converter at its end rests there
		} else if x.Raw == h.lastRaw || h.seen >= codeBlock-1 {
			if h.code(x) {
				x.Q |= daq.Frozen
				p.cap.push(x)
				m.frozen(c, x)
				continue
			}
		} else if h.run > 0 || h.frozen {
			h.code(x)
		} else {
			h.lastRaw = x.Raw
			h.seen++
		}
		if c.health.bad > 0 || x.T-c.lastT > c.gapNs || !p.begun {
			m.resume(c, x)
			p.seep = seep{}
		}
		c.lastT, c.seenT, c.last = x.T, x.T, x.V
		p.cap.push(x)
		if c.period == 0 {
			continue
		}
		if x.Q&daq.Saturated != 0 {
			m.saturate(c)
		}
		level, spiked := p.push(x.V)
		if spiked > 0 {
			m.spiked(c, s, i, spiked)
		}
		if level >= 0 {
			m.fired(c, level)
		} else if p.phase != calm && p.cap.n-p.lastFall < againSpan {
			m.again(c)
		} else if p.phase == rising && p.cap.n < p.step.until {
			m.collapses(c)
		}
		if p.run == 0 && x.V > p.high {
			p.high = x.V
		}
		if l := &p.levels[0]; l.n >= p.phaseEnd && p.phase != calm {
			p.phase = calm
		}
		if p.seep.push(x.T, x.V) {
			m.seeps(c)
		}
		if x.T >= m.due {
			m.look(x.T)
		}
	}
}

// invalid takes a sample that is no measurement.
func (m *Monitor) invalid(c *channel, x *daq.Sample) {
	h := &c.health
	c.seenT = x.T
	if h.outage(x) {
		m.faultAt(c, h.badKind, h.badFrom, x.T)
	} else if h.bad > outageMin && h.episode != 0 {
		h.lastSeen = x.T
		m.book.prolong(h.episode, x.T)
	}
}

// frozen takes a sample of a channel whose code no longer moves. What was
// called an opening since it froze is the freeze.
func (m *Monitor) frozen(c *channel, x *daq.Sample) {
	h := &c.health
	c.seenT = x.T
	if h.bad == 0 {
		h.bad, h.badKind, h.badFrom = outageMin, FaultFrozen, h.runFrom
		m.faultAt(c, FaultFrozen, h.runFrom, x.T)
		m.disown(c, h.runFrom, FaultFrozen)
		return
	}
	h.bad++
	h.lastSeen = x.T
	m.book.prolong(h.episode, x.T)
}

// disown renames the channel's own recent openings that began after from:
// they were the sensor's doing.
func (m *Monitor) disown(c *channel, from int64, f Fault) {
	for i := len(m.book.recs) - 1; i >= 0; i-- {
		r := m.book.recs[i]
		if r.ev.Decided < from {
			return
		}
		if r.ev.Opens() && r.ev.Onset >= from-r.slack-2*c.period && r.seat == c.id && len(r.ev.Channels) == 1 {
			r.toFault(f, m.now)
			m.book.revise(r)
		}
	}
}

// toFault makes an opening the sensor's doing.
func (r *record) toFault(f Fault, now int64) {
	r.ev.Kind, r.ev.Fault, r.ev.Feature, r.shape = SensorFault, f, "", SensorFault
	r.ev.Named = max(now, r.ev.Decided)
	r.ev.End = max(r.ev.End, r.ev.Named)
}

// resume takes the first measurement after a hole.
func (m *Monitor) resume(c *channel, x *daq.Sample) {
	p, h := c.p, &c.health
	if !p.begun {
		p.begun = true
		p.base, p.high = x.V, x.V
		h.bad = 0
		return
	}
	wasBad, kind := h.bad, h.badKind
	h.bad = 0
	if c.period == 0 {
		return
	}
	missing := int(math.Round(float64(x.T-c.lastT)/float64(c.period))) - 1
	if missing <= 0 {
		return
	}
	lost := wasBad == 0 || kind == FaultDropout
	if wasBad >= outageMin && h.episode != 0 {
		m.book.prolong(h.episode, x.T)
		h.lastSeen = x.T
	}
	if wasBad == 0 && missing >= outageMin && x.T-c.lastT >= 10e6 {
		r := m.faultAt(c, FaultGap, c.lastT, x.T)
		r.ev.flag(FlagGap)
	}
	if lost || missing <= fillShort && kind != FaultFrozen {
		p.bridge(missing)
		return
	}
	// The channel was no sensor for a while: where it comes back is no event.
	p.noise.cut()
	p.noiseFrom = p.levels[0].n + excursion + 1
	p.restart()
	p.phase = calm
}

// spiked marks the n samples before s[i] as a spike where they are at hand.
func (m *Monitor) spiked(c *channel, s []daq.Sample, i, n int) {
	p := c.p
	for k := 1; k <= n; k++ {
		if i-k >= 0 {
			s[i-k].Q |= daq.Spike
		}
		if j := p.cap.n - 1 - k; j >= 0 {
			p.cap.q[j&p.cap.mask] |= daq.Spike
		}
	}
	t := p.cap.t[max(0, p.cap.n-1-n)&p.cap.mask]
	if r := m.book.at(p.doubt); r != nil && p.doubt != 0 {
		p.doubt = 0
		r.w = nil
		r.toFault(FaultSpike, s[i].T)
		m.book.revise(r)
		m.unhalt(r)
		return
	}
	m.faultAt(c, FaultSpike, t, s[i].T)
}

// saturate notes that the channel is at its end: the level is a bound, and a
// plateau is no change of the ramp.
func (m *Monitor) saturate(c *channel) {
	p := c.p
	n := p.levels[0].n
	if n > p.saturated {
		p.restart()
	}
	p.saturated = n + spanMax
}
