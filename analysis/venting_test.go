package analysis

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"os"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"ventward/analysis/flow"
)

// exampleCell is the cell of the oracle.
func exampleCell(t testing.TB) VentingCase {
	t.Helper()
	m, err := flow.VentGas("NMC")
	if err != nil {
		t.Fatal(err)
	}
	g, err := Pulse("triangle", 0.18, 0, 0.6, 1000)
	if err != nil {
		t.Fatal(err)
	}
	return VentingCase{
		Gas: m, FreeVolume: 5e-6, AmbientPa: 101325, StartK: 298.15, Generation: g, TailS: 0.2,
		Top:     Vent{Opening: Scatter{MeanPa: 19.5e5, SDPa: 0.4e5, Pieces: 30}, AreaM2: 14e-6, Discharge: 0.8, OpenFraction: 0.5},
		Housing: Strength{Cold: Scatter{MeanPa: 44e5, SDPa: 1e5, Pieces: 10}, HotFactor: 0.8},
	}
}

func exampleInside(n int) Inside {
	return Inside{Slices: n, LengthM: 0.062, CoreDiameterM: 0.0025, Friction: 0.05, RollAreaM2: 300e-6, PermeabilityM2: 5e-12, HeadspaceM3: 0.5e-6, Seat: 1, ZoneM: 0.015}
}

func exampleBottom() *Vent {
	return &Vent{Opening: Scatter{MeanPa: 22e5}, AreaM2: 20e-6, Discharge: 0.7, OpenFraction: 1}
}

type oracleCell struct {
	Bottom  bool     `json:"bottom"`
	Slices  int      `json:"slices"`
	Wall    *float64 `json:"wall_W_K"`
	PeakPa  float64  `json:"peak_Pa"`
	PeakS   float64  `json:"peak_s"`
	Differ  float64  `json:"differ_Pa"`
	Opening []struct {
		Vent  int     `json:"vent"`
		TimeS float64 `json:"time_s"`
	} `json:"openings"`
}

// TestAgainstScipy compares with the cells that testdata/venting/oracle.py
// solved with scipy's LSODA, written from the same equations but none of this
// code.
func TestAgainstScipy(t *testing.T) {
	text, err := os.ReadFile("../testdata/venting/oracle.json")
	if err != nil {
		t.Fatal(err)
	}
	var o struct{ Cells []oracleCell }
	if err := json.Unmarshal(text, &o); err != nil {
		t.Fatal(err)
	}
	if len(o.Cells) != 6 {
		t.Fatalf("%d cells, want 6", len(o.Cells))
	}
	for _, want := range o.Cells {
		c := exampleCell(t)
		tol := 1e-5
		if want.Bottom {
			c.Bottom = exampleBottom()
		}
		if want.Slices > 1 {
			c.Inside = exampleInside(want.Slices)
			tol = 2e-4 // the stiff solver works at 1e-5 a step
		}
		if want.Wall != nil {
			c.Thermal, c.WallWPerK = true, *want.Wall
		}
		r, err := c.Simulate()
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(r.PeakPa/want.PeakPa-1) > tol || math.Abs(r.PeakTimeS-want.PeakS) > 0.01 {
			t.Errorf("%+v: peak %.8g Pa at %.6g s", want, r.PeakPa, r.PeakTimeS)
		}
		if math.Abs(r.DifferencePa-want.Differ) > 10*tol*math.Max(want.Differ, 1) {
			t.Errorf("%+v: difference %.8g Pa", want, r.DifferencePa)
		}
		if len(r.Openings) != len(want.Opening) {
			t.Errorf("%+v: openings %+v", want, r.Openings)
			continue
		}
		for i, w := range want.Opening {
			name := []string{TopVent, BottomVent}[w.Vent]
			if g := r.Openings[i]; g.Feature != name || math.Abs(g.TimeS-w.TimeS) > 20*tol*w.TimeS {
				t.Errorf("%+v: opening %+v", want, g)
			}
		}
	}
}

// TestHighEnergy18650 takes a fact of the trade (common practice, no source): a
// high-energy 18650 of 3.5 Ah whose top vent opens at 25.6 bar, bottom vent at
// 35.2 bar and header at 57.9 bar, and whose whole venting lasts little more
// than a second. Order and margins have to come right. Its gas is that of a
// published 18650 scaled by capacity: 149 mmol of 1.5 Ah (Golubkov et al. 2014,
// from memory); areas and volumes are ours.
func TestHighEnergy18650(t *testing.T) {
	c := exampleCell(t)
	g, err := Pulse("triangle", 0.149/1.5*3.5, 0, 1.2, 1000)
	if err != nil {
		t.Fatal(err)
	}
	c.Generation = g
	c.Top.Opening = Scatter{MeanPa: 25.6e5}
	c.Bottom = &Vent{Opening: Scatter{MeanPa: 35.2e5}, AreaM2: 60e-6, Discharge: 0.7, OpenFraction: 1}
	c.Housing = Strength{Cold: Scatter{MeanPa: 57.9e5}, HotFactor: 1}
	for _, x := range []struct {
		open  float64
		order []string
		holds bool
	}{{1, []string{TopVent}, true}, {0.1, []string{TopVent, BottomVent}, true}, {0, []string{TopVent, BottomVent}, true}} {
		c.Top.OpenFraction = x.open
		r, err := c.Simulate()
		if err != nil {
			t.Fatal(err)
		}
		var order []string
		for _, o := range r.Openings {
			order = append(order, o.Feature)
		}
		if strings.Join(order, ",") != strings.Join(x.order, ",") || r.Holds != x.holds {
			t.Errorf("top vent %g open: %v holds %v, want %v %v", x.open, order, r.Holds, x.order, x.holds)
		}
		// margins between the features, bar: 9.6 from top to bottom, 22.7 to the header
		if r.Holds && len(order) == 2 && math.Abs(r.MarginPa-22.7e5) > 1e5 {
			t.Errorf("top vent %g open: margin %g bar, want the 22.7 bar from bottom vent to header", x.open, r.MarginPa/1e5)
		}
	}
	without := c
	without.Bottom = nil
	without.Top.OpenFraction = 0
	r, err := without.Simulate()
	if err != nil || r.Holds || !(r.BreachTimeS > r.Openings[0].TimeS) || math.Abs(r.Openings[0].PressurePa-25.6e5) > 10 {
		t.Errorf("plugged and without bottom vent: %+v, %v", r, err)
	}
	least, ok, err := without.LeastOpen()
	if err != nil || !ok || least <= 0 || least >= 1 {
		t.Errorf("least open fraction %g %v %v", least, ok, err)
	}
}

// TestLeastOpenIsLeast checks both sides of the least open fraction.
func TestLeastOpenIsLeast(t *testing.T) {
	for _, slices := range []int{0, 5} {
		c := exampleCell(t)
		if slices > 0 {
			c.Inside = exampleInside(slices)
		}
		f, ok, err := c.LeastOpen()
		if err != nil || !ok {
			t.Fatal(f, ok, err)
		}
		for _, x := range []struct {
			at    float64
			holds bool
		}{{f + 0.003, true}, {f - 0.003, false}} {
			c.Top.OpenFraction = x.at
			r, err := c.Simulate()
			if err != nil || r.Holds != x.holds {
				t.Errorf("%d slices, least %g, at %g: holds %v (%v)", slices, f, x.at, r.Holds, err)
			}
		}
	}
	c := exampleCell(t)
	c.Housing.HotFactor = 0.1
	if f, ok, err := c.LeastOpen(); ok || err != nil {
		t.Errorf("a housing weaker than the vent: %g %v %v", f, ok, err)
	}
}

// TestFarEnd: a runaway at the far end shows a pressure difference along the
// cell, more with a closed core, none when the seat is the whole cell and
// nothing hinders.
func TestFarEnd(t *testing.T) {
	differ := func(core, seat float64) float64 {
		c := exampleCell(t)
		c.Inside = exampleInside(10)
		c.Inside.CoreDiameterM, c.Inside.Seat = core, seat
		r, err := c.Simulate()
		if err != nil {
			t.Fatal(err)
		}
		if seat == 1 && r.PeakSlice < 5 {
			t.Errorf("core %g m: the peak is in slice %d, away from the seat", core, r.PeakSlice)
		}
		return r.DifferencePa
	}
	closed, narrow, wide := differ(0, 1), differ(0.0025, 1), differ(0.006, 1)
	if !(closed > 2*narrow && narrow > 2*wide) {
		t.Errorf("difference closed %g, narrow %g, wide %g Pa: want it to fall as the core opens", closed, narrow, wide)
	}
	if near := differ(0.0025, 0); !(near < narrow/3) {
		t.Errorf("difference %g Pa with the seat at the vent, %g at the far end", near, narrow)
	}
}

// TestSlicesConverge: many slices with a wide core are the well-mixed cell.
func TestSlicesConverge(t *testing.T) {
	c := exampleCell(t)
	mixed, err := c.Simulate()
	if err != nil {
		t.Fatal(err)
	}
	c.Inside = exampleInside(4)
	c.Inside.CoreDiameterM = 0.02
	r, err := c.Simulate()
	if err != nil || math.Abs(r.PeakPa/mixed.PeakPa-1) > 2e-3 {
		t.Errorf("peak %g Pa in slices, %g mixed (%v)", r.PeakPa, mixed.PeakPa, err)
	}
}

// TestVentingProperties: gas is kept, more open is never worse, a bottom vent
// never raises the peak.
func TestVentingProperties(t *testing.T) {
	quick := venting{relTol: 1e-5}
	rapid.Check(t, func(t *rapid.T) {
		m, err := flow.VentGas(rapid.SampledFrom([]string{"NMC", "LFP", "LCO/NMC"}).Draw(t, "cathode"))
		if err != nil {
			t.Fatal(err)
		}
		g, err := Pulse(rapid.SampledFrom([]string{"triangle", "half-sine", "rectangle"}).Draw(t, "shape"),
			rapid.Float64Range(0.01, 0.5).Draw(t, "amount"), 0, rapid.Float64Range(0.2, 2).Draw(t, "duration"), rapid.Float64Range(400, 1300).Draw(t, "kelvin"))
		if err != nil {
			t.Fatal(err)
		}
		c := VentingCase{Gas: m, FreeVolume: rapid.Float64Range(1e-6, 2e-5).Draw(t, "volume"), AmbientPa: 101325, StartK: 298, Generation: g, TailS: 0.1,
			Top:     Vent{Opening: Scatter{MeanPa: rapid.Float64Range(5e5, 3e6).Draw(t, "opening")}, AreaM2: 1e-5, Discharge: 0.8, OpenFraction: rapid.Float64Range(0, 0.8).Draw(t, "open"), OpenTimeS: rapid.SampledFrom([]float64{0, 1e-3}).Draw(t, "time")},
			Housing: Strength{Cold: Scatter{MeanPa: 4e6}, HotFactor: 0.8}}
		r, err := c.simulate(quick)
		if err != nil {
			t.Fatal(err)
		}
		if r.ReleasedMol < -1e-3*g.Amount() || r.ReleasedMol > g.Amount()+c.AmbientPa*c.FreeVolume/(flow.R*400) {
			t.Fatalf("released %g of %g mol", r.ReleasedMol, g.Amount())
		}
		if len(r.Openings) == 0 && math.Abs(r.ReleasedMol) > 1e-3*g.Amount() {
			t.Fatalf("released %g mol with nothing open", r.ReleasedMol)
		}
		if r.Holds != math.IsNaN(r.BreachTimeS) {
			t.Fatalf("holds %v but breach at %g s", r.Holds, r.BreachTimeS)
		}
		c.TailS = 0
		wider := c
		wider.Top.OpenFraction += 0.2
		if w, err := wider.simulate(quick); err != nil || w.PeakPa > r.PeakPa*(1+2e-3) {
			t.Fatalf("wider open: %g Pa, before %g (%v)", w.PeakPa, r.PeakPa, err)
		}
		bottom := c
		bottom.Bottom = &Vent{Opening: Scatter{MeanPa: 1.2 * c.Top.Opening.MeanPa}, AreaM2: 5e-5, Discharge: 0.7, OpenFraction: 1}
		if w, err := bottom.simulate(quick); err != nil || w.PeakPa > r.PeakPa*(1+2e-3) {
			t.Fatalf("with a bottom vent: %g Pa, before %g (%v)", w.PeakPa, r.PeakPa, err)
		}
	})
}

// TestBreach: the same seed gives the same count, the count follows from the
// scatter where it can be told by hand, and the bounds are exact.
func TestBreach(t *testing.T) {
	const seed = 7
	chance := func() Chance { return rand.New(rand.NewPCG(seed, 0)).Float64 }
	c := exampleCell(t)
	// plugged: the peak is p·V = n·R·T and doesn't scatter; the housing's mean is put
	// at it, so half of the cells breach
	c.Top.OpenFraction = 0
	r, err := c.Simulate()
	if err != nil {
		t.Fatal(err)
	}
	c.Housing = Strength{Cold: Scatter{MeanPa: r.PeakPa, SDPa: 0.05 * r.PeakPa}, HotFactor: 1}
	c.Top.Opening.SDPa = 0
	b, err := c.Breach(VentingSpread{}, 400, 0.95, chance())
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("seed %d: %+v", seed, b)
	if b.Breaches < 150 || b.Breaches > 250 || !(b.Lower < 0.5 && b.Upper > 0.5) {
		t.Errorf("%d of 400 breaches, bounds %g %g, want about half", b.Breaches, b.Lower, b.Upper)
	}
	again, err := c.Breach(VentingSpread{}, 400, 0.95, chance())
	if err != nil || again != b {
		t.Errorf("the same seed gives %+v, then %+v (%v)", b, again, err)
	}
	// the same cell's peak with an amount known to 10 %: median at the nominal, 95th
	// percentile 1.645 standard deviations above (normal)
	b, err = c.Breach(VentingSpread{AmountRel: 0.1}, 2000, 0.95, chance())
	if err != nil {
		t.Fatal(err)
	}
	start := 101325.0
	if math.Abs(b.PeakPa/r.PeakPa-1) > 0.01 || math.Abs(b.Peak95Pa/((r.PeakPa+start)*1.1645-start)-1) > 0.02 {
		t.Errorf("median %g, 95 %% %g, nominal %g Pa", b.PeakPa, b.Peak95Pa, r.PeakPa)
	}
}

// TestBinomialBounds: nothing seen in n bounds p by 1-(1-confidence)^(1/n), the
// closed form of Clopper and Pearson's for k = 0; n = 299 is the known number for
// 99 % at 95 %; k = n mirrors it.
func TestBinomialBounds(t *testing.T) {
	for _, n := range []int{1, 10, 59, 299, 1000} {
		want := 1 - math.Pow(0.05, 1/float64(n))
		lo, hi := BinomialBounds(0, n, 0.95)
		if lo != 0 || math.Abs(hi-want) > 1e-9 {
			t.Errorf("0 of %d: %g %g, want 0 %g", n, lo, hi, want)
		}
		lo, hi = BinomialBounds(n, n, 0.95)
		if hi != 1 || math.Abs(lo-(1-want)) > 1e-9 {
			t.Errorf("%d of %d: %g %g, want %g 1", n, n, lo, hi, 1-want)
		}
	}
	if _, hi := BinomialBounds(0, 299, 0.95); hi > 0.01 {
		t.Errorf("0 of 299 bounds at %g, want below 1 %%", hi)
	}
}

// TestCompare: one row each, pair and all; designs share their draws.
func TestCompare(t *testing.T) {
	c := exampleCell(t)
	options := []VentingOption{{Name: "lower", TopOpeningPa: 15e5}, {Name: "larger", TopAreaM2: 28e-6}, {Name: "thicker", WallFactor: 1.2}, {Name: "bottom", Bottom: exampleBottom()}}
	rows, err := c.Compare(options, VentingSpread{OpenLow: 0, OpenHigh: 1}, 15, 0.95, func() Chance { return rand.New(rand.NewPCG(3, 0)).Float64 })
	if err != nil {
		t.Fatal(err)
	}
	if len(rows) != 1+4+6+1 {
		t.Fatalf("%d rows, want 12", len(rows))
	}
	by := map[string]VentingRow{}
	for _, r := range rows {
		by[r.Name] = r
		if r.Breach == nil || r.Breach.Trials != 15 {
			t.Errorf("%s: breach %+v", r.Name, r.Breach)
		}
	}
	base, all := by["as it is"], by["lower + larger + thicker + bottom"]
	if math.Abs(by["thicker"].Result.HotPa/base.Result.HotPa-1.2) > 1e-12 || by["thicker"].Result.PeakPa != base.Result.PeakPa {
		t.Errorf("a thicker can moves the peak or not the strength: %+v", by["thicker"])
	}
	if !(by["larger"].Result.PeakPa < base.Result.PeakPa) || !(by["larger"].LeastOpen < base.LeastOpen) || by["bottom"].Breach.Breaches > base.Breach.Breaches || all.Breach.Breaches > base.Breach.Breaches {
		t.Errorf("an option makes it worse: base %+v larger %+v bottom %+v", base.Breach, by["larger"].Breach, by["bottom"].Breach)
	}
	if _, err := c.Compare([]VentingOption{{Name: "core", CoreDiameterM: 1e-3}}, VentingSpread{}, 0, 0.95, nil); err == nil {
		t.Error("a core in a well-mixed cell: no error")
	}
	if _, err := c.Compare(nil, VentingSpread{}, 0, 0.95, nil); err == nil {
		t.Error("nothing to compare: no error")
	}
}

// TestVentingRefusals: each case that can't be names what is wrong.
func TestVentingRefusals(t *testing.T) {
	for name, spoil := range map[string]func(c *VentingCase){
		"no gas":          func(c *VentingCase) { c.Gas = nil },
		"free volume":     func(c *VentingCase) { c.FreeVolume = 0 },
		"ambient":         func(c *VentingCase) { c.AmbientPa = -1 },
		"hot factor":      func(c *VentingCase) { c.Housing.HotFactor = 1.5 },
		"times have":      func(c *VentingCase) { c.Generation.TimeS = []float64{0, 0, 1} },
		"rate of 0":       func(c *VentingCase) { c.Generation.RateMolS = []float64{0, -1, 0} },
		"gives no gas":    func(c *VentingCase) { c.Generation.RateMolS = []float64{0, 0, 0} },
		"two or more":     func(c *VentingCase) { c.Generation.TimeS = nil },
		"temperature":     func(c *VentingCase) { c.Generation.TemperatureK = []float64{math.NaN()} },
		"top vent opens":  func(c *VentingCase) { c.Top.Opening.MeanPa = math.Inf(1) },
		"discharge":       func(c *VentingCase) { c.Top.Discharge = 0 },
		"open fraction":   func(c *VentingCase) { c.Top.OpenFraction = 1.1 },
		"bottom vent":     func(c *VentingCase) { c.Bottom = &Vent{} },
		"slices":          func(c *VentingCase) { c.Inside = exampleInside(201) },
		"isothermal":      func(c *VentingCase) { c.Inside, c.Thermal = exampleInside(5), true },
		"neither an open": func(c *VentingCase) { c.Inside = Inside{Slices: 5, LengthM: 0.06} },
		"headspace":       func(c *VentingCase) { c.Inside = exampleInside(5); c.Inside.HeadspaceM3 = 1 },
		"seat":            func(c *VentingCase) { c.Inside = exampleInside(5); c.Inside.Seat = 2 },
		"positive length": func(c *VentingCase) { c.Inside = exampleInside(5); c.Inside.LengthM = 0 },
	} {
		c := exampleCell(t)
		spoil(&c)
		if _, err := c.Simulate(); err == nil || !strings.Contains(err.Error(), name) {
			t.Errorf("%s: %v", name, err)
		}
	}
	c := exampleCell(t)
	for _, b := range []struct {
		n    int
		conf float64
		s    VentingSpread
	}{{0, 0.95, VentingSpread{}}, {10, 1, VentingSpread{}}, {10, 0.95, VentingSpread{OpenLow: 0.9, OpenHigh: 0.5}}} {
		if _, err := c.Breach(b.s, b.n, b.conf, rand.New(rand.NewPCG(1, 1)).Float64); err == nil {
			t.Errorf("%+v: no error", b)
		}
	}
	for _, shape := range []string{"square", ""} {
		if _, err := Pulse(shape, 1, 0, 1, 300); err == nil {
			t.Errorf("shape %q: no error", shape)
		}
	}
}

func TestGenerationTable(t *testing.T) {
	g := Generation{TimeS: []float64{1, 2, 4}, RateMolS: []float64{0, 2, 0}, TemperatureK: []float64{300, 500, 400}}
	for _, x := range []struct{ t, rate, kelvin float64 }{{0, 0, 300}, {1, 0, 300}, {1.5, 1, 400}, {2, 2, 500}, {3, 1, 450}, {4, 0, 400}, {5, 0, 400}} {
		if r, k := g.Rate(x.t), g.Temperature(x.t); r != x.rate || k != x.kelvin {
			t.Errorf("at %g: %g mol/s %g K, want %g %g", x.t, r, k, x.rate, x.kelvin)
		}
	}
	if g.Amount() != 3 || g.Hottest() != 500 {
		t.Errorf("amount %g, hottest %g", g.Amount(), g.Hottest())
	}
	for _, shape := range []string{"triangle", "half-sine", "rectangle"} {
		p, err := Pulse(shape, 0.25, 0.1, 2, 900)
		if err != nil || math.Abs(p.Amount()-0.25) > 1e-12 {
			t.Errorf("%s: %g mol, %v", shape, p.Amount(), err)
		}
	}
}

func BenchmarkSimulateMixed(b *testing.B)  { benchmarkSimulate(b, 0) }
func BenchmarkSimulateSlices(b *testing.B) { benchmarkSimulate(b, 10) }

func benchmarkSimulate(b *testing.B, slices int) {
	c := exampleCell(b)
	if slices > 0 {
		c.Inside = exampleInside(slices)
	}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := c.simulate(venting{relTol: 5e-4}); err != nil {
			b.Fatal(err)
		}
	}
}
