package detect

import "math"

// tune fits tone i to the newest of the trace, to less of it where the tone has
// changed, and tells whether it still pays.
func (p *pressure) tune(i int) bool {
	rate := p.rate
	known := &p.pulse.tones[i]
	long := math.Max(tuneS, tuneTurns/known.hz)
	to := p.cap.n - guardLeast
	from := p.whole(int(long*rate), 0)
	least := int(math.Max(3/known.hz, 0.1) * rate)
	first := from
	for ; to-from >= least; from = (from + to) / 2 {
		o := *known
		left, trend := p.refit(&o, from, to, i)
		switch {
		case left < 0 || left > 2*known.rest && (left > tells*trend || from < p.lastFall):
		case left > idle*trend:
			known.stale++
			return known.stale < 2
		default:
			o.rest, o.stale = left, 0
			o.err = math.Sqrt(math.Max(o.differs(known, p.cap.t[(p.cap.n-1)&p.cap.mask], p.pulse.pace), errorKeep*known.err*known.err))
			*known = o
			p.uncertain(rate)
			p.pulse.settle(o.err*o.err < left*math.Max(tuneSmall, tuneNoise*float64(fitTrend+2*o.h+1)/float64(to-from)))
			if from > first { // it has changed of late
				p.retake(from)
			}
			return true
		}
	}
	// it can't be told: its prediction ages, and may be no better than none
	known.err = math.Min(math.Max(tuneAges*known.err, math.Sqrt(tuneSmall*known.rest)), math.Sqrt(known.power()))
	p.uncertain(rate)
	p.pulse.settle(false)
	if known.err*known.err > known.rest {
		p.disturb(int(rate))
	}
	return true
}

// refit fits a known tone anew to [from, to) and gives the variance that it
// leaves, and what is there without it; negative: no fit.
func (p *pressure) refit(o *tone, from, to, i int) (left, trend float64) {
	rate := p.rate
	var s strip
	var f series
	p.strip(&s, from, to, max(1, int(rate/(tunePoints*float64(o.h)*o.hz))), i)
	known, hz := o.rest/float64(s.div), o.hz
	if !f.fit(&s, o, true) || f.all > 1.5*known*float64(f.n) && !f.fit(&s, o, true) {
		return -1, 0
	}
	if math.Abs(o.hz-hz)*2*s.half > tuneSlip {
		return -1, 0 // another tone
	}
	left, trend = f.left()
	o.simplify(standsOut * left / float64(f.n))
	o.tabulate(s.div, rate)
	return left * float64(s.div), trend * float64(s.div)
}
