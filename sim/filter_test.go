package sim

import (
	"math"
	"math/rand/v2"
	"testing"
)

// TestFilterRamp: the response to a ramp that begins at 0 is known in closed
// form (textbook): of a lag, t - tau (1 - exp(-t/tau)); of a resonance,
// t - 2 z/w + exp(-z w t) (2 z/w cos(d t) + (2 z^2 - 1)/d sin(d t)) with
// d = w sqrt(1 - z^2). Steps of chance must not matter: they are exact.
func TestFilterRamp(t *testing.T) {
	const seed, base = 3, 1e-4
	rng := rand.New(rand.NewPCG(seed, 0))
	const tau, hz, z = 7e-4, 1200.0, 0.12
	w := 2 * math.Pi * hz
	d := w * math.Sqrt(1-z*z)
	lag := newFilter(base, 0, 0, tau)
	line := newFilter(base, hz, z, 0)
	both := newFilter(base, hz, z, 1e-9) // a lag of nothing behind the line
	for _, f := range []*filter{lag, line, both} {
		f.rest(0)
	}
	now := 0.0
	for now < 0.01 {
		k := rng.IntN(maxSplit + 1)
		dt := base / float64(int(1)<<k)
		now += dt
		for _, f := range []*filter{lag, line, both} {
			f.step(k, dt, now)
		}
		y, dy := lag.out()
		near(t, "lag", y, now-tau*(1-math.Exp(-now/tau)), 1e-12)
		near(t, "its rate", dy, 1-math.Exp(-now/tau), 1e-9)
		want := now - 2*z/w + math.Exp(-z*w*now)*(2*z/w*math.Cos(d*now)+(2*z*z-1)/d*math.Sin(d*now))
		y, _ = line.out()
		near(t, "line", y, want, 1e-12)
		y, _ = both.out()
		near(t, "line and lag", y, want, 2e-8)
	}
	// After a long ramp both trail it as trail says.
	f := newFilter(base, hz, z, tau)
	f.rest(5)
	f.trail(100)
	y0, _ := f.out()
	for i := 1; i <= 100; i++ {
		f.step(0, base, 5+100*base*float64(i))
	}
	y1, dy := f.out()
	near(t, "trailing", y1-y0, 1, 1e-9)
	near(t, "trailing rate", dy, 100, 1e-6)
}

// TestBetween: cubic Hermite interpolation is exact for cubics.
func TestBetween(t *testing.T) {
	p := func(x float64) (y, dy float64) { return 2 - x + 3*x*x - x*x*x, -1 + 6*x - 3*x*x }
	y0, d0 := p(1)
	y1, d1 := p(3)
	for _, x := range []float64{0, 0.1, 0.5, 0.9, 1} {
		want, _ := p(1 + 2*x)
		near(t, "cubic", between(x, 2, y0, d0, y1, d1), want, 1e-12)
	}
}
