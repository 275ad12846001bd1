package detect

import (
	"math"
	"math/rand/v2"
	"testing"
)

// TestAfterAStep has the supply's regulator step. What falls soon after, to where
// the supply balances it, is an opening, and no end of the step, also where it
// comes back to about where the step began; a step that takes long and goes over
// into the ramp again, flatter than it rose, is none.
func TestAfterAStep(t *testing.T) {
	fall := func(down float64) func(x float64) float64 {
		return func(x float64) float64 {
			v := 0.0
			if x > 2 {
				v = 1.4e5 * -math.Expm1(-(x-2)/3e-3)
			}
			if x > 2.025 {
				v -= down * -math.Expm1(-(x-2.025)/4e-3)
			}
			return v
		}
	}
	slow := func(x float64) float64 { return 150e5 * math.Min(math.Max(x-2, 0), 0.06) }
	for i, c := range []struct {
		name  string
		step  func(x float64) float64
		opens int
	}{{"half the step back", fall(0.7e5), 1}, {"the whole step back", fall(1.3e5), 1}, {"a slow step", slow, 0}} {
		for k, rate := range []float64{1000, 5000, 10000} {
			s := scene{rate: rate, length: 4, start: ambientPa + 20e5, sigma: 700, lag: 1e-3, step: c.step}
			s.ramp = func(float64) float64 { return 0.2e5 }
			seed := 660 + uint64(10*i+k)
			ev := run(benchOf(&s), s.samples(rand.New(rand.NewPCG(*goalSeed, seed))))
			opens := 0
			for _, e := range ev {
				if e.Opens() {
					opens++
				}
			}
			if opens != c.opens {
				t.Errorf("%s, %g Hz (seed %d, %d): %d openings, told %s", c.name, rate, *goalSeed, seed, c.opens, kinds(ev))
			}
		}
	}
}
