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
	v     [rateRing]float64
	t     [rateRing]int64
	n     int // samples since the last hole
	base  float64
	sum   [len(rateWindows)]float64 // of v - base
	turn  [len(rateWindows)]float64 // of j (v - base), j = 0 for the oldest
	best  [len(rateWindows)]float64 // Pa/s
	span  [len(rateWindows)]float64 // s, of the best one
	rough []float64                 // magnitudes of second differences, thinned
	seen  int
}

// hole forgets the samples so far: a slope may not reach over a gap.
func (r *steepest) hole() {
	r.n = 0
}

func (r *steepest) add(t int64, v float64) {
	if r.n > 0 {
		last := r.t[(r.n-1)%rateRing]
		gap := t - last
		if gap <= 0 || r.n > 2 && gap > 3*(last-r.t[(r.n-2)%rateRing]) {
			r.hole()
		}
	}
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
	}
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
// 1.7 ms at 10, 100 and 1000 bar/s for 10 kHz and 30 mbar of noise.
func (r *steepest) result() (rate, window float64, ok bool) {
	sigma := r.sigma()
	for w, n := range rateWindows {
		if r.best[w] <= 0 {
			continue
		}
		f := float64(n)
		period := r.span[w] / (f - 1)
		u := sigma * math.Sqrt(12/(f*(f*f-1))) / period
		enough := 0.005 * math.Pow(r.best[w]/10e5, 0.25)
		rate, window, ok = r.best[w], r.span[w], r.best[w] > 5*u
		if ok && u <= enough*r.best[w] {
			return rate, window, true
		}
	}
	return rate, window, ok
}
