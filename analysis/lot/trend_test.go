package lot_test

import (
	"math"
	"math/rand/v2"
	"slices"
	"strconv"
	"testing"

	"ventward/analysis/lot"
)

// worn makes shots of a punch: pressure rises with the strokes.
func worn(seed uint64, n int, slope, s float64) (strokes, pressure []float64) {
	rng := rand.New(rand.NewPCG(seed, 9))
	for i := range n {
		x := 100 * float64(i)
		strokes = append(strokes, x)
		pressure = append(pressure, 27e5+slope*x+s*rng.NormFloat64())
	}
	return strokes, pressure
}

func TestPunchWear(t *testing.T) {
	const seed = 5
	t.Logf("seed %d", seed)
	x, y := worn(seed, 120, 25, 0.4e5) // 0.25 bar a thousand strokes
	w := must(lot.PunchWear(x, y, limits(25, 32), 0.95, 0.99))
	if math.Abs(w.Slope-25) > 4*w.SlopeU || w.StrokesLeft == nil || w.Reached {
		t.Fatalf("slope %v ± %v, left %v, reached %v", w.Slope, w.SlopeU, w.StrokesLeft, w.Reached)
	}
	b := must(w.Tolerance(w.Last+*w.StrokesLeft, 0.95, 0.99))
	near(t, "tolerance limit where the strokes run out", b.High, 32e5, 1e-9)
	// Regrinding starts the count, and the trend, afresh.
	x2, y2 := worn(seed+1, 30, 25, 0.4e5)
	w = must(lot.PunchWear(append(x, x2...), append(y, y2...), limits(25, 32), 0.95, 0.99))
	if w.N != 30 || w.Last != 2900 {
		t.Errorf("after regrinding %d shots and %v strokes, want 30 and 2900", w.N, w.Last)
	}
	if w := must(lot.PunchWear(x, y, limits(25, 30), 0.95, 0.99)); !w.Reached {
		t.Error("the tolerance limit at the newest strokes is above 30 bar, and that isn't said")
	}
	if w := must(lot.PunchWear(x, y, limits(20, 60), 0.95, 0.99)); w.StrokesLeft != nil || w.Reached {
		t.Errorf("far limits are met at %v", w.StrokesLeft)
	}
	if _, err := lot.PunchWear([]float64{1, 1, 1}, []float64{1, 2, 3}, limits(1, 2), 0.95, 0.99); err == nil {
		t.Error("a trend from strokes that don't differ")
	}
}

// The regression's one-sided limit with all points at one leverage is the
// plain factor's: at the mean of x, e = 1/sqrt n and n-2 degrees of freedom.
func TestRegressionWindow(t *testing.T) {
	const seed = 8
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 3))
	var x, y []float64
	for range 40 {
		v := (36 + 8*rng.Float64()) * 1e-6
		x, y = append(x, v), append(y, 28e5+0.5e11*(v-40e-6)+0.15e5*rng.NormFloat64())
	}
	r := must(lot.Regress(x, y))
	w := must(r.Window(limits(27, 29), 0.95))
	for _, at := range []float64{w.Low, w.High} {
		b := r.Predict(at, 0.95)
		if !(b.Low >= 27e5 && b.High <= 29e5) {
			t.Errorf("at %v the band %+v leaves the limits", at, b)
		}
	}
	if step := (r.MostX - r.LeastX) / 400; r.Predict(w.High+2*step, 0.95).High <= 29e5 {
		t.Errorf("the window ends too early at %v", w.High)
	}
	if _, err := r.Window(limits(50, 51), 0.95); err == nil {
		t.Error("a window where the band never lies within the limits")
	}
	inner, outer := r.Predict(r.MeanX, 0.95), must(r.Tolerance(r.MeanX, 0.95, 0.99))
	if !(outer.Low < inner.Low && outer.High > inner.High) {
		t.Errorf("99 %% of the pieces lie closer than the next one: %+v, %+v", outer, inner)
	}
}

func TestRepeatability(t *testing.T) {
	// A tenth of the process's s is just enough: s_total² = s_p² (1 + 0.01).
	s := must(lot.CheckRepeatability(0.0999, math.Sqrt(1+0.0999*0.0999)))
	if !s.Enough {
		t.Errorf("%+v: just below a tenth is refused", s)
	}
	if s := must(lot.CheckRepeatability(0.11, 1)); s.Enough {
		t.Errorf("%+v: more than a tenth is enough", s)
	}
	if _, err := lot.CheckRepeatability(1, 0.9); err == nil {
		t.Error("a measurement that scatters more than the lot")
	}
	p, nu, err := lot.PooledSD([][]float64{{1, 3}, {10, 12}, {5}})
	if err != nil || nu != 2 || math.Abs(p-math.Sqrt2) > 1e-12 {
		t.Errorf("pooled s %v with %d degrees of freedom, %v; want sqrt 2 with 2", p, nu, err)
	}
}

func TestRefusals(t *testing.T) {
	for name, f := range map[string]func() error{
		"confidence of 1":   func() error { _, err := lot.OneSidedFactor(10, 1, 0.99); return err },
		"coverage in %":     func() error { _, err := lot.TwoSidedFactor(10, 0.95, 99); return err },
		"one shot":          func() error { _, err := lot.TwoSidedFactor(1, 0.95, 0.99); return err },
		"Grubbs of two":     func() error { _, err := lot.Grubbs([]float64{1, 2}, 0.05); return err },
		"A-D of equals":     func() error { _, err := lot.AndersonDarling([]float64{1, 1, 1, 1}); return err },
		"Weibull below 0":   func() error { _, err := lot.FitCensored(lot.Weibull, []float64{-1, 2, 3}, nil); return err },
		"rate of 7 of 6":    func() error { _, err := lot.ClopperPearson(7, 6, 0.95); return err },
		"Fisher of 7 of 6":  func() error { _, err := lot.Fisher(7, 6, 1, 6); return err },
		"Levene of one":     func() error { _, err := lot.Levene([]float64{1, 2}); return err },
		"EWMA of lambda 0":  func() error { _, err := lot.EWMA{Sigma: 1, Width: 3}.Points(nil); return err },
		"CUSUM without H":   func() error { _, err := lot.CUSUM{K: 1}.Points(nil); return err },
		"quantile rule 5":   func() error { _, err := lot.Quantile([]float64{1}, 0.5, 5); return err },
		"capability, s = 0": func() error { _, err := lot.Capable(1, 0, 10, limits(0.1, 2), 0.95); return err },
		"order of one":      func() error { _, err := lot.OpeningOrder([]float64{1}, []float64{1, 2}, 0.95); return err },
	} {
		if f() == nil {
			t.Errorf("%s: no error", name)
		}
	}
}

func BenchmarkDescribe30(b *testing.B) {
	_, y := worn(1, 30, 0, 0.5e5)
	for i := range y {
		y[i] /= 1e5
	}
	g := group(y...)
	l := limits(25, 32)
	b.ReportAllocs()
	for b.Loop() {
		lot.Describe(g, l, st)
	}
}

func BenchmarkTwoSidedFactor(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		_, _ = lot.TwoSidedFactor(30, 0.95, 0.99)
	}
}

func BenchmarkOpeningOrder(b *testing.B) {
	x, y := []float64{19, 19.2, 19.9, 18.7, 19.4}, []float64{27, 28.1, 28.8, 27.4, 28}
	b.ReportAllocs()
	for b.Loop() {
		_, _ = lot.OpeningOrder(x, y, 0.95)
	}
}

// Pieces are seldom shot in the order in which they were made: the trend is that
// of production, whatever the order of the shots. One step down is a regrinding.
func TestWearDoesNotHangOnTheOrderOfShots(t *testing.T) {
	var made []lot.Shot
	for i := range 30 {
		strokes := 120 * float64(i+1)
		wobble := 0.3e5 * math.Sin(float64(7*i))
		made = append(made, lot.Shot{Lot: "B", ID: strconv.Itoa(i), Feature: "bottom vent", Status: lot.Valid, Strokes: &strokes, PressurePa: 27e5 + 30*strokes + wobble})
	}
	st := lot.Statement{Confidence: 0.95, Coverage: 0.99}
	describe := func(shots []lot.Shot) *lot.Wear {
		s := lot.Describe(lot.Group{Lot: "B", Feature: "bottom vent", Shots: shots}, limits(25, 32), st)
		if s.Wear == nil {
			t.Fatal("no trend")
		}
		return s.Wear
	}
	want := describe(made)
	var mixed []lot.Shot
	for i := range made {
		mixed = append(mixed, made[i*19%30])
	}
	if got := describe(mixed); math.Abs(got.Slope-want.Slope) > 1e-9*want.Slope || got.N != 30 || got.Last != 3600 || got.Reached {
		t.Errorf("in another order: slope %v, n %d, last %v, reached %v; want %v", got.Slope, got.N, got.Last, got.Reached, want.Slope)
	}
	ground := append(slices.Clone(made[15:]), made[:15]...)
	if got := lot.InProduction(ground); *got[0].Strokes != 1920 || *got[15].Strokes != 120 {
		t.Errorf("a regrinding was sorted away: first %v, sixteenth %v", *got[0].Strokes, *got[15].Strokes)
	}
}
