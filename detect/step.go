package detect

import (
	"math"

	"ventward/daq"
)

// stepPressure takes samples of a specimen pressure channel.
func (m *Monitor) stepPressure(c *channel, s []daq.Sample) {
	c.before = c.count
	for i := 0; i < len(s); {
		if n := c.plain(s[i:]); n > 0 {
			m.measure(c, s, i, i+n)
			i += n
			continue
		}
		m.inspect(c, s, i)
		i++
	}
}

// plain is the number of samples from the first on that need no closer look:
// measurements on time. It follows their codes.
func (c *channel) plain(s []daq.Sample) int {
	h := &c.health
	if c.period == 0 || h.bad > 0 || h.frozen || !c.p.begun {
		return 0
	}
	n, lastT := 0, c.lastT
	for most := min(len(s), codeBlock-1-h.seen); n < most; n++ {
		x := &s[n]
		if x.Q&(daq.Bad|daq.Saturated) != 0 || x.V-x.V != 0 || x.T-lastT > c.gapNs {
			break
		}
		switch {
		case x.Raw == h.lastRaw && h.limit > 0 && h.run >= h.limit:
			h.seen += n
			return n // frozen
		case x.Raw == h.lastRaw:
			h.run++
			h.equal++
		case h.run > 0:
			h.move(x)
		default:
			h.lastRaw, h.runFrom = x.Raw, x.T
		}
		lastT = x.T
	}
	h.seen += max(n, 0)
	return n
}

// inspect takes a sample that may be no measurement.
func (m *Monitor) inspect(c *channel, s []daq.Sample, i int) {
	p, h, x := c.p, &c.health, &s[i]
	if c.period == 0 {
		c.learnPeriod(x.T)
	}
	c.count = c.before + uint64(i) + 1
	if x.Q&daq.Bad != 0 || x.V-x.V != 0 {
		p.cap.push(s[i : i+1])
		m.invalid(c, x)
		return
	}
	if x.Q&daq.Saturated != 0 {
		h.run, h.frozen = 0, false // a converter at its end rests there
	} else if h.code(x) {
		x.Q |= daq.Frozen
		p.cap.push(s[i : i+1])
		m.frozen(c, x)
		return
	}
	if h.bad > 0 || x.T-c.lastT > c.gapNs || !p.begun {
		m.resume(c, x)
		p.seep = seep{}
	}
	if c.period == 0 { // the pyramid can't be built yet
		c.lastT, c.seenT, c.last = x.T, x.T, x.V
		p.cap.push(s[i : i+1])
		return
	}
	if x.Q&daq.Saturated != 0 {
		m.saturate(c)
	}
	m.measure(c, s, i, i+1)
}

// measure takes the measurements s[from:to].
func (m *Monitor) measure(c *channel, s []daq.Sample, from, to int) {
	p := c.p
	for from < to {
		n, level, spiked := p.push(upTo(s[from:to], min(m.due, p.seep.due(s[from].T), p.pulse.due(s[from].T))))
		held := s[from : from+n]
		from += n
		x := &s[from-1]
		c.count = c.before + uint64(from)
		c.lastT, c.seenT, c.last = x.T, x.T, x.V
		p.cap.push(held)
		p.pulse.clear(p.cap, n)
		if level >= 0 || spiked > 0 || p.phase != calm || p.sunk {
			m.attend(c, s, from-1, level, spiked)
		}
		if p.seep.push(held) {
			m.seeps(c)
			m.thermal.swelling(m, c)
		}
		if x.T >= m.due {
			m.look(x.T)
		}
		if x.T >= p.pulse.lookT {
			m.track(c)
		}
	}
}

// upTo is s up to the first sample at or after t.
func upTo(s []daq.Sample, t int64) []daq.Sample {
	if s[len(s)-1].T < t {
		return s
	}
	for i := range s {
		if s[i].T >= t {
			return s[:i+1]
		}
	}
	return s
}

// attend looks at sample i, at which a level may have fired, an excursion turned
// out to be a spike, or the trace is not calm.
func (m *Monitor) attend(c *channel, s []daq.Sample, i, level, spiked int) {
	p := c.p
	if spiked > 0 {
		m.spiked(c, s, i, spiked)
	}
	switch {
	case p.sunk:
		m.sank(c)
	case level >= 0:
		m.fired(c, level)
	case p.phase != calm && p.cap.n-p.lastFall < againSpan:
		m.again(c)
	case p.phase == rising && p.cap.n < p.step.until:
		m.collapses(c)
	}
	p.crown(s[i].V)
	if p.phase != calm && p.levels[0].n >= p.phaseEnd {
		p.phase = calm
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
	if p.doubt == 0 && p.swung(n) {
		return // the line's, not the sensor's
	}
	for k := 1; k <= n; k++ {
		if i-k >= 0 {
			s[i-k].Q |= daq.Spike
		}
		if j := p.cap.n - 1 - k; j >= 0 {
			p.cap.mark(j, daq.Spike)
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
