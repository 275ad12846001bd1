package analysis

import (
	"math"
	"slices"
)

// rateWindows are the numbers of samples over which slopes are taken.
var rateWindows = [...]int{5, 7, 10, 14, 20, 28, 40, 57, 80, 113, 160, 226, 320, 453, 640, 905, 1280}

// rateRing holds the longest window.
const rateRing = 2048

// A steepest finds the steepest rise of a pressure: least-squares slopes over
// windows of several lengths, all at once, with running sums.
type steepest struct {
	v       [rateRing]float64
	t       [rateRing]int64
	n       int // samples since the last hole
	base    float64
	sum     [len(rateWindows)]float64 // of v - base
	turn    [len(rateWindows)]float64 // of j (v - base), j = 0 for the oldest
	best    [len(rateWindows)]float64 // Pa/s
	span    [len(rateWindows)]float64 // s, of the best one
	rough   []float64                 // magnitudes of second differences, thinned
	seen    int
	sigma0  float64            // noise of a sample as last looked at, Pa
	renewAt int                // readings seen at which it is looked at again
	held    [spikeHold]instant // the newest readings, not yet counted
	nh      int
	last    int64                       // time of the newest reading, ns
	step    int64                       // from the one before it; 0: not known
	quiet   [len(rateWindows)][]float64 // slopes of one window after the other, thinned
	turns   [len(rateWindows)]int       // of them seen
	thin    [len(rateWindows)]uint      // one of 1<<thin is kept
}

// An instant is a value and when it was taken.
type instant struct {
	t int64
	v float64
}

const (
	spikeHold  = 7    // readings among which a spike of up to three is seen
	spikeAside = 10.0 // standard deviations that it lies aside
	sureRate   = 6.0  // standard deviations of a slope that noise doesn't reach
	quietMost  = 512  // slopes kept of a window
)

// hole forgets the samples so far: a slope may not reach over a gap.
func (r *steepest) hole() {
	r.flush()
	r.n = 0
}

// take counts a reading once those after it show that it is no spike: one to
// three readings that lie aside of those before and after them, which agree.
func (r *steepest) take(t int64, v float64) {
	if r.apart(t) {
		r.hole()
	}
	if r.nh == spikeHold {
		r.add(r.held[0].t, r.held[0].v)
		copy(r.held[:], r.held[1:])
		r.nh--
	}
	r.held[r.nh] = instant{t, v}
	r.nh++
	if r.nh == spikeHold && r.seen > 64 {
		r.mend()
	}
}

// apart tells whether a reading at t (ns) comes too late after the one before,
// or not after it, for a slope to reach over both.
func (r *steepest) apart(t int64) bool {
	step := t - r.last
	far := r.last != 0 && (step <= 0 || r.step > 0 && step > 3*r.step)
	if r.step = step; far || r.last == 0 {
		r.step = 0
	}
	r.last = t
	return far
}

// mend lays a spike that begins with the second reading held upon the line
// between its neighbours.
func (r *steepest) mend() {
	h := &r.held
	if r.seen >= r.renewAt {
		r.sigma0, r.renewAt = r.sigma(), r.seen+1<<14
	}
	if math.Abs(h[1].v-h[0].v) <= spikeAside*r.sigma0 {
		return
	}
	for k := 2; k <= 4; k++ { // the first reading behind the spike
		mid := (h[0].v + h[k].v) / 2
		if math.Abs(h[k].v-h[0].v) > 0.2*math.Abs(h[1].v-mid) {
			continue
		}
		for j := 1; j < k; j++ {
			h[j].v = h[0].v + (h[k].v-h[0].v)*float64(j)/float64(k)
		}
		return
	}
}

// flush counts the readings that are still held.
func (r *steepest) flush() {
	for _, x := range r.held[:r.nh] {
		r.add(x.t, x.v)
	}
	r.nh = 0
}

func (r *steepest) add(t int64, v float64) {
	if r.n == 0 {
		r.base = v
		r.sum, r.turn = [len(rateWindows)]float64{}, [len(rateWindows)]float64{}
	}
	r.roughness(v)
	d := v - r.base
	for w, n := range rateWindows {
		if r.n < n {
			r.sum[w] += d
			r.turn[w] += float64(r.n) * d
		} else {
			old := r.v[(r.n-n)%rateRing] - r.base
			r.turn[w] += old - r.sum[w] + float64(n-1)*d
			r.sum[w] += d - old
		}
	}
	r.v[r.n%rateRing], r.t[r.n%rateRing] = v, t
	r.n++
	if r.n%(1<<16) == 0 {
		r.renew()
	}
	r.look(t)
}

// look compares the slopes that end now with the best so far.
func (r *steepest) look(now int64) {
	for w, n := range rateWindows {
		if r.n < n {
			break
		}
		span := float64(now-r.t[(r.n-n)%rateRing]) * 1e-9
		f := float64(n)
		// Slope of a line through equally spaced points, a sample.
		slope := 12 * (r.turn[w] - (f-1)/2*r.sum[w]) / (f * (f*f - 1)) * (f - 1) / span
		if slope > r.best[w] {
			r.best[w], r.span[w] = slope, span
		}
		if r.n%n == 0 {
			r.keep(w, slope)
		}
	}
}

// keep gathers slopes of windows that follow each other; when there are too
// many, every other one goes.
func (r *steepest) keep(w int, slope float64) {
	q := r.quiet[w]
	if r.turns[w]++; r.turns[w]&(1<<r.thin[w]-1) != 0 {
		return
	}
	if len(q) == quietMost {
		for i := range quietMost / 2 {
			q[i] = q[2*i]
		}
		q = q[:quietMost/2]
		r.thin[w]++
	}
	r.quiet[w] = append(q, slope)
}

// swing is the standard deviation of a window's slope about its median, Pa/s,
// as the record itself shows it: white noise makes it u, what is slower than a
// sample makes it more. 1.4826 median magnitudes, so that the rise that is
// sought doesn't count.
func (r *steepest) swing(w int) float64 {
	if len(r.quiet[w]) < 16 {
		return 0
	}
	s := slices.Clone(r.quiet[w])
	slices.Sort(s)
	mid := s[len(s)/2]
	for i := range s {
		s[i] = math.Abs(s[i] - mid)
	}
	slices.Sort(s)
	return 1.4826 * s[len(s)/2]
}

// renew sums afresh, so that rounding never adds up.
func (r *steepest) renew() {
	r.base = r.v[(r.n-1)%rateRing]
	for w, n := range rateWindows {
		r.sum[w], r.turn[w] = 0, 0
		for j := range min(n, r.n) {
			d := r.v[(r.n-min(n, r.n)+j)%rateRing] - r.base
			r.sum[w] += d
			r.turn[w] += float64(j) * d
		}
	}
}

// roughness gathers second differences for the noise, thinned to a bound.
func (r *steepest) roughness(v float64) {
	r.seen++
	if r.n < 2 || r.seen%16 != 0 {
		return
	}
	d := math.Abs(v - 2*r.v[(r.n-1)%rateRing] + r.v[(r.n-2)%rateRing])
	if len(r.rough) < 4096 {
		r.rough = append(r.rough, d)
		return
	}
	r.rough[(r.seen/16)%4096] = d
}

// sigma is the noise of a sample, Pa: the median magnitude of second
// differences of white noise is 0.6745 sqrt(6) sigma.
func (r *steepest) sigma() float64 {
	if len(r.rough) == 0 {
		return 0
	}
	s := slices.Clone(r.rough)
	slices.Sort(s)
	return s[len(s)/2] / (0.6745 * math.Sqrt(6))
}

// result is the steepest rise, Pa/s, and the window it was taken over, s. The
// window is the shortest one whose slope the noise leaves certain enough. What
// is enough grows a little with the rate, because a fast rise is also a short
// one: 0.5 % at 10 bar/s, 1.5 % at 1000 bar/s. That leads to about 80, 13 and
// 1.7 ms at 10, 100 and 1000 bar/s for 10 kHz and 30 mbar of noise. A rise that
// is over sooner is flattened by that window: while a shorter one is steeper by
// more than noise can make it, the shorter one is taken.
func (r *steepest) result() (rate, window float64, ok bool) {
	sigma := r.sigma()
	var u [len(rateWindows)]float64
	pick := -1
	for w, n := range rateWindows {
		if r.best[w] <= 0 {
			continue
		}
		f := float64(n)
		period := r.span[w] / (f - 1)
		u[w] = sigma * math.Sqrt(12/(f*(f*f-1))) / period
		pick = w
		if u[w] <= 0.005*math.Pow(r.best[w]/10e5, 0.25)*r.best[w] {
			break
		}
	}
	if pick < 0 {
		return 0, 0, false
	}
	for w := pick - 1; w >= 0; w-- {
		if u[w] > 0 && r.best[w]-r.best[pick] > sureRate*math.Hypot(u[w], u[pick]) {
			pick, w = pick-1, pick-1
		}
	}
	return r.best[pick], r.span[pick], r.best[pick] > sureRate*math.Max(u[pick], r.swing(pick))
}
