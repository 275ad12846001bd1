package detect

import (
	"math"

	"ventward/daq"
)

const (
	standsOut = 24.0 // times what noise alone makes of its square a harmonic has at least
	// A fit that leaves more than hopeless of the variance at its second step will
	// not leave less than pays; one that changes by less than settled is done.
	hopeless, settled = 0.85, 1e-4
)

// seek looks for one tone more, and takes it off where that pays.
func (p *pressure) seek(m *Monitor, c *channel) bool {
	rate := p.rate
	to := p.cap.n - guardLeast
	from := p.sound(int(stripS * rate))
	if to-from < 100 || float64(to-from) < seekS*rate {
		return false
	}
	var s strip
	var f series
	var o tone
	p.strip(&s, from, to, max(1, int(rate/seekHz)), -1)
	if s.n < 64 || !f.fit(&s, &o, false) {
		return false
	}
	if _, all := f.left(); pays*all*float64(s.div) < 0.8*p.sigma()*p.sigma() {
		return false // there is nothing but noise
	}
	q := p.pulse.spectrum()
	q.of(&s, &f)
	o.hz, o.h = q.fundamental()
	if o.hz == 0 {
		return false
	}
	o.t0 = s.t0
	if !f.settle(&s, &o) {
		return false
	}
	left, trend := f.left()
	if left > pays*trend {
		return false
	}
	o.rest = left * float64(s.div)
	o.tabulate(s.div, rate)
	if !p.removes(&o, from, to) || !p.foretold(&o, &s, trend) {
		return false
	}
	from = p.begins(&o, from)
	p.tone(&o, from)
	rest := math.Max(o.rest, p.sigma()*p.sigma())
	m.absolve(c, turnover{gain: 1, from: from, hole: int(beganHole * p.rate / o.hz), rest: rest, err: o.err, most: beganNoise})
	p.replay(max(from, p.lastFall+1, p.step.at+1))
	return true
}

// settle fits frequency and harmonics of a new tone, and leaves out harmonics that
// do not stand out. What leaves nearly all at first isn't followed on.
func (f *series) settle(s *strip, o *tone) bool {
	before := math.Inf(1)
	for k := range 5 {
		if !f.fit(s, o, k > 0) {
			return false
		}
		left, trend := f.left()
		if k == 1 && left > hopeless*trend {
			return false
		}
		if k == 2 && o.slim(standsOut*left/float64(f.n)) {
			continue
		}
		if k >= 2 && math.Abs(before-left) < settled*left {
			break
		}
		before = left
	}
	return o.hz > 0
}

// foretold tells whether a fit of the tone to most of the strip tells the rest of
// it as well, and sets the error of its prediction.
func (p *pressure) foretold(o *tone, s *strip, trend float64) bool {
	var f series
	early := *o
	part := *s
	part.n = s.n * 3 / 4
	for range 2 {
		if !f.fit(&part, &early, true) {
			return false
		}
	}
	early.tabulate(s.div, s.rate)
	end := p.cap.t[(p.cap.n-1)&p.cap.mask]
	d := o.differs(&early, end, int64(float64(s.n-part.n)*float64(s.div)/s.rate*1e9))
	o.err = math.Sqrt(d)
	if o.rest/float64(s.div)+d > pays*trend {
		return false
	}
	var e bow
	span := int(math.Ceil(p.rate / o.hz))
	return !e.of(p, o, p.cap.n-span, p.cap.n) || e.gain() > 0.5
}

// removes tells whether every sample has less to it without the tone: what was
// fitted to means may be far faster in truth.
func (p *pressure) removes(o *tone, from, to int) bool {
	var with, without float64
	n := 0
	for i := from + 1; i < to; i++ {
		j := i & p.cap.mask
		if p.cap.q[j]&(daq.Bad|daq.Spike) != 0 {
			continue
		}
		y := o.at(p.cap.t[j])
		with += y * (2*p.detrended(i, from, to) - y)
		without += y * y
		n++
	}
	return n > 0 && with > 0.5*without
}

// detrended is sample i without the straight line through [from, to)'s ends.
func (p *pressure) detrended(i, from, to int) float64 {
	a, b := p.cap.v[from&p.cap.mask], p.cap.v[(to-1)&p.cap.mask]
	return p.cap.v[i&p.cap.mask] - a - (b-a)*float64(i-from)/float64(to-1-from)
}

// begins is the sample from which tone o, fitted from sample number from on, is
// there: back to where periods no longer grow straighter without it, of which one or
// two tell nothing, and then where one split tells most.
func (p *pressure) begins(o *tone, from int) int {
	half := max(8, int(0.5*p.rate/o.hz))
	sum, best := 0.0, 0.0
	e := bow{pardon: daq.Spike} // a tone that begins may have been taken for some
	for i := from; sum > best-beganDoubt && e.of(p, o, i-2*half, i); i -= half {
		sum += math.Min(1, math.Max(-1, (e.left(0)-e.left(1))/e.yy))
		if sum > best {
			best, from = sum, i-2*half
		}
	}
	return p.parts(o, from-4*half, from-2*half, from+3*half, from+5*half)
}
