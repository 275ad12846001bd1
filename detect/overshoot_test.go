package detect

import (
	"math"
	"math/rand/v2"
	"testing"
)

// TestOvershoot has the supply's regulator step beyond its set point and come
// back to it, as a second-order system does (its step response; K. Ogata, Modern
// Control Engineering, Prentice Hall, from memory): nothing has opened.
func TestOvershoot(t *testing.T) {
	for i, rate := range []float64{1000, 5000, 10000} {
		for k, damp := range []float64{0.3, 0.5, 0.7} {
			for j, hz := range []float64{7, 14, 28} {
				w := 2 * math.Pi * hz
				wd := w * math.Sqrt(1-damp*damp)
				s := scene{rate: rate, length: 3.5, start: ambientPa + 20e5, sigma: 800, lag: 0.5e-3}
				s.ramp = func(float64) float64 { return 0.2e5 }
				s.step = func(x float64) float64 {
					x = math.Max(0, x-2)
					return 1.2e5 * (1 - math.Exp(-damp*w*x)*(math.Cos(wd*x)+damp*w/wd*math.Sin(wd*x)))
				}
				seed := 700 + uint64(100*i+10*k+j)
				for _, e := range run(benchOf(&s), s.samples(rand.New(rand.NewPCG(*goalSeed, seed)))) {
					if e.Opens() {
						t.Errorf("%g Hz, damping %g, %g Hz (seed %d, %d): %s at %.4f s", rate, damp, hz, *goalSeed, seed, e.Kind, float64(e.Onset)*1e-9)
					}
				}
			}
		}
	}
}
