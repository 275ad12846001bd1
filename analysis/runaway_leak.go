package analysis

import (
	"fmt"
	"math"

	"ventward/analysis/flow"
)

// What makes a leak of a vessel. Judgements, no source.
const (
	leakSpan  = 60.0 // s at rest that are looked at, at most
	leakLeast = 16   // cells of it
	leakSure  = 8.0  // standard deviations of the slope
	leakEven  = 0.8  // part of the first half's slope that the second keeps: gas that cools eases
	leakHead  = 0.02 // of the ambient pressure that must drive it
	leakPart  = 0.5  // standard uncertainty of what was lost: how it goes with pressure is not known
	leakMost  = 0.3  // of the gas given off, that may have been lost for an amount to be told
)

// A vesselLeak is what a vessel's gas lost to a leak.
type vesselLeak struct {
	rate float64 // 1/s, relative, at the settled state
	mol  float64 // lost from before heating to the settled state
}

// leak looks whether the amount of gas, p V/(R T), goes on falling evenly at the
// settled state, and reckons back what was lost, in proportion to the
// overpressure. The gas temperature is measured, or there is no saying.
func (r *Runaway) leak(b, a vesselState) vesselLeak {
	if r.gas < 0 {
		return vesselLeak{}
	}
	c := &r.course
	begin := max(a.peak+(a.to-a.peak)/3, a.to-int(leakSpan/c.seconds()))
	whole := r.amountLine(begin, a.to)
	mid := (begin + a.to) / 2
	first, second := r.amountLine(begin, mid), r.amountLine(mid, a.to)
	head := a.p - r.ambient()
	switch {
	case whole.n < leakLeast || head < leakHead*r.ambient():
		return vesselLeak{}
	case whole.slope > -leakSure*whole.slopeU:
		return vesselLeak{}
	case -second.slope < -leakEven*first.slope-2*math.Hypot(first.slopeU, second.slopeU):
		return vesselLeak{}
	}
	l := vesselLeak{rate: -whole.slope / whole.mean}
	seconds := 0.0 // at the settled overpressure that would lose as much
	for i := (b.from + b.to) / 2; i < (a.from+a.to)/2; i++ {
		if p, ok := c.cells[i].mean(ofVessel); ok {
			seconds += max(0, r.absolute(p)-r.ambient()) / head * c.seconds()
		}
	}
	l.mol = l.rate * seconds * r.o.Fixture.VolumeM3 / flow.R * a.p / a.T
	return l
}

// tooMuch says why no amount is told of a vessel that leaked; empty: it is.
// n is the amount that is found missing nothing, mol.
func (l vesselLeak) tooMuch(n float64) string {
	if l.mol <= leakMost*(n+l.mol) {
		return ""
	}
	return fmt.Sprintf("the vessel leaks: it loses %.2g %% of its gas a minute at the settled state and lost about %.2g mol by then; find the leak before the next test",
		6000*l.rate, l.mol)
}

// A courseLine is a straight line through an amount over a stretch of a course.
type courseLine struct {
	mean, slope, slopeU float64 // Pa/K, Pa/(K s)
	n                   int     // cells
}

// falls is the relative slope, 1/s; 0 where it is not known.
func (l courseLine) falls() float64 {
	if l.n < 3 || l.mean <= 0 {
		return 0
	}
	return l.slope / l.mean
}

// amountLine fits p/T over cells [from, to).
func (r *Runaway) amountLine(from, to int) courseLine {
	c := &r.course
	var s, st, stt, sv, stv, svv float64
	for i := max(0, from); i < min(to, len(c.cells)); i++ {
		p, ok1 := c.cells[i].mean(ofVessel)
		t, ok2 := c.cells[i].mean(ofGas)
		if !ok1 || !ok2 {
			continue
		}
		x, v := float64(i-from)*c.seconds(), r.absolute(p)/(t+zeroCelsius)
		s, st, stt, sv, stv, svv = s+1, st+x, stt+x*x, sv+v, stv+x*v, svv+v*v
	}
	l := courseLine{n: int(s)}
	if s < 3 {
		return l
	}
	l.mean = sv / s
	sxx, sxy := stt-st*st/s, stv-st*sv/s
	l.slope = sxy / sxx
	rest := max(0, svv-sv*sv/s-l.slope*sxy)
	l.slopeU = math.Sqrt(rest / (s - 2) / sxx)
	return l
}
