package analysis

import (
	"math"
	"math/rand/v2"
	"testing"
)

// The degrees of freedom of a noise's variance say how the variance scatters:
// 2/ν of its square (JCGM 100:2008, E.4.3). Drawn here, white and as an
// autoregression of first order, whose ν is n(1-φ²)/(1+φ²) (Bartlett's sum in
// closed form, from memory).
func TestDegreesOfFreedomOfNoise(t *testing.T) {
	const n, runs, seed = 400, 4000, 20
	t.Logf("seed %d", seed)
	for _, phi := range []float64{0, 0.5, 0.8} {
		rng := rand.New(rand.NewPCG(seed, 1))
		var sum, sum2, dof float64
		for range runs {
			e := drawn(rng, n, phi)
			s := 0.0
			for _, v := range e {
				s += v * v / n
			}
			sum, sum2 = sum+s, sum2+s*s
			z := newNoise(e, 0)
			dof += z.dof / runs
		}
		mean := sum / runs
		scatter := 2 * mean * mean / (sum2/runs - mean*mean)
		want := n * (1 - phi*phi) / (1 + phi*phi)
		if math.Abs(scatter/want-1) > 0.08 || math.Abs(dof/want-1) > 0.12 {
			t.Errorf("φ %g: %.0f degrees of freedom on average, the drawn variances scatter like %.0f; want %.0f", phi, dof, scatter, want)
		}
	}
}

// drawn is an autoregression of first order, long begun.
func drawn(rng *rand.Rand, n int, phi float64) []float64 {
	e := make([]float64, n)
	x := rng.NormFloat64() / math.Sqrt(1-phi*phi)
	for i := range e {
		e[i] = x
		x = phi*x + rng.NormFloat64()
	}
	return e
}

// A variance that is only the quantisation's was not estimated.
func TestDegreesOfFreedomOfTheFloor(t *testing.T) {
	z := newNoise(make([]float64, 100), 2)
	if !math.IsInf(z.dof, 1) || z.cov[0] != 2 {
		t.Errorf("%g degrees of freedom of a variance of %g, want infinite of 2", z.dof, z.cov[0])
	}
}
