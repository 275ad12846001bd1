package detect

import "math"

const (
	againSpan  = 48  // samples after an onset in which a second one is looked for here
	againLeast = 3   // samples from the first onset to the second at least
	againTimes = 2.0 // the second fall is this many times as steep as the first
	againReach = 3   // samples within which the steepening must be complete
	againStay  = 2   // samples for which the trace must stay down after that
	againSigma = 8.0 // and steeper by so many standard deviations of a sample
)

// again looks for a second opening so soon after the first that no baseline has
// grown: the trace fell steadily, and then, from sample to sample, falls far
// faster, for longer than a spike lasts. An opening that takes its time, or is
// seen through a lag, steepens too, but little by little.
func (m *Monitor) again(c *channel) {
	p := c.p
	now := p.cap.n - 1
	end := now - againStay // the last sample of the steepening
	if p.lastFall <= p.cap.oldest() || end-p.lastFall < againLeast+2 || p.run > 0 && p.peak > 0 {
		return
	}
	sigma := p.sigma()
	least := math.Min(p.fall(end), p.fall(end-1))
	if least < againSigma*sigma || p.cap.at(now-1) > p.cap.at(end)+0.2*least || p.cap.at(now) > p.cap.at(end)+0.2*least {
		return
	}
	for at := end - 1; at > max(end-againReach, p.lastFall+againLeast-1); at-- {
		steady, ok := p.steadyBefore(at)
		if !ok || least < againTimes*steady+againSigma*sigma {
			continue
		}
		dt := float64(c.period) * 1e-9
		m.departed(c, &watch{onset: at - 1, v0: p.cap.at(at-1) - steady*float64(now-at+1), slope: -steady / dt, ns: 4 * c.period, sd: 2 * sigma})
		p.settle(falling, 0, &p.levels[0].win[0])
		return
	}
}

// fall is how far the trace fell from the sample before to sample i.
func (p *pressure) fall(i int) float64 { return p.cap.at(i-1) - p.cap.at(i) }

// steadyBefore is the fall a sample just before sample at; ok tells that the
// trace did fall steadily there, or hardly at all for a while.
func (p *pressure) steadyBefore(at int) (steady float64, ok bool) {
	sigma := p.sigma()
	a, b := p.fall(at-2), p.fall(at-1)
	steady = math.Max(a, b)
	if steady < 3*sigma {
		return 5 * sigma, at-p.lastFall >= 2*againLeast && !p.steeperBefore(at, 3*sigma)
	}
	return steady, b < 1.35*a+2*sigma && !p.steeperBefore(at, steady)
}

// steeperBefore tells whether the trace has fallen much faster than by steady a
// sample between the last onset and sample at: then it rings.
func (p *pressure) steeperBefore(at int, steady float64) bool {
	for i := p.lastFall + 1; i < at; i++ {
		if p.fall(i) > 1.5*steady+3*p.sigma() {
			return true
		}
	}
	return false
}
