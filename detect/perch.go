package detect

import "math"

const (
	perchNs    = int64(5e9) // that a converter may rest at its end
	perchLeast = 8          // equal codes that are no chance where noise is about
	perchBack  = 0.05       // of the step: so near to its start it comes back
)

// perched tells whether the fall is a converter's coming back from its end: the
// trace stepped up, rested on one code, though noise is about otherwise, and is
// back where it was before. What it stepped up with is told as the same fault.
func (n *naming) perched() bool {
	p := n.k.c.p
	s := &p.step
	if s.size <= 0 || p.sigma() < p.code || n.t-p.cap.t[s.at&p.cap.mask] > perchNs {
		return false
	}
	oldest := max(s.at, p.cap.oldest())
	last := n.k.decide
	for last > oldest && p.cap.at(last) < s.before+s.size/2 {
		last--
	}
	first := last
	for first > oldest && p.cap.at(first-1) == p.cap.at(last) {
		first--
	}
	if last-first < perchLeast || p.cap.at(max(first-2, oldest)) > s.before+s.size/2 {
		return false
	}
	v, count := p.cap.mean(n.k.decide, min(n.k.decide+perchLeast, n.to))
	if count < perchLeast/2 || math.Abs(v-s.before) > perchBack*s.size+n.noise {
		return false
	}
	if r := n.m.book.at(p.lastRise); r != nil && r.ev.Kind == SupplyStep && r.ev.Onset >= p.cap.t[s.at&p.cap.mask] {
		r.toFault(FaultRail, n.k.c.lastT)
		n.m.book.revise(r)
	}
	return true
}
