package detect

import "math"

const (
	againSpan  = 48  // samples after an onset in which a second one is looked for here
	againLeast = 3   // samples from the first onset to the second at least
	againTimes = 2.5 // the second fall is this many times as steep as the first
	againSigma = 8.0 // and steeper by so many standard deviations of a sample
)

// again looks for a second opening so soon after the first that no baseline has
// grown: two falls from sample to sample that are far steeper than any since
// the first onset, and not taken back by the sample after them. An opening that
// takes its time, or is seen through a lag, steepens too, but little by little.
func (m *Monitor) again(c *channel) {
	p := c.p
	now := p.cap.n - 1
	at := now - 2 // the last sample before the second fall
	if p.lastFall <= p.cap.oldest() || at-p.lastFall < againLeast || p.run > 0 && p.peak > 0 {
		return
	}
	v := func(i int) float64 { return p.cap.v[i&p.cap.mask] }
	most := 0.0
	for i := p.lastFall + 1; i < at; i++ {
		most = math.Max(most, v(i-1)-v(i))
	}
	sigma := p.sigma()
	if most < 3*sigma {
		return // the first one is not there yet
	}
	limit := againTimes*most + againSigma*sigma
	if v(at-1)-v(at) < limit || v(at)-v(at+1) < limit || v(at+1)-v(now) < -0.2*limit {
		return
	}
	dt := float64(c.period) * 1e-9
	r := m.departed(c, &watch{onset: at - 1, v0: v(at-1) - most*float64(now-at+1), slope: -most / dt, ns: 4 * c.period, sd: 2 * sigma})
	if r != nil {
		r.fastest = 0
	}
	p.settle(falling, 0, &p.levels[0].win[0])
}
