package detect

import "math"

const (
	// A supply that steps beyond its set point comes back as fast as it rose: it
	// stays within overshootTop of its fall below the top for about as long as a
	// second-order system's rise from a tenth to nine tenths takes, or less (its
	// step response; K. Ogata, Modern Control Engineering, Prentice Hall, from
	// memory). A vent opens after a hold of more than holdRises of those rises.
	overshootTop = 0.25
	holdRises    = 1.6
	// overshootLeast is the share of the step that such a supply keeps.
	overshootLeast = 0.15
	overshootSpan  = 8 // blocks of a rise
)

// overshoots tells whether a step of the supply that went beyond its set point
// comes back to it, or swings about it: the pressure falls without having held,
// and stays above what the step began from.
func (n *naming) overshoots() bool {
	p := n.k.c.p
	s := &p.first
	from := max(s.at, n.k.from, p.cap.oldest())
	if s.size <= 0 || from >= n.k.onset || !n.m.onlyStepped(n.r, p.cap.t[s.at&p.cap.mask]) {
		return false
	}
	block := max(1, (n.k.onset-from)/(4*overshootSpan))
	bottom, start := p.most(from, n.k.onset, block, -1)
	top, at := p.most(start, min(n.to, p.cap.find(n.lowT)+1), block, 1)
	fall := top - n.lowest
	if n.lowest < s.before+overshootLeast*(top-s.before) || fall < n.noise {
		return false
	}
	low := p.crossing(start, at, block, bottom+0.1*(top-bottom), -1)
	high := p.crossing(low, at+block, block, bottom+0.9*(top-bottom), -1)
	begun := p.crossing(low, at+block, block, top-overshootTop*fall, -1)
	ended := p.crossing(at, n.to, block, top-overshootTop*fall, 1)
	return float64(ended-begun) < holdRises*float64(max(high-low, block))
}

// onlyStepped tells that since time t, of a step, nothing has opened on the channel
// of r before it.
func (m *Monitor) onlyStepped(r *record, t int64) bool {
	if r.ev.Onset-t > topNs {
		return false
	}
	for i := len(m.book.recs) - 1; i >= 0; i-- {
		x := m.book.recs[i]
		if x.ev.Onset < t {
			break
		}
		if x.ev.ID < r.ev.ID && x.seat == r.seat && (x.ev.Opens() || x.ev.Kind == Dump) {
			return false
		}
	}
	return true
}

// most is the largest (sign 1) or least (-1) mean of a block of samples in
// [from, to), and where it begins.
func (p *pressure) most(from, to, block int, sign float64) (v float64, at int) {
	v, at = math.Inf(-1), from
	for i := from; i+block <= to; i += block {
		if x, count := p.cap.calm(i, i+block); count > 0 && sign*x > v {
			v, at = sign*x, i
		}
	}
	return sign * v, at
}

// crossing is the first capture number in [from, to) at which the mean of a block
// of samples is below level (sign 1) or not any more (-1); to: none is.
func (p *pressure) crossing(from, to, block int, level, sign float64) int {
	for i := from; i+block <= to; i += max(1, block/2) {
		if v, count := p.cap.mean(i, i+block); count > 0 && sign*(level-v) > 0 {
			return i + block/2
		}
	}
	return to
}
