package detect

import (
	"math"

	"ventward/daq"
)

// replay goes through what the capture holds from sample number from on anew, as
// if the trace had begun there, and calls nothing.
func (p *pressure) replay(from int) {
	p.restart()
	p.uncertain(p.rate)
	from = p.whole(int(replayS*p.rate), from)
	if p.cap.n-from < replayLeast {
		return // the noise known is better than what so few samples tell
	}
	for i := range p.levels[:p.nl] {
		l := &p.levels[i]
		for k := range l.win[:l.nw] {
			l.win[k].own = spread{}
		}
		l.study = max(l.study, l.n+(p.cap.n-from)/l.div)
	}
	p.noise = noise{least: p.noise.least, rests: p.noise.rests, moves: p.noise.moves, floor: p.noise.floor}
	p.noiseFrom = p.levels[0].n + excursion + 1
	p.crest = 0
	p.dep = noiseBlock{}
	p.suspect.on, p.sunk, p.ebb = false, false, ebb{}
	n := p.cap.n - from
	p.phaseEnd += n
	p.gapEnd += n
	p.bridged += n
	p.saturated += n
	p.disturbed += n
	for k := from; k < p.cap.n; k++ {
		if p.cap.q[k&p.cap.mask]&daq.Spike != 0 {
			continue
		}
		p.pass(p.cap.v[k&p.cap.mask] - p.base)
	}
	p.presume()
	p.sunk = false
}

// presume takes the noise of windows that have hardly been looked at for white, or
// for what that of the next faster level is.
func (p *pressure) presume() {
	if p.sigma() == 0 {
		return
	}
	p.rescale()
	for i := range p.levels[:p.nl] {
		l := &p.levels[i]
		l.odd = false
		for k := range l.win[:l.nw] {
			if w := &l.win[k]; w.own.n < ownLeast {
				x := l.sigma * math.Max(1, w.kin)
				w.own = spread{v: x * x, n: ownLeast}
			}
		}
		if l.span > 0 {
			l.refit()
		}
	}
}

// pass gives the levels a sample of which nothing is called.
func (p *pressure) pass(v float64) {
	l0 := &p.levels[0]
	e := v - l0.newestMean()
	if p.run > 0 || math.Abs(e) > p.jump {
		p.depart(v, e)
	} else if l0.n&3 == 0 && p.dep.push(e*e) {
		p.rejump()
	}
	l0.odd = p.run > 0
	l0.push(v)
	if l0.n > p.noiseFrom && p.noise.push(l0.ring[(l0.n-1-excursion)&ringMask]) {
		p.rescale()
	}
	p.feed()
}
