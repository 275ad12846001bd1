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
	base := p.cap.raw(mid)
	for ; from+div <= to; from += div {
		sum, t, ok := 0.0, 0.0, true
		for k := from; k < from+div; k++ {
			j := k & p.cap.mask
			if p.cap.q[j]&(daq.Bad|daq.Spike) != 0 {
				ok = false
				break
			}
			v := p.cap.raw(k) - base
			if p.pulse.n > 0 {
				v -= p.pulse.others(p.cap.t[j], i)
			}
			sum += v
			t += float64(p.cap.t[j] - s.t0)
		}
		if ok {
			s.v[s.n], s.t[s.n] = sum/float64(div), t/float64(div)*1e-9
			s.n++
		}
	}
	s.half = math.Max(float64(p.cap.t[(to-1)&p.cap.mask]-s.t0)*1e-9, 1e-9)
}
