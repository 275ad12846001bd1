package analysis

import "math"

// Where a vessel is empty before its opening has grown to the end, the fall tells
// how the hole begins to grow and nothing of how long it goes on. The effective
// onset and the full area hang on that: what is known of opening times in general
// bounds them.
const (
	unseenLeast = 0.3  // of the time in which the vessel empties, that the opening takes at least
	unseenLags  = 2.0  // lags that what is seen of it takes at least
	unseenDots  = 8.0  // samples, the same
	unseenStep  = 0.35 // between the logarithms of opening times that stand for all longer ones
	unseenMost  = 12   // of them
)

// exposure is how many relative falls (the rate times the time it is open) take
// the pressure down to where the fit ends.
func (a *opening) exposure(level float64) float64 {
	p := math.Max(level+a.gauge, 1.01*a.ambient)
	return math.Log(p / (p - fallFraction*(p-a.ambient)))
}

// orGrowsOn adds to plain, which stands for all fits so far, holes that go on
// growing when the vessel is empty: one fit whose hole grows as a power of time as
// long as anything shows, and opening times from there on, each with its share of
// what is known of them beforehand.
func (a *opening) orGrowsOn(plain *profile, free []figure) {
	if a.liquid || a.closes || a.earlier != straightRamp || plain.rate*plain.width/2 < unseenLeast*a.exposure(plain.level) {
		return
	}
	c, share := a.bareOf(plain)
	free = without(free, figWidth)
	if !a.stated() {
		free = without(free, figRing, figDamp)
	}
	start := c.onset - c.width/2
	span := 1.2 * (a.b.t[a.used-1] - start)
	c.rate *= growth(0.5, c.shape) * math.Pow(2*span/c.width, c.shape)
	c.onset += (span - c.width) / 2
	c.level += c.ramp * (span - c.width) / 2
	c.width, c.grows = span, true
	if p, ok := a.fitPower(c, free); ok {
		a.beyond(&p, share)
	}
}

// fitPower fits a hole that grows as a power of time, read by a transducer of first
// order without an impulse line that nobody stated.
func (a *opening) fitPower(c course, free []figure) (profile, bool) {
	second, rings := a.second, a.rings
	a.second, a.rings, a.power = false, a.stated(), true
	p, ok := a.fit(c, free, 40)
	a.second, a.rings, a.power = second, rings, false
	return p, ok
}

// beyond adds the opening times beyond what shows of the growing hole p.
func (a *opening) beyond(p *profile, share float64) {
	start := p.onset - p.width/2
	x := math.Pow((p.shape+1)*a.exposure(p.level)/(p.rate*p.width), 1/(p.shape+1))
	seen := math.Min(p.width*x, a.b.t[a.used-1]-p.lag-start)
	if seen < unseenLags*p.lag || seen < unseenDots*a.s.dt {
		return
	}
	rate := p.rate * math.Pow(seen/p.width, p.shape)
	// What grows evenly may end at once, what grows ever faster has the half of it
	// before it that slows down again.
	least := seen * math.Min(math.Max(p.shape, 1), 2)
	excess, best := a.excess(), bestOf(a.fits).chi2
	for k := range unseenMost {
		q := *p
		q.width = least * math.Exp((float64(k)+0.5)*unseenStep)
		if q.width > slowestOpening {
			return
		}
		z := (math.Log(q.width) - math.Log(widthMean)) / widthSD
		q.share = share + math.Log(unseenStep/math.Sqrt(2*math.Pi)) - z*z/2/excess
		q.rate = rate // at least
		q.onset = start + q.width/2
		q.at += p.slope * (q.onset - p.onset)
		cell := q.width / 2 * unseenStep / math.Sqrt(12)
		q.cov[figOnset][figOnset] += cell * cell
		q.cov[figLevel][figLevel] += p.slope * p.slope * cell * cell
		// It is no course to be solved: it is never the best one.
		if q.chi2 <= best {
			q.share += (best - q.chi2) / 2 / excess
			q.chi2 = math.Nextafter(best, math.Inf(1))
		}
		a.fits = append(a.fits, q)
	}
}
