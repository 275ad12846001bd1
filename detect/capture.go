package detect

import (
	"math"
	"slices"
	"sort"

	"ventward/daq"
)

const (
	captureS   = 6.0     // seconds that a capture holds at the channel's rate
	captureMax = 1 << 16 // and never more samples than this
	captureMin = 1 << 10
)

// A capture is a ring of a pressure channel's newest samples at full rate,
// from which windows are copied.
type capture struct {
	t []int64
	v []float64
	q []daq.Quality
	// whole is what the samples were before what is periodic was taken off them;
	// nil: nothing ever was.
	whole []float64
	mask  int
	n     int // samples taken
	// limit is what a sample may stand out by, Pa, until it counts as a spike
	limit float64
	marks int // made so far, and times that samples have changed
}

func newCapture(rateHz float64) *capture {
	size := captureMin
	for float64(size) < captureS*rateHz && size < captureMax {
		size *= 2
	}
	return &capture{t: make([]int64, size), v: make([]float64, size), q: make([]daq.Quality, size), mask: size - 1, limit: math.Inf(1)}
}

func (c *capture) push(s []daq.Sample) {
	for len(s) > 0 {
		at := c.n & c.mask
		n := min(len(s), len(c.t)-at)
		t, v, q := c.t[at:at+n], c.v[at:at+n], c.q[at:at+n]
		for i := range t {
			x := &s[i]
			t[i], v[i], q[i] = x.T, x.V, x.Q
		}
		if c.whole != nil {
			copy(c.whole[at:at+n], v)
		}
		c.n += n
		s = s[n:]
	}
}

// keepRaw begins to hold the samples as they come beside what is made of them.
func (c *capture) keepRaw() {
	if c.whole == nil {
		c.whole = append([]float64(nil), c.v...)
	}
}

// raw is sample number i as it came.
func (c *capture) raw(i int) float64 {
	if c.whole != nil {
		return c.whole[i&c.mask]
	}
	return c.v[i&c.mask]
}

// mark marks sample number i, which must still be held.
func (c *capture) mark(i int, q daq.Quality) {
	c.q[i&c.mask] |= q
	c.marks++
}

// at is the value of sample number i, which must still be held.
func (c *capture) at(i int) float64 { return c.v[i&c.mask] }

// oldest is the number of the first sample still held.
func (c *capture) oldest() int { return max(0, c.n-len(c.t)) }

// find returns the number of the first held sample at or after t.
func (c *capture) find(t int64) int {
	lo := c.oldest()
	return lo + sort.Search(c.n-lo, func(k int) bool { return c.t[(lo+k)&c.mask] >= t })
}

// copyOut returns samples [from, to) as a window's vectors.
func (c *capture) copyOut(from, to int) (t []int64, v []float64, q []daq.Quality) {
	n := max(0, to-from)
	t, v, q = make([]int64, n), make([]float64, n), make([]daq.Quality, n)
	for k := range n {
		i := (from + k) & c.mask
		t[k], v[k], q[k] = c.t[i], c.raw(i), c.q[i]
	}
	return t, v, q
}

// mean is the mean of the valid samples of [from, to) and their number.
func (c *capture) mean(from, to int) (m float64, n int) {
	for k := max(from, c.oldest()); k < min(to, c.n); k++ {
		if i := k & c.mask; c.q[i]&daq.Bad == 0 {
			m += c.v[i]
			n++
		}
	}
	if n > 0 {
		m /= float64(n)
	}
	return m, n
}

// A stretch is some of the held samples that lie in one piece in the ring, as do
// those spikeLen before and after each of them.
type stretch struct {
	t             []int64
	v             []float64
	before, after []float64
	q             []daq.Quality
}

// stretch is what lies in one piece from sample number k on, up to number to.
func (c *capture) stretch(k, to int) stretch {
	i, n := k&c.mask, 1
	if i >= spikeLen {
		n = max(1, min(to-k, len(c.v)-spikeLen-i))
	}
	b, a := (i-spikeLen)&c.mask, (i+spikeLen)&c.mask
	return stretch{t: c.t[i : i+n], v: c.v[i : i+n], before: c.v[b : b+n], after: c.v[a : a+n], q: c.q[i : i+n]}
}

// calm is the mean of the valid samples of [from, to) and their number, without
// spikes that nobody has marked.
func (c *capture) calm(from, to int) (m float64, n int) {
	to = min(to, c.n)
	for k := max(from, c.oldest()); k < to; {
		s := c.stretch(k, to)
		before, after, q := s.before[:len(s.v)], s.after[:len(s.v)], s.q[:len(s.v)]
		for i, v := range s.v {
			if q[i]&daq.Bad != 0 {
				continue
			}
			if stands(v, before[i], after[i], c.limit) {
				v = c.despiked(k+i, v)
			}
			m += v
			n++
		}
		k += len(s.v)
	}
	if n > 0 {
		m /= float64(n)
	}
	return m, n
}

// stands tells whether a sample, v, may stand out by more than limit from those
// round it, told by the samples spikeLen before and after it.
func stands(v, before, after, limit float64) bool {
	return !(math.Abs(v-before) < limit && math.Abs(v-after) < limit)
}

// despiked is the valid sample number k, v, or the median round it where it stands
// out by more than limit for at most three samples. What falls or rises steadily
// is its own median.
func (c *capture) despiked(k int, v float64) float64 {
	if k-spikeLen < c.oldest() || k+spikeLen >= c.n || !c.outstands(k, v) {
		return v
	}
	if mid := c.median(k); math.Abs(v-mid) > c.limit {
		return mid
	}
	return v
}

// outstands tells whether most of the valid samples round number k lie more than
// limit above or below v: else their median does not.
func (c *capture) outstands(k int, v float64) bool {
	n, above, below := 0, 0, 0
	for j := k - spikeLen; j <= k+spikeLen; j++ {
		i := j & c.mask
		if c.q[i]&daq.Bad != 0 {
			continue
		}
		n++
		if d := c.v[i] - v; d > c.limit {
			above++
		} else if d < -c.limit {
			below++
		}
	}
	return 2*max(above, below) >= n
}

// median is the median of the valid samples round the valid sample number k, over
// more than twice the longest spike.
func (c *capture) median(k int) float64 {
	var v [2*spikeLen + 1]float64
	n := 0
	for j := k - spikeLen; j <= k+spikeLen; j++ {
		if c.q[j&c.mask]&daq.Bad == 0 {
			v[n] = c.at(j)
			n++
		}
	}
	slices.Sort(v[:n])
	return (v[(n-1)/2] + v[n/2]) / 2
}

// wander is by how much the means of n samples differ from those apart samples
// before them, beyond their common trend, as the root of the mean square over
// what is held before sample number to: noise that is slower than a sample, as a
// step has to stand out of. 0: too little is held.
func (c *capture) wander(to, apart, n int) float64 {
	var sum, sq, count float64
	for k := c.oldest(); apart > 0 && k+apart+n <= to; k += n {
		a, na := c.mean(k, k+n)
		b, nb := c.mean(k+apart, k+apart+n)
		if na > 0 && nb > 0 {
			sum += b - a
			sq += (b - a) * (b - a)
			count++
		}
	}
	if count < 8 {
		return 0
	}
	return math.Sqrt(math.Max(0, sq/count-sum/count*sum/count))
}

// line fits a straight line to the valid samples of [from, to): value at t0
// (ns) and slope per s, without spikes that nobody has marked. ok is false with fewer than three.
func (c *capture) line(from, to int, t0 int64) (v, slope float64, ok bool) {
	var n, st, sv, stt, stv float64
	to = min(to, c.n)
	for k := max(from, c.oldest()); k < to; {
		s := c.stretch(k, to)
		at, before, after, q := s.t[:len(s.v)], s.before[:len(s.v)], s.after[:len(s.v)], s.q[:len(s.v)]
		for i, v := range s.v {
			if q[i]&daq.Bad != 0 {
				continue
			}
			if stands(v, before[i], after[i], c.limit) {
				v = c.despiked(k+i, v)
			}
			t := float64(at[i]-t0) * 1e-9
			n++
			st += t
			sv += v
			stt += t * t
			stv += t * v
		}
		k += len(s.v)
	}
	d := n*stt - st*st
	if n < 3 || d <= 0 {
		return 0, 0, false
	}
	slope = (n*stv - st*sv) / d
	return (sv - slope*st) / n, slope, true
}

// saturated is the newest run of saturated samples, at both ends, that begins
// above number oldest and ends before number to; last is 0 where there is none.
func (c *capture) saturated(to, oldest int) (first, last int) {
	for last = to; last > oldest && c.q[last&c.mask]&daq.Saturated == 0; last-- {
	}
	if last <= oldest {
		return 0, 0
	}
	for first = last; first > c.oldest() && c.q[(first-1)&c.mask]&daq.Saturated != 0; first-- {
	}
	return first, last
}
