package analysis

import (
	"math"
	"math/rand/v2"
	"testing"
)

// The evidence of a change of slope must be what integrating the likelihood over
// its prior gives (Bayes's theorem), and its mean and standard deviation those of
// that integrand. The integral is done by brute force here.
func TestKinkIsTheIntegralOverItsPrior(t *testing.T) {
	const seed, n, sd, prior = 51, 400, 3.0, 40.0
	rng := rand.New(rand.NewPCG(seed, 1))
	x, y := make([]float64, n), make([]float64, n)
	for i := range x {
		x[i] = float64(i) / n
		y[i] = 100 + 7*x[i] - 60*math.Max(x[i]-0.7, 0) + sd*rng.NormFloat64()
	}
	rest := lineRest(x, y)
	k := newKink(x, rest, 280, 1)
	hinge := make([]float64, n)
	for i := range x {
		hinge[i] = math.Max(x[i]-x[280], 0)
	}
	g := lineRest(x, hinge)
	var sum, mean, square float64
	const step = 0.05
	for c := -400.0; c < 400; c += step {
		ln := -c * c / (2 * prior * prior)
		for i := range rest {
			e := rest[i] - c*g[i]
			ln -= (e*e - rest[i]*rest[i]) / (2 * sd * sd)
		}
		w := math.Exp(ln) * step / (prior * math.Sqrt(2*math.Pi))
		sum, mean, square = sum+w, mean+w*c, square+w*c*c
	}
	mean /= sum
	c, u := k.change(prior*prior, sd*sd)
	if f := k.factor(prior*prior, sd*sd); math.Abs(f/sum-1) > 1e-3 {
		t.Errorf("seed %d: evidence %.6g, by integration %.6g", seed, f, sum)
	}
	if want := math.Sqrt(square/sum - mean*mean); math.Abs(c-mean) > 1e-3*prior || math.Abs(u/want-1) > 1e-3 {
		t.Errorf("seed %d: change %.6g +- %.6g, by integration %.6g +- %.6g", seed, c, u, mean, want)
	}
}

// lineRest are the residuals of a straight line.
func lineRest(x, y []float64) []float64 {
	slope, at := lineOf(x, y, 0)
	r := make([]float64, len(y))
	for i := range y {
		r[i] = y[i] - at - slope*x[i]
	}
	return r
}

// A slope that surely changes, at any time, is nearly as often within the level's
// interval as a straight ramp, whose level is hardly shifted. Two standard
// deviations hold 0.954 of a normal distribution (JCGM 100:2008, G.1.3); with a
// change in a quarter of the ramps the two together must.
func TestHiddenChangeOfSlopeIsCovered(t *testing.T) {
	const seed, n, sd, ramp = 52, 500, 10.0, 100.0
	rng := rand.New(rand.NewPCG(seed, 1))
	x, y := make([]float64, n), make([]float64, n)
	bent, straight, moved := 0, 0, 0.0
	const runs = 300
	for k := range 2 * runs {
		at, c := 2.0, 0.0
		if k%2 == 0 {
			at, c = rng.Float64(), slopeSD*ramp*rng.NormFloat64()
		}
		for i := range x {
			x[i] = float64(i) / n
			y[i] = ramp*x[i] + c*math.Max(x[i]-at, 0) + sd*rng.NormFloat64()
		}
		slope, level := lineOf(x, y, 1)
		shift, more := kinked(x, lineRest(x, y), 1, slopeSD*slope, sd*sd, slopeOdds)
		truth := ramp + c*math.Max(1-at, 0)
		in := math.Abs(level+shift-truth) < 2*math.Hypot(more, 2*sd/math.Sqrt(n))
		switch {
		case k%2 == 0 && in:
			bent++
		case k%2 == 1 && in:
			straight++
		}
		if k%2 == 1 {
			moved += shift * shift / runs * n / (4 * sd * sd)
		}
	}
	if bent < runs*85/100 || straight < runs*94/100 || moved > 0.5 {
		t.Errorf("seed %d: covered %d of %d changed and %d of %d straight ramps; a straight one's level is moved by %.2f of its own variance", seed, bent, runs, straight, runs, moved)
	}
	t.Logf("seed %d: covered %d changed and %d straight ramps of %d; moved %.2f", seed, bent, straight, runs, moved)
}
