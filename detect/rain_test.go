package detect

import (
	"math"
	"math/rand/v2"
	"testing"
)

// TestRainOfSpikes has spikes of up to three samples come forty times a second,
// at random, and a vent open among them: the spikes
// must not count as the noise that it has to stand out of.
func TestRainOfSpikes(t *testing.T) {
	for i, rate := range []float64{500, 1000} {
		const open = 6.0
		s := scene{rate: rate, length: 7, start: ambientPa + 20e5, sigma: 2000, lag: 0.5e-3, openings: []opening{{t: open, k: 6}}}
		s.ramp = func(float64) float64 { return 0.3e5 }
		left, size := 0, 0.0
		s.post = func(_ int, x, v float64, r *rand.Rand) (float64, bool) {
			if left--; left < -4 && r.Float64() < 40/rate {
				left, size = 1+r.IntN(3), s.sigma*8*math.Pow(250, r.Float64())*float64(1-2*r.IntN(2))
			}
			if left > 0 && (x < open-0.01 || x > open+0.05) {
				v += size
			}
			return v, true
		}
		seed := 600 + uint64(i)
		ev := run(benchOf(&s), s.samples(rand.New(rand.NewPCG(*goalSeed, seed))))
		late := -1.0
		for _, e := range ev {
			if e.Opens() {
				late = (float64(e.Decided)*1e-9 - open) * rate
				break
			}
		}
		if late < 0 || late > 11 {
			t.Errorf("%g Hz (seed %d, %d): told %s, %.0f samples after the opening", rate, *goalSeed, seed, kinds(ev), late)
		}
	}
}
