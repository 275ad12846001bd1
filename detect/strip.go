package detect

import (
	"math"

	"ventward/daq"
)

// A strip is a stretch of a trace as means of div samples each; those with a
// sample that is no measurement are left out.
type strip struct {
	t    [fitPoints]float64 // s from t0
	v    [fitPoints]float64 // Pa
	n    int
	t0   int64 // ns, the middle
	half float64
	div  int
	rate float64 // of the samples, Hz
}

// strip makes means of div samples of [from, to), without the tones but number
// i.
func (p *pressure) strip(s *strip, from, to, div, i int) {
	for (to-from)/div > fitPoints {
		div++
	}
	s.n, s.div, s.rate = 0, div, p.rate
	mid := (from + to) / 2
	s.t0 = p.cap.t[mid&p.cap.mask]
	for ; from+div <= to; from += div {
		if sum, t, ok := p.summed(from, from+div, mid, i); ok {
			s.v[s.n], s.t[s.n] = sum/float64(div), float64(t)/float64(div)*1e-9
			s.n++
		}
	}
	s.half = math.Max(float64(p.cap.t[(to-1)&p.cap.mask]-s.t0)*1e-9, 1e-9)
}

// summed is the sum of samples [from, to) as they came, less sample number mid each,
// without the tones but number i, and that of their times after mid's; ok if all are
// measurements.
func (p *pressure) summed(from, to, mid, i int) (v float64, t int64, ok bool) {
	c := p.cap
	values := c.v
	if c.whole != nil {
		values = c.whole
	}
	base, t0 := values[mid&c.mask], c.t[mid&c.mask]
	alone := p.pulse.n == 0 || p.pulse.n == 1 && i == 0
	for k := from; k < to; k++ {
		j := k & c.mask
		if c.q[j]&(daq.Bad|daq.Spike) != 0 {
			return 0, 0, false
		}
		x := values[j] - base
		if !alone {
			x -= p.pulse.others(c.t[j], i)
		}
		v += x
		t += c.t[j] - t0
	}
	return v, t, true
}
