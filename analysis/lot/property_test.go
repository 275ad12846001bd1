package lot_test

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"ventward/analysis/lot"
)

func pressures(least int) *rapid.Generator[[]float64] {
	return rapid.Custom(func(t *rapid.T) []float64 {
		mean, s := rapid.Float64Range(5, 60).Draw(t, "mean"), rapid.Float64Range(0.05, 1).Draw(t, "s")
		z := rapid.SliceOfN(rapid.Float64Range(-3, 3), least, 40).Draw(t, "z")
		z = append(z, -0.5, 0.7) // never without a spread
		x := make([]float64, len(z))
		for i := range z {
			x[i] = mean + s*z[i]
		}
		return x
	})
}

func close(a, b, rel float64) bool { return math.Abs(a-b) <= rel*math.Max(1, math.Abs(b)) }

// Statistics don't depend on the unit, and a shift moves only the places.
func TestUnitsDontMatter(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		x := pressures(5).Draw(t, "x")
		y := make([]float64, len(x))
		for i := range x {
			y[i] = 1e5 * x[i]
		}
		a, b := must(lot.AndersonDarling(x)), must(lot.AndersonDarling(y))
		c, d := must(lot.ShapiroWilk(x)), must(lot.ShapiroWilk(y))
		g, h := must(lot.Grubbs(x, 0.05)), must(lot.Grubbs(y, 0.05))
		if !close(a.Statistic, b.Statistic, 1e-6) || !close(c.Statistic, d.Statistic, 1e-6) || !close(g.G, h.G, 1e-6) {
			t.Fatalf("in Pa %+v %+v %+v, in bar %+v %+v %+v", b, d, h, a, c, g)
		}
		v, w := must(lot.FitCensored(lot.Weibull, x, nil)), must(lot.FitCensored(lot.Weibull, y, nil))
		if !close(v.Shape, w.Shape, 1e-6) || !close(v.Location*1e5, w.Location, 1e-6) || !close(v.LogLikelihood-float64(len(x))*math.Log(1e5), w.LogLikelihood, 1e-6) {
			t.Fatalf("Weibull in bar %+v, in Pa %+v", v, w)
		}
	})
}

// Factors fall with n, grow with confidence and coverage, and the two-sided one
// is the larger.
func TestFactorsAreMonotonic(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(2, 300).Draw(t, "n")
		conf, cov := rapid.Float64Range(0.6, 0.995).Draw(t, "confidence"), rapid.Float64Range(0.6, 0.9995).Draw(t, "coverage")
		more := []struct {
			n         int
			conf, cov float64
			up        bool
		}{{n + 1, conf, cov, false}, {n, conf + 0.004, cov, true}, {n, conf, cov + 0.0004, true}}[rapid.IntRange(0, 2).Draw(t, "what grows")]
		one, two := must(lot.OneSidedFactor(n, conf, cov)), must(lot.TwoSidedFactor(n, conf, cov))
		if k := must(lot.OneSidedFactor(more.n, more.conf, more.cov)); (k > one) != more.up {
			t.Fatalf("one-sided %v at n %d, confidence %v, coverage %v, but %v with %+v", one, n, conf, cov, k, more)
		}
		if k := must(lot.TwoSidedFactor(more.n, more.conf, more.cov)); (k > two) != more.up {
			t.Fatalf("two-sided %v at n %d, confidence %v, coverage %v, but %v with %+v", two, n, conf, cov, k, more)
		}
		if !(two > one) {
			t.Fatalf("n %d, %v, %v: the one-sided factor is the larger", n, conf, cov)
		}
	})
}

// A bound from below can only raise what is fitted.
func TestCensoringRaisesTheFit(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		x := pressures(4).Draw(t, "x")
		bound := lot.Mean(x)
		for _, family := range []lot.Family{lot.Weibull, lot.Lognormal, lot.Normal} {
			a, err := lot.FitCensored(family, x, nil)
			if err != nil {
				t.Fatal(err)
			}
			b, err := lot.FitCensored(family, x, []float64{bound})
			if err != nil {
				t.Fatal(err)
			}
			if b.Location < a.Location*(1-1e-9) || b.Censored != 1 || b.N != len(x) {
				t.Fatalf("%s: location %v falls to %v by a shot that held %v", family, a.Location, b.Location, bound)
			}
		}
	})
}

// The likelihood bounds hold the estimate between them.
func TestFitBoundsHoldTheEstimate(t *testing.T) {
	for _, family := range []lot.Family{lot.Weibull, lot.Lognormal, lot.Normal} {
		f := must(lot.FitBounds(family, ten, []float64{27.9, 28.6}, 0.95, 0.99))
		for name, c := range map[string]struct {
			v float64
			b lot.Bound
		}{"location": {f.Location, f.LocationBound}, "shape": {f.Shape, f.ShapeBound}, "quantile": {f.Quantile, f.QuantileBound}} {
			if !(c.b.Low < c.v && c.v < c.b.High) {
				t.Errorf("%s: %s %v outside its bound %+v", family, name, c.v, c.b)
			}
		}
		wide := must(lot.FitBounds(family, ten, []float64{27.9, 28.6}, 0.99, 0.99))
		if !(wide.QuantileBound.Low < f.QuantileBound.Low && wide.QuantileBound.High > f.QuantileBound.High) {
			t.Errorf("%s: more confidence gives a narrower bound: %+v, %+v", family, wide.QuantileBound, f.QuantileBound)
		}
	}
	// Against the normal case's own formula: without bounds from below the
	// likelihood-ratio interval of a mean is m ± s sqrt((exp(chi²/n) - 1)),
	// s with n: derived, no source.
	f := must(lot.FitBounds(lot.Normal, ten, nil, 0.95, 0.99))
	half := f.Shape * math.Sqrt(math.Expm1(3.841458820694124/10)) // chi² 0.95 with one degree of freedom
	near(t, "bound of the mean", f.LocationBound.High, lot.Mean(ten)+half, 1e-6)
}

func TestFisherAndRates(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n1, n2 := rapid.IntRange(1, 30).Draw(t, "n1"), rapid.IntRange(1, 30).Draw(t, "n2")
		k1, k2 := rapid.IntRange(0, n1).Draw(t, "k1"), rapid.IntRange(0, n2).Draw(t, "k2")
		p := must(lot.Fisher(k1, n1, k2, n2))
		if !close(p, must(lot.Fisher(k2, n2, k1, n1)), 1e-9) || !close(p, must(lot.Fisher(n1-k1, n1, n2-k2, n2)), 1e-9) || p < 0 || p > 1 {
			t.Fatalf("%d/%d against %d/%d: p %v is not symmetric", k1, n1, k2, n2, p)
		}
		r := must(lot.ClopperPearson(k1, n1, 0.95))
		if !(r.Low <= r.Estimate && r.Estimate <= r.High && r.UpperOne <= r.High) {
			t.Fatalf("%d of %d: %+v", k1, n1, r)
		}
	})
}

func TestBreachesNeverPool(t *testing.T) {
	var tests []lot.Runaway
	add := func(n int, trigger, surrounding string, bottom bool, breached int) {
		for i := range n {
			tests = append(tests, lot.Runaway{Trigger: trigger, Surrounding: surrounding, BottomVent: bottom, Breached: i < breached})
		}
	}
	add(6, "heater", "bare", false, 5)
	add(6, "heater", "bare", true, 0)
	add(3, "nail", "bare", true, 1)
	add(2, "nail", "module", false, 1)
	rates, contrasts, err := lot.Breaches(tests, 0.95)
	if err != nil || len(rates) != 4 {
		t.Fatalf("%d rates, %v; want one a kind of test", len(rates), err)
	}
	// 0 of 6 at 95 %, one-sided: 1 - 0.05^(1/6) (the rule for none seen).
	for _, r := range rates {
		if r.BottomVent && r.Trigger == "heater" {
			near(t, "none of six", r.Rate.UpperOne, 1-math.Pow(0.05, 1.0/6), 1e-12)
		}
	}
	if len(contrasts) != 2 {
		t.Fatalf("%d contrasts, want bottom vent under the heater and trigger with bottom vent only", len(contrasts))
	}
	for _, c := range contrasts {
		// 5/6 against 0/6: p = 0.01515 (R 4.2.2 and SciPy 1.10.1, oracle files).
		if c.Differs == "bottom vent" {
			near(t, "with and without bottom vent", c.P, 0.015151515151515152, 1e-9)
		}
	}
	if _, _, err := lot.Breaches([]lot.Runaway{{}}, 0.95); err == nil {
		t.Error("a runaway without a trigger is counted")
	}
}
