package detect

import "math"

// absolve takes back what was called on a channel since a tone began, changed or
// ended where nothing else was to be seen: but for the hole in which it did, the
// trace goes on straight from before.
func (m *Monitor) absolve(c *channel, u turnover) {
	p, from, hole := c.p, u.from, u.hole
	if p.lastFall < from-hole && p.step.at < from-hole {
		return
	}
	t := p.cap.t[max(from-hole, p.cap.oldest())&p.cap.mask]
	first := max(p.cap.oldest(), 2*from-p.cap.n-hole, m.ventFrom(c, t))
	if from-hole-first < leastSeen || !p.straight(first, u) {
		return
	}
	p.lastFall, p.step, p.phase = first, lift{}, calm
	for i := len(m.book.recs) - 1; i >= 0; i-- {
		r := m.book.recs[i]
		if r.ev.Decided < t {
			return
		}
		if r.ev.Opens() && r.ev.Onset >= t && r.seat == c.id && len(r.ev.Channels) == 1 {
			r.toFault(FaultSpike, c.lastT)
			r.w = nil
			m.book.revise(r)
			m.unhalt(r)
		}
	}
}

// straight tells whether what is held from sample number from on is a parabola but
// for noise and what lies in the hole.
func (p *pressure) straight(from int, u turnover) bool {
	div := max(1, (p.cap.n-from)/(2*bowPoints))
	s := strip{t0: p.cap.t[from&p.cap.mask], div: div, rate: p.rate}
	base := p.cap.at(from)
	for i := from; i+div <= p.cap.n && s.n < fitPoints; i += div {
		if v, n := p.cap.mean(i, i+div); n == div && (i+div <= u.from-u.hole || i >= u.from) {
			s.v[s.n], s.t[s.n] = v-base, float64(p.cap.t[i&p.cap.mask]-s.t0)*1e-9
			s.n++
		}
	}
	s.half = math.Max(float64(p.cap.t[(p.cap.n-1)&p.cap.mask]-s.t0)*1e-9, 1e-9)
	var f series
	if !f.fit(&s, &tone{hz: 1}, false) {
		return false
	}
	left, _ := f.left()
	rest := u.rest/float64(div) + u.err*u.err
	for i := range p.pulse.tones[:p.pulse.n] {
		rest += p.pulse.tones[i].err * p.pulse.tones[i].err
	}
	return left < u.most*rest
}
