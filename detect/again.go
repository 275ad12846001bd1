package detect

import "math"

const (
	againSpan  = 48  // samples after an onset in which a second one is looked for here
	againLeast = 3   // samples from the first onset to the second at least
	againTimes = 2.5 // the second fall is this many times as steep as the first
	againReach = 3   // samples within which the steepening must be complete
	againSigma = 8.0 // and steeper by so many standard deviations of a sample
)

// again looks for a second opening so soon after the first that no baseline has
// grown: the trace fell steadily, and then, from sample to sample, falls far
// faster, for longer than a spike lasts. An opening that takes its time, or is
// seen through a lag, steepens too, but little by little.
func (m *Monitor) again(c *channel) {
	p := c.p
	now := p.cap.n - 1
	if p.lastFall <= p.cap.oldest() || now-p.lastFall < againLeast+2 || p.run > 0 && (p.peak > 0 || p.run <= spikeLen) {
		return
	}
	fall := func(i int) float64 { return p.cap.v[(i-1)&p.cap.mask] - p.cap.v[i&p.cap.mask] }
	sigma := p.sigma()
	least := math.Min(fall(now), fall(now-1))
	for at := now - 1; at > max(now-againReach, p.lastFall+againLeast-1); at-- {
		// the falls before sample at were steady, those from it on are not
		a, b := fall(at-2), fall(at-1)
		steady := math.Max(a, b)
		if steady < 3*sigma || b > 1.35*a+2*sigma || least < againTimes*steady+againSigma*sigma || p.steeperBefore(at, steady) {
			continue
		}
		dt := float64(c.period) * 1e-9
		m.departed(c, &watch{onset: at - 1, v0: p.cap.v[(at-1)&p.cap.mask] - steady*float64(now-at+1), slope: -steady / dt, ns: 4 * c.period, sd: 2 * sigma})
		p.settle(falling, 0, &p.levels[0].win[0])
		return
	}
}

// steeperBefore tells whether the trace has fallen much faster than by steady a
// sample between the last onset and sample at: then it rings.
func (p *pressure) steeperBefore(at int, steady float64) bool {
	for i := p.lastFall + 1; i < at; i++ {
		if p.cap.v[(i-1)&p.cap.mask]-p.cap.v[i&p.cap.mask] > 1.5*steady+3*p.sigma() {
			return true
		}
	}
	return false
}
