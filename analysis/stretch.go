package analysis

import (
	"math"
	"slices"

	"ventward/daq"
	"ventward/detect"
)

// A stretch is the part of a window that can be fitted: good samples only, the
// time in s from the sample at which the trigger fired.
type stretch struct {
	t, v      []float64 // s; Pa in the channel's own reference
	first     int       // index of the first sample that is free of earlier events
	trigger   int       // index of the first sample at or after the trigger
	dt        float64   // usual distance of samples, s
	origin    int64     // bench time of t = 0, ns
	saturated []float64 // times of saturated samples, s
	peak      float64   // highest saturated value, Pa
}

// newStretch takes what is usable from w. What lies behind Until is left out:
// it belongs to other events. So does what lies before first.
func newStretch(w *detect.Window) stretch {
	from, until := max(w.From, 0), w.Until
	if from > until && until > 0 {
		return stretch{peak: math.Inf(-1)}
	}
	if until <= 0 || until > len(w.T) {
		until = len(w.T)
	}
	s := stretch{peak: math.Inf(-1)}
	if w.Decided < 0 || w.Decided >= len(w.T) || from >= until {
		return s
	}
	s.origin = w.T[w.Decided]
	last := int64(math.MinInt64)
	var gaps []float64
	running, leapt := false, false // in a run of saturated samples, and in one that is no pressure's
	for i := range until {
		t := float64(w.T[i]-s.origin) * 1e-9
		q, v := w.Q[i], w.V[i]
		if q&daq.Bad != 0 || math.IsNaN(v) || math.IsInf(v, 0) || w.T[i] <= last {
			continue
		}
		if i < from {
			s.first = len(s.t) + 1
		}
		if q&daq.Saturated != 0 {
			if !running {
				running, leapt = true, s.leaps(v, w.NoisePa)
			}
			if i < from {
				s.first = len(s.t)
			}
			if i < from || leapt {
				continue
			}
			s.saturated = append(s.saturated, t)
			s.peak = math.Max(s.peak, v)
			continue
		}
		running = false
		if len(s.t) > 0 {
			gaps = append(gaps, t-s.t[len(s.t)-1])
		}
		last = w.T[i]
		s.t, s.v = append(s.t, t), append(s.v, v)
		if t < 0 {
			s.trigger = len(s.t)
		}
	}
	s.dt = median(gaps)
	s.first = min(s.first, len(s.t))
	s.lift(w.NoisePa)
	return s
}

// What tells the lower end of the range: two samples at least that read the same,
// no fewer than there are within so many standard deviations of the noise above
// them, and far below where the reading comes to rest.
const (
	floorAlike  = 2
	floorNoises = 3
	floorBelow  = 12 // standard deviations of the noise
)

// lift strikes samples that rest on the lower end of the range, where a line that
// rings after a rupture has taken the reading: the pressure was somewhere below.
// noise is the standard deviation of a sample, Pa.
func (s *stretch) lift(noise float64) {
	n := len(s.v)
	if n < 4*fewest || noise <= 0 {
		return
	}
	low := slices.Min(s.v)
	near, alike := 0, 0
	for _, v := range s.v {
		switch {
		case v == low:
			alike++
		case v < low+floorNoises*noise:
			near++
		}
	}
	if alike < max(floorAlike, near) || median(s.v[n-n/8:])-low < floorBelow*noise {
		return
	}
	bad := make([]bool, n)
	for i, v := range s.v {
		bad[i] = v == low
	}
	s.strike(bad)
}

// What a reading may rise by from the samples before to the end of the range, if
// the pressure is to have gone there: so many standard deviations of the noise, and
// this part of the end.
const (
	leapNoises = 20
	leapPart   = 0.02
)

// leaps tells whether a reading v at the end of the range was reached from the good
// samples so far by a leap that no pressure makes, as of a spike. noise is the
// standard deviation of a sample, Pa.
func (s *stretch) leaps(v, noise float64) bool {
	n := len(s.v)
	return n > 0 && v-median(s.v[max(0, n-5):]) > math.Max(leapNoises*noise, leapPart*math.Abs(v))
}

// silence takes tones out of all samples: what the ramp before the opening
// tells of them goes on after it.
func (s *stretch) silence(tones []tone) {
	for i, t := range s.t {
		for k := range tones {
			s.v[i] -= tones[k].at(t)
		}
	}
}

// despike strikes excursions of one to three samples from their neighbours that
// the monitor did not mark. limit is the least height that counts, Pa.
func (s *stretch) despike(limit float64) {
	const half = 4
	n := len(s.v)
	bad := make([]bool, n)
	any := false
	var near, dev [2 * half]float64
	for i := half; i < n-half; i++ {
		if math.Abs(s.v[i]-s.v[i-1]) < limit && math.Abs(s.v[i]-s.v[i+1]) < limit {
			continue
		}
		copy(near[:half], s.v[i-half:i])
		copy(near[half:], s.v[i+1:i+1+half])
		// The line through the medians of both sides is what the sample should be near.
		m := (median(near[:half]) + median(near[half:])) / 2
		for k, v := range near {
			dev[k] = math.Abs(v - m)
		}
		if math.Abs(s.v[i]-m) > math.Max(limit, 5*median(dev[:])) {
			bad[i], any = true, true
		}
	}
	if any {
		s.strike(bad)
	}
}

// strike removes the samples that are bad.
func (s *stretch) strike(bad []bool) {
	k, trigger, first := 0, s.trigger, s.first
	for i := range s.v {
		if bad[i] {
			if i < s.first {
				first--
			}
			if i < s.trigger {
				trigger--
			}
			continue
		}
		s.t[k], s.v[k] = s.t[i], s.v[i]
		k++
	}
	s.t, s.v, s.trigger, s.first = s.t[:k], s.v[:k], trigger, first
}

// index returns the number of samples before time t.
func (s *stretch) index(t float64) int {
	i, _ := slices.BinarySearch(s.t, t)
	return i
}

// hole returns the longest distance of neighbouring samples in [a, b] that is
// more than half a sample longer than usual, s; 0 if there is none.
func (s *stretch) hole(a, b float64) float64 {
	long := 0.0
	for i := max(s.index(a), 1); i < len(s.t) && s.t[i-1] < b; i++ {
		if d := s.t[i] - s.t[i-1]; d > 1.5*s.dt && d > long {
			long = d
		}
	}
	return long
}

// places are the numbers of the samples [from, to) in an even row: a hole in the
// record keeps its length, and stamps that jitter or drift against the usual
// distance give no two samples one place.
func (s *stretch) places(from, to int) []int {
	at := make([]int, to-from)
	for i := 1; i < len(at); i++ {
		step := math.Round((s.t[from+i] - s.t[from+i-1]) / s.dt)
		at[i] = at[i-1] + max(1, int(step))
	}
	return at
}

// bins are means over consecutive samples.
type bins struct {
	t, y  []float64 // mean time, mean pressure
	n     []float64 // samples in the bin
	slack []float64 // variance of what the model itself may be off by, Pa²
	first []int     // index of the bin's first sample in the stretch
	end   []int     // one past the last
	room  []float64 // work space of fitHinge, two a bin
	lag   float64   // s: the transducer's, where a hinge is to be seen through it
}

// bin groups the samples [from, to): one by one within `single` of a centre, in
// bins that span a fraction of the further distance to the nearest beyond:
// `before` or `after` it.
func (s *stretch) bin(from, to int, single, before, after float64, centres ...float64) bins {
	var b bins
	for i := from; i < to; {
		width := math.Inf(1)
		for _, c := range centres {
			d := math.Abs(s.t[i]-c) - single
			if s.t[i] < c { // the far edge of a bin before the centre is its beginning
				width = math.Min(width, before/(1+before)*d)
			} else {
				width = math.Min(width, after*d)
			}
		}
		j, st, sy := i, 0.0, 0.0
		for j < to && (j == i || s.t[j]-s.t[i] < width-s.dt/2) {
			st, sy = st+s.t[j], sy+s.v[j]
			j++
		}
		n := float64(j - i)
		b.t, b.y, b.n = append(b.t, st/n), append(b.y, sy/n), append(b.n, n)
		b.first, b.end, b.slack = append(b.first, i), append(b.end, j), append(b.slack, 0)
		i = j
	}
	return b
}

func median(x []float64) float64 {
	if len(x) == 0 {
		return 0
	}
	y := append([]float64(nil), x...)
	n := len(y)
	high := nth(y, n/2)
	if n%2 == 1 {
		return high
	}
	return (slices.Max(y[:n/2]) + high) / 2
}

// nth is the number k, from nought, of y in rising order (Hoare's selection); it
// puts what is not above before it and what is not below behind.
func nth(y []float64, k int) float64 {
	for lo, hi := 0, len(y)-1; lo < hi; {
		pivot := median3(y[lo], y[(lo+hi)/2], y[hi])
		i, j := lo, hi
		for i <= j {
			for y[i] < pivot {
				i++
			}
			for y[j] > pivot {
				j--
			}
			if i <= j {
				y[i], y[j] = y[j], y[i]
				i++
				j--
			}
		}
		switch {
		case k <= j:
			hi = j
		case k >= i:
			lo = i
		default:
			return y[k]
		}
	}
	return y[k]
}

// robustSD is the standard deviation by the median of absolute deviations from
// nought, which a normal distribution makes 1.4826 times smaller.
func robustSD(x []float64) float64 {
	a := make([]float64, len(x))
	for i, v := range x {
		a[i] = math.Abs(v)
	}
	return 1.4826 * median(a)
}
