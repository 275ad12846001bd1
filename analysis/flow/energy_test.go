package flow

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

// TestEnergyOrder: isentropic below Brode, availability below isothermal (Crowl,
// Understanding Explosions, appendix B: stated with the published rows), and the
// code's formula near the isentropic.
func TestEnergyOrder(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := rapid.Float64Range(1.2e5, 5e7).Draw(t, "p")
		V := rapid.Float64Range(1e-6, 10).Draw(t, "V")
		k := rapid.SampledFrom([]float64{1.289, 1.4, 5.0 / 3}).Draw(t, "k")
		var e [5]float64
		var err [5]error
		e[0], err[0] = IsentropicEnergy(p, CodeAtmosphere, V, k)
		e[1], err[1] = BrodeEnergy(p, CodeAtmosphere, V, k)
		e[2], err[2] = AvailableEnergy(p, CodeAtmosphere, V)
		e[3], err[3] = IsothermalEnergy(p, CodeAtmosphere, V)
		e[4], err[4] = CodeEnergy(p, V, k)
		for i := range e {
			if err[i] != nil || !(e[i] > 0) {
				t.Fatalf("energy %d: %g, %v", i, e[i], err[i])
			}
		}
		if e[0] > e[1] || e[2] > e[3] || math.Abs(e[4]/e[0]-1) > 2e-3 {
			t.Fatalf("isentropic %g, Brode %g, available %g, isothermal %g, code %g", e[0], e[1], e[2], e[3], e[4])
		}
		up, uV := 0.01*p, 0.02*V
		if u := CodeEnergyU(p, V, k, 0, uV); math.Abs(u/e[4]-0.02) > 1e-9 {
			t.Fatalf("volume alone: %g of %g", u, e[4])
		}
		if u := CodeEnergyU(p, V, k, up, 0); u/e[4] < 0.01 {
			t.Fatalf("pressure alone: %g of %g, want more than its own 1 %%", u/e[4], e[4])
		}
		if a, b := Reading2008.StandOff(e[4], 20), ReadingLater.StandOff(e[4], 20); math.Abs(b/a-math.Cbrt(2)) > 1e-9 {
			t.Fatalf("readings %g and %g", a, b)
		}
	})
}

// TestLiquid: a litre of water at 100 bar stores about 22 J, thousands of times
// less than nitrogen (bulk modulus 2.2 GPa, from memory; the figure is the
// formula's own by hand: (1e7)²·1e-3/(2·2.2e9)).
func TestLiquid(t *testing.T) {
	e, err := LiquidEnergy(1e7+101325, 101325, 1e-3, 2.2e9)
	if err != nil || math.Abs(e-22.727) > 0.01 {
		t.Errorf("%g J, %v", e, err)
	}
	g, _ := CodeEnergy(1e7, 1e-3, 1.4)
	if g < 500*e {
		t.Errorf("gas %g J, liquid %g J", g, e)
	}
	if r := TNTJoulePerKgUS / TNTJoulePerKg; math.Abs(r-1.043) > 5e-4 {
		t.Errorf("the two constants are %g apart, want 4.3 %%", r)
	}
}

func TestEnergyRefusals(t *testing.T) {
	for _, c := range [][3]float64{{1e5, 1, 1.4}, {1e6, 0, 1.4}, {1e6, 1, 1}, {1e6, 1, 2}, {math.NaN(), 1, 1.4}, {math.Inf(1), 1, 1.4}, {1e6, math.NaN(), 1.4}} {
		if _, err := CodeEnergy(c[0], c[1], c[2]); err == nil {
			t.Errorf("%v: no error", c)
		}
	}
	if _, err := LiquidEnergy(1e6, 1e5, 1, 0); err == nil {
		t.Error("no bulk modulus: no error")
	}
	for _, d := range []struct{ e, least float64 }{{100, 30}, {135.5e6, 30}, {135.6e6, 60}, {272e6, 0}} {
		if got := Reading2008.LeastDistance(d.e, 0.001); math.Abs(got-math.Max(d.least, 0.001*math.Cbrt(d.e/TNTJoulePerKg))) > 1e-9 {
			t.Errorf("%g J: %g m, want %g", d.e, got, d.least)
		}
	}
}
