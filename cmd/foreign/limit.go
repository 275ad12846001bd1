package main

import "math"

// A limit is what the noise-free trace allows of one opening.
type limit struct {
	samples  float64 // N_lim: the ideal detector's delay
	allowed  bool    // a fair detector finds it
	resolved bool    // its kind and its area can be told
	pressure float64 // 2 sigma/sqrt(M), with the ramp times the onset's bound in quadrature, Pa
	onset    float64 // Cramer-Rao standard deviation of the effective onset, s
	tau      float64 // initial time constant of the fall, s
}

// allowance is the energy, in noise variances, from which a fair detector is
// expected to find an opening.
const allowance = 100

// delay is N_lim and the energy of a difference r, in Pa, that begins after
// base samples of straight line, against white noise of sigma Pa: what is left
// of it when a straight line through all samples so far is taken away.
func delay(r []float64, base int, sigma, lnG float64) (n float64, energy float64) {
	n = math.Inf(1)
	var sum, sumT, square float64
	for i, x := range r {
		t := float64(base + i)
		sum, sumT, square = sum+x, sumT+t*x, square+x*x
		m := float64(base + i + 1)
		if m < 3 {
			continue
		}
		mean := (m - 1) / 2
		spread := m * (m*m - 1) / 12
		slope := sumT - mean*sum
		e := (square - sum*sum/m - slope*slope/spread) / (sigma * sigma)
		if energy = math.Max(energy, e); math.IsInf(n, 1) && e/2 >= lnG {
			n = float64(i + 1)
		}
	}
	return n, energy
}

// bound is the standard deviation that the information matrix of the
// derivatives leaves to its first parameter; the last parameter is known
// beforehand to within a standard deviation.
func bound(derivatives [][]float64, sigma, lastSD float64) float64 {
	k := len(derivatives)
	a := make([][]float64, k)
	scale := make([]float64, k)
	for i := range a {
		scale[i] = math.Sqrt(dot(derivatives[i], derivatives[i]))
		if scale[i] == 0 {
			return math.NaN()
		}
	}
	for i := range a {
		a[i] = make([]float64, k+1)
		for j := range k {
			a[i][j] = dot(derivatives[i], derivatives[j]) / scale[i] / scale[j]
		}
	}
	a[k-1][k-1] += math.Pow(sigma/lastSD/scale[k-1], 2)
	a[0][k] = 1
	x := solve(a)
	if x == nil || x[0] <= 0 {
		return math.NaN()
	}
	return sigma * math.Sqrt(x[0]) / scale[0]
}

func dot(a, b []float64) float64 {
	sum := 0.0
	for i := range a {
		sum += a[i] * b[i]
	}
	return sum
}

// solve is Gauss's elimination with pivots; nil: singular.
func solve(a [][]float64) []float64 {
	n := len(a)
	for c := range n {
		best := c
		for r := c + 1; r < n; r++ {
			if math.Abs(a[r][c]) > math.Abs(a[best][c]) {
				best = r
			}
		}
		if a[c], a[best] = a[best], a[c]; math.Abs(a[c][c]) < 1e-12 {
			return nil
		}
		for r := range n {
			if r == c {
				continue
			}
			f := a[r][c] / a[c][c]
			for j := c; j <= n; j++ {
				a[r][j] -= f * a[c][j]
			}
		}
	}
	x := make([]float64, n)
	for i := range x {
		x[i] = a[i][n] / a[i][i]
	}
	return x
}

// limits computes the limit of opening k of a bench whose reading without
// noise is seen.
func (b *bench) limits(k int, seen []float64) limit {
	h := b.vessel.holes[k]
	from, to := b.span(k)
	first, last := index(b.times, from), index(b.times, to)
	begin := index(b.times, h.t0)
	_, without := b.vessel.play(b.transducer, b.times[:last], k)
	r := make([]float64, 0, last-begin)
	for i := begin; i < last; i++ {
		r = append(r, seen[i]-without[i])
	}
	l := limit{}
	lnG := math.Log(b.alarmHours * 3600 * b.rate)
	var energy float64
	l.samples, energy = delay(r, begin-first, b.sigma, lnG)
	l.allowed = energy >= allowance && !math.IsInf(l.samples, 1)
	p := b.pressureAt(without, h.effective())
	l.tau = b.fallTime(h, p)
	l.resolved = l.allowed && l.tau >= 3*b.transducer.lag && 0.1*l.tau*b.rate >= 10 && 0.1*l.tau <= to-h.t0
	if l.allowed {
		l.onset = b.onsetBound(k, first, begin, last, seen)
	}
	level := b.sigma / math.Sqrt(float64(max(begin-first, 1)))
	slope := 0.0
	if m := begin - first; m > 2 {
		slope = (without[begin-1] - without[first]) / (b.times[begin-1] - b.times[first])
	}
	l.pressure = 2 * math.Hypot(level, math.Hypot(slope*l.onset, slope*b.lagSD))
	return l
}

// span is the stretch that belongs to opening k: from the last thing that
// happened before it, at most 1 s, to the next one, at most 1 s.
func (b *bench) span(k int) (from, to float64) {
	h := b.vessel.holes[k]
	from, to = math.Max(h.t0-1, b.times[0]), math.Min(h.t0+1, b.times[len(b.times)-1])
	for _, t := range b.marks {
		if t < h.t0-1e-9 {
			from = math.Max(from, t)
		}
		if t > h.effective()+1e-9 && t > h.t0+1e-9 {
			to = math.Min(to, t)
		}
	}
	return from, to
}

// fallTime is the initial time constant of the fall after an opening at p Pa.
func (b *bench) fallTime(h hole, p float64) float64 {
	v := &b.vessel
	over := p - v.back
	if v.liquid {
		return over * v.volume / (v.modulus * h.area * math.Sqrt(2*over/v.density))
	}
	out := v.gas.outflow(h.area, p, v.temperature, v.back)
	return over * v.volume / (rGas * v.gas.gamma * v.temperature * out)
}

// onsetBound is the Cramer-Rao bound of the effective onset with level, ramp,
// area (which is drop and time constant) and width unknown, and the lag known as
// well as the operator was told it.
func (b *bench) onsetBound(k, first, begin, last int, seen []float64) float64 {
	last = min(last, begin+int(0.25*b.rate)+20)
	size := last - first
	h := b.vessel.holes[k]
	dt := math.Max(0.05/b.rate, h.width/50)
	widen := math.Max(h.width/10, 1/b.rate)
	change := func(f func(*hole, *transducer)) []float64 {
		v, sensor := b.vessel, b.transducer
		v.holes = append([]hole(nil), v.holes...)
		f(&v.holes[k], &sensor)
		_, got := v.play(sensor, b.times[:last], -1)
		d := make([]float64, size)
		for i := range d {
			d[i] = got[first+i] - seen[first+i]
		}
		return d
	}
	level, ramp := make([]float64, size), make([]float64, size)
	for i := range level {
		level[i], ramp[i] = 1, float64(i-size/2)
	}
	shift := change(func(h *hole, _ *transducer) { h.t0 += dt })
	for i := range shift {
		shift[i] /= dt
	}
	lag := change(func(_ *hole, d *transducer) { d.lag *= 1.02 })
	for i := range lag {
		lag[i] /= 0.02 * b.transducer.lag
	}
	return bound([][]float64{shift, level, ramp,
		change(func(h *hole, _ *transducer) { h.area *= 1.02 }),
		change(func(h *hole, _ *transducer) {
			h.t0, h.width = h.t0-widen/2, h.width+widen
			if h.law == instant {
				h.law = linear
			}
		}), lag}, b.sigma, b.lagSD)
}

// index is the first of the times that is not before t.
func index(times []float64, t float64) int {
	low, high := 0, len(times)
	for low < high {
		if mid := (low + high) / 2; times[mid] < t {
			low = mid + 1
		} else {
			high = mid
		}
	}
	return low
}

// pressureAt is a series at time t, between its samples.
func (b *bench) pressureAt(p []float64, t float64) float64 {
	i := min(max(index(b.times[:len(p)], t), 1), len(p)-1)
	share := (t - b.times[i-1]) / (b.times[i] - b.times[i-1])
	return p[i-1] + share*(p[i]-p[i-1])
}
