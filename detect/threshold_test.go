package detect

import (
	"math"
	"math/rand/v2"
	"testing"
)

// Siegmund's rule nu(x) = exp(-0.583 x) holds for small x (D. Siegmund,
// Sequential Analysis, Springer 1985, equation 4.37).
func TestOvershootNearSiegmundsRule(t *testing.T) {
	for _, x := range []float64{0.1, 0.5, 1, 1.5, 2} {
		got, want := overshoot(x), math.Exp(-0.583*x)
		if math.Abs(got-want) > 0.02 {
			t.Errorf("overshoot(%g) = %.4f, the rule gives %.4f", x, got, want)
		}
	}
	if overshoot(0) != 1 {
		t.Errorf("overshoot(0) = %g, want 1", overshoot(0))
	}
}

func TestThresholdInvertsTheRate(t *testing.T) {
	for _, n := range []int{4, 8, 16, 32} {
		for _, rate := range []float64{1e-4, 1e-6, 1e-9, 1e-12} {
			z := thresholdFor(rate, n)
			if got := exceedances(z, n); math.Abs(got/rate-1) > 1e-6 {
				t.Errorf("n %d: exceedances(%.4f) = %g, want %g", n, z, got, rate)
			}
		}
	}
}

// The rate formula is checked against white noise itself.
func TestExceedancesOnWhiteNoise(t *testing.T) {
	const seed, z, total = 11, 3.3, 1_500_000
	for _, n := range []int{4, 16} {
		r := rand.New(rand.NewPCG(seed, uint64(n)))
		ring := make([]float64, n)
		sum, count, quiet := 0.0, 0, 0
		for i := range total {
			x := r.NormFloat64()
			sum += x - ring[i%n]
			ring[i%n] = x
			quiet--
			if sum > z*math.Sqrt(float64(n)) && quiet < 0 {
				count++
				quiet = 2 * n
			}
		}
		want := exceedances(z, n) * total
		if ratio := float64(count) / want; ratio < 0.8 || ratio > 1.2 {
			t.Errorf("seed %d, n %d: %d exceedances, the formula gives %.0f", seed, n, count, want)
		}
	}
}

func TestQuantBound(t *testing.T) {
	cases := []struct{ s, q, want, tol float64 }{
		{0, 10, 4.77, 0.01},   // first harmonic of a sawtooth, with half as much again: 1.5 q/pi
		{5, 10, 0.0344, 1e-3}, // half a step of noise linearises the converter
		{100, 10, 0, 1e-12},
		{1, 0, 0, 0},
	}
	for _, c := range cases {
		if got := quantBound(c.s, c.q); math.Abs(got-c.want) > c.tol {
			t.Errorf("quantBound(%g, %g) = %g, want %g", c.s, c.q, got, c.want)
		}
	}
}
