package detect

import (
	"math"
	"math/rand/v2"
	"testing"
)

// throttledRamp is a ramp of rate Pa/s whose supply is turned down to the share
// left from s 2 on for lasts seconds. What is shut off is missed gamma-fold at
// first, and once the wall has taken the heat up once (first law; gamma 1.4).
func throttledRamp(rate, left, lasts, wall float64) func(float64) float64 {
	answer := func(t float64) float64 {
		if t < 0 {
			return 0
		}
		return 1 + 0.4*math.Exp(-t/wall)
	}
	return func(t float64) float64 { return rate * (1 - (1-left)*(answer(t-2)-answer(t-2-lasts))) }
}

// Where nobody tells of the supply, a ramp that pauses and one that is turned down
// look like a vent that balances them: never an opening without a flag, and a
// pause none at all. A vent that lets out more than cooling explains stays one.
func TestThrottledSupplyIsNoSureOpening(t *testing.T) {
	const seed = 1207
	for _, c := range []struct {
		name        string
		left, lasts float64
		opened      int // at most
	}{
		{"pause of 0.08 s", 0, 0.08, 0},
		{"pause of 0.3 s", 0, 0.3, 0},
		{"pause of 0.6 s", 0, 0.6, 0},
		{"turned down to 0.2", 0.2, 9, 1},
		{"turned down to 0.4", 0.4, 9, 1},
	} {
		for k, wall := range []float64{0.5, 1.5, 5} {
			s := scene{rate: 2000, length: 4, start: 10e5, sigma: 150, lsb: 30, lag: 2e-3, ramp: throttledRamp(2e5, c.left, c.lasts, wall)}
			ev := run(benchOf(&s), s.samples(rand.New(rand.NewPCG(seed, uint64(k)))))
			got := opens(ev)
			if len(got) > c.opened {
				t.Errorf("%s, wall %g s, seed %d: events %s, want %d openings at most", c.name, wall, seed, kinds(ev), c.opened)
			}
			for _, e := range got {
				if !e.Has(FlagKindUncertain) {
					t.Errorf("%s, wall %g s, seed %d: %s without %s", c.name, wall, seed, e.Kind, FlagKindUncertain)
				}
			}
		}
	}
	for k, shut := range []float64{0, 2.2} {
		s := scene{rate: 2000, length: 4, start: 10e5, sigma: 150, lsb: 30, lag: 2e-3, ramp: throttledRamp(2e5, 1, 9, 1),
			openings: []opening{{t: 2, width: 1e-3, k: 0.4, shut: shut}}}
		ev := run(benchOf(&s), s.samples(rand.New(rand.NewPCG(seed, uint64(10+k)))))
		if got := opens(ev); len(got) != 1 || got[0].Has(FlagKindUncertain) {
			t.Errorf("vent shut at %g s, seed %d: events %s, want one opening without %s", shut, seed, kinds(ev), FlagKindUncertain)
		}
	}
}
