package analysis

import (
	"math"
	"math/rand/v2"
	"testing"
)

// TestCurve: a polynomial without noise comes back as it is; on noise alone the
// highest coefficient is as small as its standard deviation says.
func TestCurve(t *testing.T) {
	const seed = 77
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 1))
	n, far := 0, 0
	for range 200 {
		x, v := make([]float64, 480), make([]float64, 480)
		for i := range x {
			x[i] = 3 + 1e-3*float64(i)
			v[i] = 2e6 + 8e4*x[i] + rng.NormFloat64()*900
		}
		c, ok := newCurve(x, v, 2)
		if !ok {
			t.Fatal("no curve through 480 samples")
		}
		if n++; math.Abs(c.z) > 2.08 { // Student's t of 21 degrees of freedom, two-sided 5 %
			far++
		}
		for i := range v {
			v[i] = 2e6 + 8e4*x[i] - 2e4*(x[i]-3)*(x[i]-3) + rng.NormFloat64()*90
		}
		if c, ok = parabola(x, v); !ok || math.Abs(c.bend()/-4e4-1) > 0.05 || math.Abs(c.at(x[479])-(2e6+8e4*x[479]-2e4*0.479*0.479)) > 60 {
			t.Fatalf("parabola %v: bend %g Pa/s2, want -4e4; end off by %g", ok, c.bend(), c.at(x[479])-(2e6+8e4*x[479]-2e4*0.479*0.479))
		}
	}
	if far > 22 { // 5 % of 200 are 10, with four standard deviations
		t.Errorf("%d of %d straight lines seem bent at 5 %%", far, n)
	}
	if _, ok := newCurve([]float64{1, 2}, []float64{1, 2}, 2); ok {
		t.Error("a curve through two samples")
	}
}

// TestGrowingVolume: a volume that grows faster and faster bends the ramp down
// before the opening. The monitor may have taken its start for an opening; the
// level at the onset must not be what a blow-down would have led to.
func TestGrowingVolume(t *testing.T) {
	const first, runs = 51, 8
	t.Logf("seeds %d to %d", first, first+runs-1)
	held, ran := 0, 0
	for i := range uint64(runs) {
		rng := rand.New(rand.NewPCG(first+i, 3))
		sp := plain()
		sp.area, sp.lag, sp.phase, sp.sigma = 100e-6, 1e-3, rng.Float64(), 1000
		w, ch, o, onset, ok := sp.window(rng)
		if !ok {
			continue
		}
		ran++
		lasts, share := 0.1+0.2*rng.Float64(), 0.2+0.2*rng.Float64()
		begin := onset - int64(lasts*1e9)
		lost := func(at float64) float64 { return share * sp.ramp * at * at / lasts } // Pa, at seconds after the begin
		for k, at := range w.T {
			if at > begin {
				w.V[k] -= lost(math.Max(float64(at-begin)*1e-9-sp.lag, 0))
			} else {
				w.From = k + 1
			}
		}
		w.After = true
		f := FitOpening(w, ch, o)
		if f.PressurePa == nil {
			t.Fatalf("no pressure: %v", f.Absent)
		}
		off := *f.PressurePa - (sp.truth - lost(lasts))
		if math.Abs(off) <= *f.PressureUPa {
			held++
		}
		t.Logf("growth over %.2f s by %.2f of the ramp: off by %5.0f Pa, stated u %4.0f", lasts, share, off, *f.PressureUPa)
		if *f.PressureUPa > 1000 {
			t.Errorf("stated u %g Pa for noise of 1000 Pa over thousands of samples", *f.PressureUPa)
		}
	}
	if held < ran-1 || ran < runs-1 {
		t.Errorf("the pressure's interval held %d of %d", held, ran)
	}
}
