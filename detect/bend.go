package detect

import "math"

const (
	// What opens smoothly falls at first like the third power of time, seen through
	// a lag like the fourth. A straight line through such a stretch, carried on by
	// up to half its length, is missed by up to 2.6 times what the parabola through
	// it departs from the line (computed from the moments of t^4); less further on.
	bendFactor = 2.5
	bendSigma  = 3.0
)

// A bend is a straight line and a parabola through one stretch of a level's
// values, both carried on to a window behind it.
type bend struct {
	departs float64 // of the window's mean below the line
	below   float64 // of the parabola below the line there; 0: it bends upwards
	belowSD float64
	sd      float64 // of departs
}

// fresh tells whether a smooth course does not explain the departure.
func (b *bend) fresh(factor float64) bool { return b.departs > factor*b.below+bendSigma*b.belowSD }

// steepens tells whether a fall inside a fall is a fresh one. A vent that opens
// slowly, or is seen through a lag, bends the trace for a while: the departure
// must be far beyond what the bend so far explains, over any stretch since the
// last onset. bent tells that the bend explains it; neither: there is too little
// to tell yet.
func (p *pressure) steepens(l *level, w *window) (fresh, bent bool) {
	own := bend{departs: -w.r / float64(w.length), below: math.Max(0, -w.bow), belowSD: w.bowSD}
	factor := bendFactor
	if p.phase == rising {
		factor = 1 // what goes over its top falls less than the parabola does
	}
	if own.fresh(factor) {
		return true, false
	}
	bent = own.below > 3*own.belowSD
	last := p.lastFall
	if p.phase == rising {
		last = max(last, p.step.at)
	}
	if last == 0 {
		return false, bent
	}
	gap := max(gapYoung, w.length)
	held := l.n - (p.cap.n-last)/l.div // first value after the onset
	most := min(l.n-max(held, l.n-ringLen)-gap, spanMax)
	for span := max(spanLeast, 2*gap-w.length); span <= most; span += span / 2 {
		b := l.bendOver(w, gap, span)
		if b.departs > w.z*b.sd && b.fresh(factor) {
			return true, false
		}
	}
	return false, bent
}

// bendOver is the bend of span values that end gap before the newest.
func (l *level) bendOver(w *window, gap, span int) (b bend) {
	n := float64(span)
	mid := (n - 1) / 2
	ref := l.ring[(l.n-1-gap)&ringMask]
	var s0, s1, s2 float64
	for j := range span {
		y := l.ring[(l.n-1-gap-j)&ringMask] - ref
		x := mid - float64(j)
		s0 += y
		s1 += x * y
		s2 += x * x * y
	}
	slope := s1 * 12 / (n * (n*n - 1))
	norm := n * (n*n - 1) * (n*n - 4) / 180
	c := (s2 - (n*n-1)/12*s0) / norm
	size := float64(w.length)
	x := mid + float64(gap) - (size-1)/2 // of the window's centre
	f := x*x - (n*n-1)/12
	b.departs = ref + s0/n + slope*x - w.sum/size
	b.below = math.Max(0, -c*f)
	sigma := l.sigma * w.excess(l.sigma)
	b.belowSD = math.Abs(f) * sigma / math.Sqrt(norm)
	b.sd = sigma * math.Sqrt(1/size+1/n+x*x*12/(n*(n*n-1)))
	return b
}
