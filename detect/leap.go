package detect

import "math"

const (
	leapNoises = 20.0 // standard deviations by which a leap to the end stands out
	leapPart   = 0.02 // of the end's value, at least (a judgement, no source)
	leapLine   = 64   // samples of the line before that tell where it goes on
	leapBack   = 8    // samples after it that tell where it is back
)

// leapt tells whether what looks like a fall is a reading that leapt from the line
// to the end of the range, stayed there and is back on the line at once, as when
// an input is lifted: no pressure goes there and back between two samples.
func (n *naming) leapt() bool {
	p := n.k.c.p
	c := p.cap
	first, last := c.saturated(n.k.decide, max(c.oldest(), n.k.decide-2*spanMax))
	if last-first+1 < outageMin || last == 0 || first-c.oldest() < leapLine || last+1+leapBack > n.to {
		return false
	}
	span := max(4*leapLine, 2*(last-first))
	from := max(c.oldest(), first-span, n.m.stepped(n.k.c, first), n.m.ventFrom(n.k.c, c.t[first&c.mask]))
	t := c.t[(last+1+leapBack/2)&c.mask]
	v, slope, ok := c.line(from, first-2, t)
	back, count := c.mean(last+1, last+1+leapBack)
	if !ok || first-from < leapLine || count < leapBack/2 {
		return false
	}
	end, dt := c.at(last), float64(n.k.c.period)*1e-9
	sigma := p.sigma() * p.excess()
	left := v - slope*float64(t-c.t[first&c.mask])*1e-9
	if end-left < math.Max(leapNoises*p.sigma(), leapPart*math.Abs(end)) || c.at(first-1) > left+(end-left)/2 {
		return false
	}
	away := float64(t-c.t[((from+first)/2)&c.mask]) * 1e-9
	sd := sigma * math.Hypot(1/math.Sqrt(float64(count)), slopeSD(first-from)/dt*away)
	if newest, _ := c.mean(n.to-leapBack, n.to); newest < v-0.25*(end-left)-n.noise {
		return false // it went on down
	}
	return math.Abs(back-v) < perchBack*(end-left)+4*sd
}
