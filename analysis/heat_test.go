package analysis

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

// warming is a cell that warms at a rate that grows e-fold every 20 K from
// SelfHeatingKPerS at 80 °C (353 K), after a slow drift.
func warming() (ts, ks []float64) {
	T := 350.0
	for i := range 120000 {
		ts, ks = append(ts, float64(i)), append(ks, T)
		rate := SelfHeatingKPerS * math.Exp((T-353)/20)
		T += math.Min(rate, 40)
		if T > 1000 {
			break
		}
	}
	return ts, ks
}

func TestOnsets(t *testing.T) {
	ts, ks := warming()
	o, ok, err := FirstRise(ts, ks, 600, SelfHeatingKPerS, 600)
	if err != nil || !ok || math.Abs(o.Value-353) > 0.5 {
		t.Errorf("self-heating %+v %v (%v), want 353 K", o, ok, err)
	}
	want := 353 + 20*math.Log(RunawayKPerS/SelfHeatingKPerS)
	o, ok, err = FirstRise(ts, ks, 2, RunawayKPerS, RunawayHoldS)
	if err != nil || !ok || math.Abs(o.Value-want) > 2 {
		t.Errorf("runaway %+v %v (%v), want %g K", o, ok, err, want)
	}
	// a rate held for less than the time is none, and a gap ends a stay
	short := []float64{0, 0, 0, 0, 2, 4, 6, 6, 6, 6}
	at := []float64{0, 1, 2, 3, 4, 5, 6, 7, 8, 9}
	if _, ok, err := FirstRise(at, short, 2, 1, 3); ok || err != nil {
		t.Errorf("a short rise counts (%v)", err)
	}
	steady := []float64{0, 2, 4, math.NaN(), 8, 10, 12, 14, 16, 18, 20, 22}
	at = append(at, 10, 11)
	if o, ok, _ := FirstRise(at, steady, 2, 1, 3); !ok || o.TimeS < 4 {
		t.Errorf("a gap does not end a stay: %+v %v", o, ok)
	}
	if _, _, err := FirstRise(at, steady, 2, 1, -1); err == nil {
		t.Error("negative hold: no error")
	}
}

func TestSelfHeatingCurve(t *testing.T) {
	ts, ks := warming()
	c, err := SelfHeatingCurve(ts, ks, 20, 5)
	if err != nil || len(c) < 20 {
		t.Fatalf("%d points, %v", len(c), err)
	}
	for i, p := range c {
		if i > 0 && !(p.TemperatureK > c[i-1].TemperatureK) {
			t.Fatalf("temperature %g after %g", p.TemperatureK, c[i-1].TemperatureK)
		}
		if want := SelfHeatingKPerS * math.Exp((p.TemperatureK-353)/20); p.TemperatureK < 480 && math.Abs(p.RateKPerS/want-1) > 0.1 {
			t.Errorf("at %g K: %g K/s, want %g", p.TemperatureK, p.RateKPerS, want)
		}
	}
	if _, err := SelfHeatingCurve(ts, ks, 20, 0); err == nil {
		t.Error("no step: no error")
	}
}

func TestHeat(t *testing.T) {
	h := HeatInputs{MassKg: 0.07, MassU: 1e-5, CapacityJPerKgK: 1000, CapU: 50, RiseK: 700, RiseU: 14, Phi: 1.2, PhiU: 0.02, LossJ: 2000, LossU: 1000}
	b, err := h.Heat()
	if err != nil {
		t.Fatal(err)
	}
	c, err := b.Evaluate(0.95)
	q := 1.2 * 0.07 * 1000 * 700
	want := math.Sqrt(math.Pow(q*0.05, 2) + math.Pow(q*0.02, 2) + math.Pow(q*0.02/1.2, 2) + 1e6 + math.Pow(q/7000, 2))
	if err != nil || math.Abs(c.Value-q-2000) > 1e-6 || math.Abs(c.U/want-1) > 1e-3 {
		t.Errorf("%g J with %g, want %g with %g (%v)", c.Value, c.U, q+2000, want, err)
	}
	if f, err := PhiFactor(20, 80); err != nil || f != 1.25 {
		t.Errorf("phi %g (%v)", f, err)
	}
	for _, bad := range [][2]float64{{-1, 1}, {1, 0}, {math.Inf(1), 1}} {
		if _, err := PhiFactor(bad[0], bad[1]); err == nil {
			t.Errorf("%v: no error", bad)
		}
	}
	h.Phi = 0.5
	if _, err := h.Heat(); err == nil {
		t.Error("phi below 1: no error")
	}
}

// TestDelays: neighbours in time whatever the order given, and the whole adds up.
func TestDelays(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		on := rapid.SliceOfN(rapid.Float64Range(0, 1e3), 2, 12).Draw(t, "onsets")
		d, err := Delays(on, make([]float64, len(on)))
		if err != nil || len(d) != len(on)-1 {
			t.Fatalf("%v %v", d, err)
		}
		sum, lo, hi := 0.0, math.Inf(1), math.Inf(-1)
		for _, x := range d {
			if x.S < 0 || x.S != on[x.To]-on[x.From] {
				t.Fatalf("%+v of %v", x, on)
			}
			sum += x.S
		}
		for _, x := range on {
			lo, hi = math.Min(lo, x), math.Max(hi, x)
		}
		if math.Abs(sum-(hi-lo)) > 1e-9 {
			t.Fatalf("delays add up to %g of %g", sum, hi-lo)
		}
	})
	d, err := Delays([]float64{5, 1}, []float64{0.3, 0.4})
	if err != nil || len(d) != 1 || d[0].From != 1 || math.Abs(d[0].U-0.5) > 1e-12 {
		t.Errorf("%+v (%v)", d, err)
	}
	if _, err := Delays([]float64{1}, nil); err == nil {
		t.Error("unequal: no error")
	}
	if _, err := Delays([]float64{math.NaN()}, []float64{0}); err == nil {
		t.Error("no number: no error")
	}
}
