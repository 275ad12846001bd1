package report_test

import (
	"math"
	"strings"
	"testing"

	"ventward/analysis"
	"ventward/daq"
	"ventward/daq/calib"
	"ventward/detect"
	"ventward/report"
)

func of[T any](v T) *T { return &v }

// An opening's budget puts together what the event says was its expanded
// uncertainty, with the certificate's parts in it and the peak that may be
// missed outside of it.
func TestOpeningBudget(t *testing.T) {
	// A certificate with 12 mbar of offset and 0.05 % of gain, k = 1.
	curve := calib.Curve{UOffset: 1200, UGain: 5e-4}
	ch := []daq.Channel{{Name: "p1", Quantity: daq.Pressure, Curve: curve}}
	const p, u = 29.5e5, 5200.0 // Pa, k = 2
	e := &detect.Event{ID: 4, Kind: detect.VentOpening, PressurePa: of(p), PressureUPa: of(u), PeakLossPa: of(50.0)}
	b, ok := report.OpeningBudget(e, ch)
	if !ok {
		t.Fatal("no budget")
	}
	l, err := report.EvaluateBudget(&b)
	if err != nil {
		t.Fatal(err)
	}
	if math.Abs(2*l.U-u/1e5) > 1e-9 || math.Abs(l.Value-29.5) > 1e-12 || !l.Agrees {
		t.Errorf("value %g, 2u %g, agrees %v; want 29.5, %g, true", l.Value, 2*l.U, l.Agrees, u/1e5)
	}
	if s := l.Inputs[2]; math.Abs(s.Contribution-29.5*5e-4) > 1e-9 || math.Abs(s.Sensitivity-29.5) > 1e-6 {
		t.Errorf("gain adds %g with sensitivity %g, want %g and 29.5", s.Contribution, s.Sensitivity, 29.5*5e-4)
	}
	if len(l.OneSided) != 1 || math.Abs(l.OneSided[0].UpTo-5e-4) > 1e-12 {
		t.Errorf("one-sided %+v, want up to 0.0005 bar", l.OneSided)
	}
	tab := l.Table()
	if last := tab.Rows[len(tab.Rows)-1].Cells; !strings.Contains(last[0], "in no ±") {
		t.Errorf("last row %q", last)
	}
	if _, ok := report.OpeningBudget(&detect.Event{PressurePa: of(p)}, ch); ok {
		t.Error("a budget of an event without uncertainty")
	}
}

// The ± of a transducer at its end is that of the bound, and its budget says so.
func TestBudgetOfABound(t *testing.T) {
	ch := []daq.Channel{{Name: "p1", Quantity: daq.Pressure, Curve: calib.Curve{UOffset: 1500}}}
	e := &detect.Event{ID: 2, PressurePa: of(30e5), PressureUPa: of(3000.0), Flags: []detect.Flag{detect.FlagSaturated, detect.FlagLowerBound}}
	b, ok := report.OpeningBudget(e, ch)
	if !ok || !strings.Contains(b.Name, "bound below") || !strings.Contains(b.Inputs[0].Name, "end of the transducer") {
		t.Errorf("budget %q of %q, told %v", b.Name, b.Inputs[0].Name, ok)
	}
}

// The fit's degrees of freedom count through Welch and Satterthwaite (JCGM
// 100:2008, G.4.1): ν_eff = u⁴/(u_fit⁴/ν), the certificate being known.
func TestOpeningBudgetCountsDegreesOfFreedom(t *testing.T) {
	ch := []daq.Channel{{Name: "p1", Quantity: daq.Pressure, Curve: calib.Curve{UOffset: 1000}}}
	const fit, cal, nu = 2000.0, 1000.0, 6.0 // Pa, k = 1
	u := math.Hypot(fit, cal)
	b, ok := report.OpeningBudget(&detect.Event{ID: 1, PressurePa: of(20e5), PressureUPa: of(2 * u), FitDof: of(nu)}, ch)
	if !ok {
		t.Fatal("no budget")
	}
	l, err := report.EvaluateBudget(&b)
	if err != nil {
		t.Fatal(err)
	}
	want := math.Pow(u/fit, 4) * nu // 9.375
	if l.Dof == nil || math.Abs(*l.Dof-want) > 1e-6 || math.Abs(l.K-2.249) > 0.002 {
		t.Errorf("degrees of freedom %v, k %g; want %g and 2.249 (between 2.262 of 9 and 2.228 of 10, GUM table G.2)", l.Dof, l.K, want)
	}
	if x := l.Inputs[0]; x.Shape != "t" || x.Dof == nil || *x.Dof != nu {
		t.Errorf("the fit's line is %+v, want t with %g", x, nu)
	}
}

// Two sensors joined make less than the certificate of either: each counts with
// its weight, and the budget comes to what the event says.
func TestOpeningBudgetOfJoinedSensors(t *testing.T) {
	ch := []daq.Channel{{Name: "p1", Quantity: daq.Pressure, Curve: calib.Curve{UOffset: 1500, UGain: 2.5e-4}},
		{Name: "p2", Quantity: daq.Pressure, Curve: calib.Curve{UOffset: 3000, UGain: 5e-4}}, {Name: "bare", Quantity: daq.Pressure}}
	const p, fit = 28e5, 100.0
	u1, u2 := math.Hypot(1500, 2.5e-4*p), math.Hypot(3000, 5e-4*p)
	joined := math.Sqrt(1/(1/(u1*u1)+1/(u2*u2)) + fit*fit)
	e := &detect.Event{ID: 2, Kind: detect.VentOpening, Channels: []daq.ChannelID{0, 1, 2}, PressurePa: of(p), PressureUPa: of(2 * joined)}
	b, ok := report.OpeningBudget(e, ch)
	if !ok {
		t.Fatal("no budget")
	}
	l, err := report.EvaluateBudget(&b)
	if err != nil {
		t.Fatal(err)
	}
	if math.Abs(l.U*1e5/joined-1) > 1e-6 || math.Abs(l.Inputs[0].Contribution*1e5/fit-1) > 1e-3 || len(l.Inputs) != 5 {
		t.Errorf("u %g bar with a fit's part of %g in %d lines; want %g, %g, 5", l.U, l.Inputs[0].Contribution, len(l.Inputs), joined/1e5, fit/1e5)
	}
	if !strings.Contains(l.Inputs[1].Name, "p1 (counts 80 %)") || !strings.Contains(l.Inputs[3].Name, "p2 (counts 20 %)") {
		t.Errorf("lines %q and %q", l.Inputs[1].Name, l.Inputs[3].Name)
	}
}

// An area's budget: the volume counts in full, the temperature by half.
func TestAreaBudget(t *testing.T) {
	f := &detect.Fixture{VolumeM3: 50e-6, VolumeUM3: 0.5e-6, TemperatureK: 296, TemperatureU: 2.96}
	want := math.Sqrt(0.03*0.03 + 0.01*0.01 + 0.005*0.005)
	e := &detect.Event{ID: 1, AreaM2: of(8e-6), AreaUM2: of(2 * want * 8e-6)}
	b, ok := report.AreaBudget(e, f)
	if !ok {
		t.Fatal("no budget")
	}
	l, err := report.EvaluateBudget(&b)
	if err != nil {
		t.Fatal(err)
	}
	if math.Abs(l.U/l.Value-want) > 1e-5 || math.Abs(l.Value-8) > 1e-12 {
		t.Errorf("%g mm² with %g, want 8 with %g", l.Value, l.U, 8*want)
	}
	for i, w := range []float64{0.03 * 8, 0.01 * 8, 0.005 * 8} {
		if math.Abs(l.Inputs[i].Contribution-w) > 1e-4*w {
			t.Errorf("%s adds %g, want %g", l.Inputs[i].Name, l.Inputs[i].Contribution, w)
		}
	}
	e.AreaM2 = nil
	if _, ok := report.AreaBudget(e, f); ok {
		t.Error("a budget of a bound")
	}
}

// Few degrees of freedom get their own factor: GUM H.1 (end gauge) has 16
// effective degrees of freedom and k = 2.92 at 99 %; here 4 readings, 3 degrees
// of freedom, t 95 % = 3.18 (GUM table G.2).
func TestBudgetWithFewDegreesOfFreedom(t *testing.T) {
	b := analysis.Budget{Name: "mean of four", Unit: "bar", Inputs: []analysis.Input{{Name: "readings", Unit: "bar", Value: 10, U: 0.1, Shape: analysis.StudentT, Dof: 3}},
		Model: func(x []float64) float64 { return x[0] }}
	l, err := report.EvaluateBudget(&b)
	if err != nil {
		t.Fatal(err)
	}
	if l.Dof == nil || *l.Dof != 3 || math.Abs(l.K-3.18) > 0.005 {
		t.Errorf("degrees of freedom %v, k %g, want 3 and 3.18", l.Dof, l.K)
	}
	text := ""
	for _, r := range l.Table().Rows {
		text += strings.Join(r.Cells, "|") + "\n"
	}
	if !strings.Contains(text, "k = 3.18") {
		t.Errorf("no k of its own in:\n%s", text)
	}
}
