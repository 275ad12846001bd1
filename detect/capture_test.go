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

// TestCalm: the mean of a stretch without what stands out for up to three samples;
// a step and a steep fall are taken as they are.
func TestCalm(t *testing.T) {
	c := newCapture(1000)
	c.limit = 2
	for i := range 100 {
		v := 10.0
		switch {
		case i >= 20 && i < 23:
			v = 5000
		case i == 30:
			v = -900
		case i >= 60:
			v = 4 - 0.5*float64(i-60)
		}
		c.push([]daq.Sample{{T: int64(i) * 1e6, V: v}})
	}
	for _, x := range []struct {
		from, to int
		want     float64
	}{{10, 50, 10}, {56, 60, 10}, {60, 62, 3.75}, {64, 66, 1.75}} {
		if x.to-x.from > 30 {
			if v, slope, ok := c.line(x.from, x.to, 30e6); !ok || math.Abs(v-x.want) > 1e-9 || math.Abs(slope) > 1e-9 {
				t.Errorf("samples %d to %d: line at %g, slope %g", x.from, x.to, v, slope)
			}
		}
		if m, n := c.calm(x.from, x.to); n != x.to-x.from || math.Abs(m-x.want) > 1e-9 {
			t.Errorf("samples %d to %d: mean %g of %d, want %g", x.from, x.to, m, n, x.want)
		}
	}
}
