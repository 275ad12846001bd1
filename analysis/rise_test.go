package analysis_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"ventward/analysis"
)

// A vessel filled by a half-sine of gas, read with noise, gives the half-sine
// back: its amount as told, its length and its highest rate as filled.
func TestGenerationFromRise(t *testing.T) {
	const seed, amount, lasts, start = 31, 0.42, 0.8, 2.0
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	var at, p []float64
	for i := range 6000 {
		x := float64(i) * 1e-3
		u := math.Min(math.Max((x-start)/lasts, 0), 1)
		at = append(at, 100+x)
		p = append(p, 1.1e5+7e5*(1-math.Cos(math.Pi*u))/2+200*rng.NormFloat64())
	}
	g, err := analysis.GenerationFromRise(at, p, amount, 1000, 0.02, 200)
	if err != nil {
		t.Fatal(err)
	}
	top := 0.0
	for _, r := range g.RateMolS {
		top = math.Max(top, r)
	}
	if want := amount * math.Pi / 2 / lasts; math.Abs(top/want-1) > 0.03 {
		t.Errorf("highest rate %g mol/s, want %g", top, want)
	}
	if d := g.TimeS[len(g.TimeS)-1]; math.Abs(d/lasts-1) > 0.08 || g.TimeS[0] != 0 {
		t.Errorf("from %g to %g s, want 0 to %g", g.TimeS[0], d, lasts)
	}
	if math.Abs(g.Amount()/amount-1) > 1e-12 || g.Hottest() != 1000 || len(g.TimeS) > 200 {
		t.Errorf("%g mol at %g K in %d points", g.Amount(), g.Hottest(), len(g.TimeS))
	}
}

func TestGenerationFromRiseRefuses(t *testing.T) {
	x := []float64{0, 1, 2, 3, 4, 5}
	for name, f := range map[string]func() (analysis.Generation, error){
		"no rise": func() (analysis.Generation, error) {
			return analysis.GenerationFromRise(x, []float64{6, 5, 4, 3, 2, 1}, 1, 900, 2, 50)
		},
		"no amount": func() (analysis.Generation, error) { return analysis.GenerationFromRise(x, x, 0, 900, 2, 50) },
		"lengths":   func() (analysis.Generation, error) { return analysis.GenerationFromRise(x, x[:3], 1, 900, 2, 50) },
		"points":    func() (analysis.Generation, error) { return analysis.GenerationFromRise(x, x, 1, 900, 2, 2) },
	} {
		if g, err := f(); err == nil {
			t.Errorf("%s: %d points and no error", name, len(g.TimeS))
		}
	}
}
