package detect

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"ventward/daq"
)

// TestFallsAmidWhatComesBack has openings on traces too young for anybody to know
// what comes and goes on them: on a quick ramp that bends, as the gas warms, behind a
// slow transducer, and amid hum. What only bends or hums opens nothing.
func TestFallsAmidWhatComesBack(t *testing.T) {
	bent := func(now float64) float64 { return 8e5 * math.Exp(-now/2) }
	quick := func(rate float64, o ...opening) scene {
		return scene{rate: rate, length: 1.8, start: ambientPa + 6e5, sigma: 100, lag: 0.5e-3, ramp: bent, openings: o}
	}
	slow := quick(2000, opening{t: 0.9, width: 0.05, k: 15})
	slow.lag = 13e-3
	hums := quick(10000, opening{t: 1, width: 5e-3, k: 2})
	hums.sigma, hums.hum, hums.humHz = 1000, 15000, 50
	calm := hums
	calm.openings = nil
	for i, s := range []scene{
		slow, quick(2000, opening{t: 0.92, width: 0.4e-3, k: 0.4}), quick(1000, opening{t: 0.9, width: 30e-3, k: 3}), hums,
		calm, quick(2000), quick(500),
	} {
		t.Run(fmt.Sprintf("%g Hz %d", s.rate, i), func(t *testing.T) {
			if n, told := openingsOf(&s, uint64(400+i)); n != len(s.openings) {
				t.Errorf("seed %d, %d: told %s of %d openings", *goalSeed, 400+i, told, len(s.openings))
			}
		})
	}
}

// TestSlowOpeningAtTheEnd has a vent open slowly while the reading is within the
// last per cent of its range, where it still follows.
func TestSlowOpeningAtTheEnd(t *testing.T) {
	const seed = 65
	s := scene{rate: 2000, length: 2.5, start: ambientPa + 5e5, sigma: 130, lag: 0.5e-3, ramp: func(float64) float64 { return 6e5 },
		openings: []opening{{t: 1.5, width: 24e-3, k: 3}}}
	smp := s.samples(rand.New(rand.NewPCG(seed, 0)))
	for i := range smp {
		if smp[i].V > ambientPa+13.7e5 {
			smp[i].Q |= daq.Saturated
		}
	}
	got := opens(run(benchOf(&s), smp))
	if len(got) != 1 || !got[0].Has(FlagSaturated) {
		t.Fatalf("seed %d: openings %s, want one, saturated", seed, kinds(got))
	}
}
