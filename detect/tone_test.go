package detect

import (
	"math"
	"math/rand/v2"
	"testing"
)

// waves is a strip of a tone of hz with a harmonic, on a parabola, in noise of
// standard deviation sigma: n samples at rate Hz.
func waves(r *rand.Rand, hz, amp, second, sigma, rate float64, n int) *strip {
	s := &strip{n: n, div: 1, rate: rate, half: float64(n) / 2 / rate}
	ph := 2 * math.Pi * r.Float64()
	for k := range n {
		t := (float64(k) - float64(n-1)/2) / rate
		w := 2*math.Pi*hz*t + ph
		s.t[k] = t
		s.v[k] = 1e6 + 2e4*t + 3e3*t*t + amp*math.Sin(w) + second*math.Sin(2*w+1) + sigma*r.NormFloat64()
	}
	return s
}

// The frequency of a tone in white noise is found about as well as it can be:
// var(f) >= 6 sigma^2 / (pi^2 A^2 T^2 N (N^2-1)), T the sampling interval (S. M.
// Kay, Fundamentals of Statistical Signal Processing: Estimation Theory, Prentice
// Hall 1993, example 3.14).
func TestToneFrequencyIsNearItsBound(t *testing.T) {
	const (
		seed, trials = 11, 60
		rate, n      = 700.0, 1000
		amp, sigma   = 2.0, 1.0
	)
	r := rand.New(rand.NewPCG(seed, 0))
	sum := 0.0
	for range trials {
		hz := 49 + 2*r.Float64()
		s := waves(r, hz, amp, 0, sigma, rate, n)
		var f series
		var o tone
		var q spectrum
		f.fit(s, &o, false)
		q.of(s, &f)
		o.hz, o.h = q.fundamental()
		if !f.settle(s, &o) {
			t.Fatalf("seed %d: no fit at %.3f Hz", seed, hz)
		}
		sum += (o.hz - hz) * (o.hz - hz)
	}
	bound := math.Sqrt(6*sigma*sigma*rate*rate/(math.Pi*math.Pi*amp*amp)/(n*(n*float64(n)-1))) * 1
	rms := math.Sqrt(sum / trials)
	t.Logf("seed %d: error %.2e Hz, bound %.2e Hz", seed, rms, bound)
	if rms > 1.3*bound || rms < 0.7*bound {
		t.Errorf("seed %d: frequency off by %.2e Hz (root mean square of %d), bound %.2e Hz", seed, rms, trials, bound)
	}
}

// The fundamental is found where a harmonic is stronger, and noise has none.
func TestFundamentalOfAStrip(t *testing.T) {
	const seed = 12
	r := rand.New(rand.NewPCG(seed, 0))
	for _, c := range []struct{ hz, amp, second, want float64 }{
		{50, 3, 0, 50}, {60.2, 5, 1, 60.2}, {5.3, 1, 4, 5.3}, {17, 10, 0.5, 17}, {50, 0, 0, 0},
	} {
		s := waves(r, c.hz, c.amp, c.second, 1, 700, 1000)
		var f series
		var o tone
		var q spectrum
		f.fit(s, &o, false)
		q.of(s, &f)
		if hz, _ := q.fundamental(); math.Abs(hz-c.want) > 0.1 {
			t.Errorf("seed %d: %+v: fundamental at %.3f Hz", seed, c, hz)
		}
	}
}

// What passes of a wave is what the sums of a window and its baseline make of it.
func TestPassesIsWhatTheSumsMake(t *testing.T) {
	for _, f := range []float64{0.0003, 0.002, 0.01, 0.031, 0.2} {
		for _, length := range []int{4, 8, 32} {
			var peak float64
			for turn := range 64 {
				peak = math.Max(peak, math.Abs(seen(f, float64(turn)/64, length)))
			}
			y := passingOf(f)
			if got := math.Sqrt(y.square(length)); math.Abs(got-peak) > 0.01*peak+1e-4 {
				t.Errorf("%g turns a value, window of %d: passes %.5f, sums make %.5f", f, length, got, peak)
			}
		}
	}
}

// seen is how far a window's mean of a wave lies from the line through a baseline.
func seen(f, turn float64, length int) float64 {
	wave := func(k int) float64 { return math.Cos(2 * math.Pi * (f*float64(k) + turn)) }
	var window, s0, s1, s11 float64
	for k := range length {
		window += wave(-k) / float64(length)
	}
	mid := -float64(gapFull) - (spanMax-1)/2.0
	for k := range spanMax {
		x := -float64(gapFull+k) - mid
		s0 += wave(-gapFull-k) / spanMax
		s1 += x * wave(-gapFull-k)
		s11 += x * x
	}
	return window - s0 - s1/s11*(-float64(length-1)/2-mid)
}

// The table of a tone is the series, whatever means it was fitted to.
func TestToneTable(t *testing.T) {
	o := tone{hz: 50, h: 3, t0: 7e6}
	o.a[1], o.b[2], o.a[3] = 10, 4, -2
	o.tabulate(1, 10000)
	for _, at := range []int64{0, 1e6, 7e6, 12345678, -3e6, 1e12} {
		w := 2 * math.Pi * 50 * float64(at-o.t0) * 1e-9
		if want := 10*math.Cos(w) + 4*math.Sin(2*w) - 2*math.Cos(3*w); math.Abs(o.at(at)-want) > 0.02 {
			t.Errorf("at %d ns: %.4f, want %.4f", at, o.at(at), want)
		}
	}
}

// Hum that was found as harmonics of a far lower tone is hum, and the same wave; a
// harmonic between that stands out keeps the lower tone.
func TestToneOfAFewHarmonicsIsSimplified(t *testing.T) {
	for _, c := range []struct {
		fifth float64
		hz    float64
		h     int
	}{{0.1, 50, 3}, {2, 12.5, 12}} {
		o := tone{hz: 12.5, h: 12, t0: 7e6}
		o.a[4], o.b[12], o.a[5] = 10, 4, c.fifth
		o.simplify(1)
		if math.Abs(o.hz-c.hz) > 1e-9 || o.h != c.h {
			t.Errorf("fifth harmonic of %g: %g Hz with %d harmonics, want %g Hz with %d", c.fifth, o.hz, o.h, c.hz, c.h)
		}
		o.tabulate(1, 10000)
		for _, at := range []int64{0, 1e6, 7e6, 12345678, -3e6} {
			w := 2 * math.Pi * 12.5 * float64(at-o.t0) * 1e-9
			want := 10*math.Cos(4*w) + 4*math.Sin(12*w)
			if c.h == 12 {
				want += c.fifth * math.Cos(5*w)
			}
			if math.Abs(o.at(at)-want) > 0.3 {
				t.Errorf("fifth harmonic of %g, at %d ns: %.3f, want %.3f", c.fifth, at, o.at(at), want)
			}
		}
	}
}
