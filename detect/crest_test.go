package detect

import (
	"math/rand/v2"
	"testing"
)

// TestSpikeLimitAfterAFall has a vent empty a vessel within a few samples: how
// steep that was must not be the measure of a spike for seconds, or spikes pass
// for pressure, and the end of one for an opening.
func TestSpikeLimitAfterAFall(t *testing.T) {
	for i, rate := range []float64{1000, 10000} {
		s := scene{rate: rate, length: 4, start: ambientPa + 22e5, sigma: 800, lag: 0.2e-3, gauge: true, openings: []opening{{t: 2, width: 0.3e-3, k: 150}}}
		s.ramp = func(x float64) float64 {
			if x < 2 {
				return 1.5e5
			}
			return 0
		}
		seed := 620 + uint64(i)
		m, err := New(benchOf(&s))
		if err != nil {
			t.Fatal(err)
		}
		smp := s.samples(rand.New(rand.NewPCG(*goalSeed, seed)))
		open := int(2 * rate)
		m.Step(0, smp[:open])
		before := m.channels[0].p.jump
		m.Step(0, smp[open:])
		after := m.channels[0].p.jump
		if before <= 0 || after > 2*before {
			t.Errorf("%g Hz (seed %d, %d): a spike is beyond %.0f Pa before the fall, beyond %.0f Pa 2 s after it", rate, *goalSeed, seed, before, after)
		}
	}
}
