package detect

import (
	"math"
	"math/rand/v2"
	"testing"
)

// TestSettling gives means of gas that a ramp has warmed: it cools at a wall, by an
// exponential or slowing down as natural convection does (heat flow by the 5/4
// power of the temperature difference; W. H. McAdams, Heat Transmission, from
// memory), and there is a way out or none.
func TestSettling(t *testing.T) {
	const sd = 100.0
	for i, c := range []struct {
		name string
		fall func(at float64) float64 // Pa, at s
		rate float64                  // Pa/s
	}{
		{"cools", func(x float64) float64 { return 8e3 * -math.Expm1(-x/0.7) }, 0},
		{"cools slowly", func(x float64) float64 { return 2e4 * -math.Expm1(-x/6) }, 0},
		{"convection", func(x float64) float64 { return 8e3 * (1 - math.Pow(1+x/3, -4)) }, 0},
		{"stands", func(float64) float64 { return 0 }, 0},
		{"cools and leaks", func(x float64) float64 { return 8e3*-math.Expm1(-x/0.7) + 2e3*x }, 2e3},
	} {
		missed := 0
		for k := range 40 {
			seed := uint64(100*i + k)
			rng := rand.New(rand.NewPCG(seed, 77))
			s := seep{}
			step := float64(seepNs) * 1e-9
			for j := range seepMost {
				v := 20e5 + sd*rng.NormFloat64()
				if j > 0 {
					v -= c.fall(float64(j) * step)
				} else {
					v += 6 * sd
				}
				s.v[j], s.k = v, j+1
			}
			rate := s.settling(sd) / step
			switch {
			case rate == 0 && c.rate > 0:
				missed++
			case c.rate == 0 && rate != 0, math.Abs(rate-c.rate) > 0.3*c.rate:
				t.Errorf("%s (seed %d): leaks %.0f Pa/s, truth %.0f", c.name, seed, rate, c.rate)
			}
		}
		if missed > 4 {
			t.Errorf("%s: %d of 40 missed", c.name, missed)
		}
	}
}
