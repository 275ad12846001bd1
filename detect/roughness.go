package detect

import (
	"math"
	"slices"
)

const (
	// burst is how many times the noise before the trace's own roughness must be
	// to count as a burst of noise, and roughLeast how many standard deviations of
	// it a fall must be then.
	burst, roughLeast = 1.6, 9.0
	roughSpan         = 64 // samples of a stretch
)

// noisy tells whether a burst of noise, or nothing at all, explains the fall.
func (n *naming) noisy() bool {
	if n.depth < 1.25*n.noise && n.left < n.noise {
		return true
	}
	rough := n.k.roughness(n.course)
	sigma := n.k.c.p.sigma()
	if rough < burst*sigma || sigma == 0 || n.depth > shockMost*n.gauge {
		return false
	}
	return n.depth < roughLeast*n.sd*rough/sigma
}

// roughness is the standard deviation of a sample as the second differences
// show it, before or after the onset, whichever is more. It leaves the fall
// itself out.
func (k *watch) roughness(s *course) float64 {
	p := k.c.p
	after := p.scatter(k.decide, min(s.to, k.decide+4*roughSpan))
	return math.Max(after, p.scatter(k.onset-4*roughSpan, k.onset))
}

// scatter is the standard deviation of a sample as second differences in
// [from, to) show it: medians, so that spikes and the fall itself don't count.
// 0: too few samples.
func (p *pressure) scatter(from, to int) float64 {
	var sums [4]float64
	n := 0
	for from = max(from, p.cap.oldest()+2); n < len(sums) && from+roughSpan <= to; from += roughSpan {
		sums[n] = p.scatterOver(from, from+roughSpan)
		n++
	}
	if n == 0 {
		return 0
	}
	slices.Sort(sums[:n])
	return sums[(n-1)/2]
}

// scatterOver is scatter by all of [from, to), at most 4 roughSpan.
func (p *pressure) scatterOver(from, to int) float64 {
	var d [4 * roughSpan]float64
	from = max(from, p.cap.oldest()+2)
	n := min(to-from, len(d))
	if n < 1 {
		return 0
	}
	for i := range n {
		j := from + i
		d[i] = math.Abs(p.cap.v[j&p.cap.mask] - 2*p.cap.v[(j-1)&p.cap.mask] + p.cap.v[(j-2)&p.cap.mask])
	}
	slices.Sort(d[:n])
	return 1.4826 * d[n/2] / math.Sqrt(6)
}
