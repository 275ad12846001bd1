package detect

import (
	"math"
	"math/rand/v2"
	"testing"

	"ventward/daq"
)

// Means of white noise differ by sigma*sqrt(2/n), on a ramp as on a level; a
// random walk wanders by its steps' root-sum-square over the distance of the
// means (textbook: the variance of a mean, of a walk).
func TestWander(t *testing.T) {
	const seed, n, apart = 11, 25, 275
	t.Logf("seed %d", seed)
	for name, c := range map[string]struct {
		ramp, white, walk, want float64
	}{
		"white":         {0, 3, 0, 3 * math.Sqrt(2.0/n)},
		"white, ramp":   {0.4, 3, 0, 3 * math.Sqrt(2.0/n)},
		"walk":          {0, 0, 0.5, 0.5 * math.Sqrt(apart)},
		"walk on white": {0, 3, 0.5, math.Hypot(3*math.Sqrt(2.0/n), 0.5*math.Sqrt(apart))},
	} {
		rng := rand.New(rand.NewPCG(seed, 1))
		held := newCapture(5000)
		walk := 0.0
		for i := range len(held.t) {
			walk += c.walk * rng.NormFloat64()
			held.push([]daq.Sample{{T: int64(i) * 2e5, V: c.ramp*float64(i) + c.white*rng.NormFloat64() + walk}})
		}
		if got := held.wander(held.n, apart, n); math.Abs(got/c.want-1) > 0.25 {
			t.Errorf("%s: %g, want %g", name, got, c.want)
		}
		if got := held.wander(apart+8*n-1, apart, n); got != 0 {
			t.Errorf("%s: %g from too little", name, got)
		}
	}
}
