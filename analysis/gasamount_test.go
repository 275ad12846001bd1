package analysis

import (
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"ventward/analysis/flow"
	"ventward/daq"
)

// TestReferenceStates against the molar volumes of CODATA as remembered:
// 22.710954 L/mol at 0 °C and 100 kPa, 22.413970 L/mol at 0 °C and 101.325 kPa.
func TestReferenceStates(t *testing.T) {
	for _, c := range []struct {
		s    ReferenceState
		want float64
		text string
	}{{StateIUPAC, 22.710954, "at 0 °C and 1 bar absolute"}, {StateAtm0, 22.413970, "at 0 °C and 1.01325 bar absolute"}, {StateAtm25, 24.465402, "at 25 °C and 1.01325 bar absolute"}} {
		if got := c.s.Litres(1); math.Abs(got-c.want) > 1e-5 {
			t.Errorf("%v: %g L/mol, want %g", c.s, got, c.want)
		}
		if c.s.String() != c.text {
			t.Errorf("%q, want %q", c.s, c.text)
		}
	}
	if v, err := StateAtm25.LitresPerAh(0.149, 1.5); err != nil || math.Abs(v-2.43) > 0.01 {
		t.Errorf("%g L/Ah (%v)", v, err)
	}
	if _, err := StateAtm25.LitresPerAh(1, 0); err == nil {
		t.Error("no capacity: no error")
	}
}

func TestAbsolutePressure(t *testing.T) {
	if p, err := AbsolutePressure(1e5, daq.Gauge, 98000); err != nil || p != 198000 {
		t.Errorf("gauge: %g %v", p, err)
	}
	if p, err := AbsolutePressure(1e5, daq.Absolute, 0); err != nil || p != 1e5 {
		t.Errorf("absolute: %g %v", p, err)
	}
	for _, ref := range []daq.Reference{"", daq.Gauge} {
		if _, err := AbsolutePressure(1e5, ref, 0); err == nil {
			t.Errorf("%q without barometer: no error", ref)
		}
	}
}

// TestAmount: the ideal gas by hand, the share of the gas temperature, and what
// an offset common to both readings leaves.
func TestAmount(t *testing.T) {
	s := Settled{VolumeM3: 1e-3, VolumeU: 1e-6, BeforePa: 1e5, BeforeK: 298.15, AfterPa: 7e5, AfterK: 320, AfterKU: 6, BeforeKU: 0.2, OffsetU: 500, GainU: 1e-3, BeforeU: 100, AfterU: 100}
	b, err := s.Amount()
	if err != nil {
		t.Fatal(err)
	}
	c, err := b.Evaluate(0.95)
	if err != nil {
		t.Fatal(err)
	}
	want := 1e-3 / flow.R * (7e5/320 - 1e5/298.15)
	if math.Abs(c.Value/want-1) > 1e-12 {
		t.Errorf("%g mol, want %g", c.Value, want)
	}
	if c.Rows[5].Name != "gas temperature after" || c.Rows[5].Share < 0.9 {
		t.Errorf("the gas temperature does not dominate: %+v", c.Rows[5])
	}
	if r := c.Rows[3]; math.Abs(r.Sensitivity-1e-3/flow.R*(1/320.0-1/298.15)) > 1e-12 {
		t.Errorf("a common offset: sensitivity %g", r.Sensitivity)
	}
	// a gauge reading taken as absolute shifts by tens of per cent at low pressure
	low := Settled{VolumeM3: 1e-3, BeforePa: 0.1e5, BeforeK: 298, AfterPa: 1.5e5, AfterK: 400}
	right := low
	right.BeforePa += 101325
	right.AfterPa += 101325
	a, _ := low.Amount()
	d, _ := right.Amount()
	x, _ := a.Evaluate(0.95)
	y, _ := d.Evaluate(0.95)
	if shift := math.Abs(x.Value/y.Value - 1); shift < 0.1 {
		t.Errorf("gauge for absolute shifts by %g", shift)
	}
	s.AfterK = 0
	if _, err := s.Amount(); err == nil {
		t.Error("no temperature: no error")
	}
}

// TestSlope: exact on a straight line whatever the samples, NaN where too few,
// and a quadratic's derivative in the middle of a symmetric window.
func TestSlope(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a, b := rapid.Float64Range(-1e6, 1e6).Draw(t, "a"), rapid.Float64Range(-1e4, 1e4).Draw(t, "b")
		n := rapid.IntRange(10, 600).Draw(t, "n")
		start := rapid.Float64Range(-1e4, 1e4).Draw(t, "start")
		var ts, ys []float64
		for i := range n {
			at := start + 0.01*float64(i)
			y := a + b*(at-start)
			if i%17 == 5 {
				y = math.NaN()
			}
			ts, ys = append(ts, at), append(ys, y)
		}
		d, err := Slope(ts, ys, 0.1)
		if err != nil {
			t.Fatal(err)
		}
		for i, v := range d {
			if !(math.Abs(v-b) < 1e-6*math.Abs(b)+1e-7*math.Abs(a)+1e-9) {
				t.Fatalf("sample %d of %d: slope %g, want %g", i, n, v, b)
			}
		}
	})
	d, err := Slope([]float64{0, 1, 2}, []float64{1, math.NaN(), 3}, 10)
	if err != nil || !math.IsNaN(d[0]) {
		t.Errorf("two samples: %v %v", d, err)
	}
	if _, err := Slope([]float64{0, 0}, []float64{1, 1}, 1); err == nil {
		t.Error("time stands still: no error")
	}
	if _, err := Slope([]float64{0}, nil, 1); err == nil {
		t.Error("unequal: no error")
	}
}

// TestGenerationFrom: what Simulate would take as input comes back from a vessel
// into which it flowed.
func TestGenerationFrom(t *testing.T) {
	g, err := Pulse("half-sine", 0.2, 1, 2, 600)
	if err != nil {
		t.Fatal(err)
	}
	V := 1e-3
	var ts, p, k []float64
	n := 1e5 * V / (flow.R * 600)
	for i := range 5000 {
		at := float64(i) * 1e-3
		ts, p, k = append(ts, at), append(p, n*flow.R*600/V), append(k, 600)
		n += g.Rate(at+5e-4) * 1e-3
	}
	moles, err := Moles(p, k, V)
	if err != nil {
		t.Fatal(err)
	}
	back, err := GenerationFrom(ts, moles, k, 0.05, 400)
	if err != nil || math.Abs(back.Amount()/0.2-1) > 0.01 || math.Abs(back.Rate(2)/g.Rate(2)-1) > 0.02 || back.Temperature(2) != 600 {
		t.Errorf("amount %g mol, rate %g mol/s of %g (%v)", back.Amount(), back.Rate(2), g.Rate(2), err)
	}
	slope, at, ok, err := Steepest(ts, p, 0.05)
	if want := g.Rate(2) * flow.R * 600 / V; err != nil || !ok || math.Abs(slope/want-1) > 0.02 || math.Abs(at-2) > 0.1 {
		t.Errorf("steepest %g Pa/s at %g s, want %g at 2 (%v)", slope, at, want, err)
	}
	if _, err := GenerationFrom(ts, moles, nil, 0.05, 400); err == nil {
		t.Error("no temperatures: no error")
	}
	if _, err := Moles(p, nil, V); err == nil {
		t.Error("no temperatures: no error")
	}
}

func TestMassBalance(t *testing.T) {
	m := MassBalance{Before: 0.070, After: 0.050, Collected: 0.010, GasMol: 0.2, GasMolarMass: 0.026, WeighU: 1e-5, GasMolU: 0.01, GasMolarMassUrel: 0.05}
	b, err := m.Unaccounted()
	if err != nil {
		t.Fatal(err)
	}
	c, err := b.Evaluate(0.95)
	want := math.Sqrt(3e-10 + math.Pow(0.026*0.01, 2) + math.Pow(0.2*0.0013, 2))
	if err != nil || math.Abs(c.Value-0.0048) > 1e-12 || math.Abs(c.U/want-1) > 1e-6 {
		t.Errorf("%+v, want 0.0048 with %g (%v)", c, want, err)
	}
	m.After = 0.08
	if _, err := m.Unaccounted(); err == nil || !strings.Contains(err.Error(), "after") {
		t.Errorf("heavier after: %v", err)
	}
}
