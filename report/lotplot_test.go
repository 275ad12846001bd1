package report_test

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"ventward/analysis/lot"
	"ventward/report"
)

func bar(v float64) *float64 { v *= 1e5; return &v }

var bottomLimits = lot.Limits{Low: bar(25), High: bar(32)}

// lotsOf makes lots of bottom vents with the means given, n shots each, with
// residual thickness, strokes and the measurement's own spread.
func lotsOf(t *testing.T, n int, means ...float64) []lot.Summary {
	t.Helper()
	const seed = 11
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	var shots []lot.Shot
	for i, m := range means {
		for j := range n {
			z := rng.NormFloat64()
			um, strokes := (40+2*z)*1e-6, float64(1000*i+30*j)
			shots = append(shots, lot.Shot{Lot: fmt.Sprintf("B-%d", i+1), ID: fmt.Sprint(j + 1), Feature: lot.BottomVent, PressurePa: (m + 0.47*z) * 1e5, Status: lot.Valid,
				ResidualM: &um, Strokes: &strokes, Die: "D2", MeasurementPa: bar(0.01)})
		}
	}
	shots = append(shots, lot.Shot{Lot: "B-1", ID: "90", Feature: lot.BottomVent, PressurePa: 29e5, Status: lot.Saturated, Die: "D2"},
		lot.Shot{Lot: "B-1", ID: "91", Feature: lot.BottomVent, PressurePa: 3e5, Status: lot.Invalid, Reason: "clamp <leaked>", Die: "D2"})
	var out []lot.Summary
	for _, g := range lot.Split(shots, nil) {
		out = append(out, lot.Describe(g, bottomLimits, lot.Statement{Confidence: 0.95, Coverage: 0.99}))
	}
	return out
}

func pointers(s []lot.Summary) (out []*lot.Summary) {
	for i := range s {
		out = append(out, &s[i])
	}
	return out
}

// Every plot of a lot renders as SVG from the same values as in the PDF and
// says what it has to.
func TestLotFigures(t *testing.T) {
	sums := lotsOf(t, 20, 27.4, 28.6, 30.5)
	wear := sums[0].Wear
	if wear == nil || sums[0].Thickness == nil {
		t.Fatal("no trends in the first lot")
	}
	var x, y []float64
	for i := range sums[0].Group.Shots {
		if s := &sums[0].Group.Shots[i]; s.Status == lot.Valid {
			x, y = append(x, *s.Strokes), append(y, s.PressurePa)
		}
	}
	chart, said := report.ChartFigure(lot.BottomVent, pointers(sums))
	sum, sumSaid := report.SumFigure(lot.BottomVent, pointers(sums))
	for _, c := range []struct {
		f    *report.Figure
		want []string
	}{
		{report.DotFigure(&sums[0]), []string{"at least 25.0", "at most 32.0", "95 % / 99 %"}},
		{report.CourseFigure(lot.BottomVent, pointers(sums)), []string{"B-1", "B-3", "at most 32.0"}},
		{report.ThicknessFigure(&sums[0], 0.95), []string{"residual thickness in µm"}},
		{report.WearFigure("B", lot.BottomVent, x, y, wear, bottomLimits, sums[0].Statement), []string{"strokes of the punch in thousands"}},
		{chart, []string{"signal", "B-2"}},
		{sum, []string{"signal", "B-2", "cumulative sum, in s"}},
	} {
		text := svgTexts(t, c.f)
		for _, w := range c.want {
			if !strings.Contains(text, w) {
				t.Errorf("%s: no %q in %q", c.f.Alt, w, text)
			}
		}
	}
	if !strings.Contains(said, "shift up against lot B-1") || !strings.Contains(said, "of lot B-2") {
		t.Errorf("a lot that lies 2.5 s higher: %q", said)
	}
	if !strings.Contains(sumSaid, "Cumulative sums: a shift up against lot B-1") || !strings.Contains(sumSaid, "of lot B-2") {
		t.Errorf("cumulative sums: %q", sumSaid)
	}
	if _, said := report.SumFigure(lot.BottomVent, pointers(lotsOf(t, 20, 29, 27))); !strings.Contains(said, "a shift down") {
		t.Errorf("cumulative sums of a lower lot: %q", said)
	}
	// The limit's run length: Montgomery's table for k = 1/2, h = 4.77 has 370 (from memory).
	if l, err := lot.CUSUMRunBoth(0.5, 4.77, 0); err != nil || l < 365 || l > 376 {
		t.Errorf("run length %g, %v", l, err)
	}
	if f, _ := report.SumFigure(lot.BottomVent, pointers(lotsOf(t, 5, 28, 29))); f != nil {
		t.Error("cumulative sums about five shots")
	}
	if f, _ := report.ChartFigure(lot.BottomVent, pointers(lotsOf(t, 5, 28, 29))); f != nil {
		t.Error("a chart about five shots")
	}
	if _, said := report.ChartFigure(lot.BottomVent, pointers(lotsOf(t, 20, 28, 28))); !strings.Contains(said, "no shift") {
		t.Errorf("equal lots: %q", said)
	}
}

// An excluded shot far out stands at the edge and does not squeeze the others:
// the axis keeps to what counts and the limits.
func TestExcludedShotsDontSqueeze(t *testing.T) {
	f := report.DotFigure(&lotsOf(t, 20, 28)[0]) // with an excluded one at 3 bar
	if f.Plot.X.Min < 24 || f.Plot.X.Max > 33 {
		t.Errorf("axis from %.1f to %.1f bar, want about 25 to 32", f.Plot.X.Min, f.Plot.X.Max)
	}
	s := lot.Describe(lot.Group{Lot: "B", Feature: lot.BottomVent, Shots: []lot.Shot{{ID: "1", Status: lot.Invalid, PressurePa: 3e5}}}, bottomLimits, lot.Statement{Confidence: 0.95, Coverage: 0.99})
	if f := report.DotFigure(&s); f == nil || f.Plot.X.Min > 3 {
		t.Error("a lot of excluded shots only has no plot of them")
	}
}

// A page lists every excluded shot with its reason, escaped, the verdict, the
// measurement's share and the cautions.
func TestLotDocument(t *testing.T) {
	r := report.LotReport{Statement: lot.Statement{Confidence: 0.95, Coverage: 0.99}, Sums: lotsOf(t, 20, 27.4, 31.2), Source: "a test", Made: time.Unix(0, 0), Program: "test"}
	var b bytes.Buffer
	if err := report.WriteHTML(&b, report.LotDocument(&r)); err != nil {
		t.Fatal(err)
	}
	for _, w := range []string{"clamp &lt;leaked&gt;", "transducer saturated", "FAIL", "excluded (shot ", "Bench s / lot s", report.CautionNormal, report.CautionBound, "exponentially weighted mean"} {
		if !strings.Contains(b.String(), w) {
			t.Errorf("no %q in the page", w)
		}
	}
	var pdf, again bytes.Buffer
	if err := report.WritePDF(&pdf, report.LotDocument(&r)); err != nil {
		t.Fatal(err)
	}
	if err := report.WritePDF(&again, report.LotDocument(&r)); err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(pdf.Bytes(), again.Bytes()) {
		t.Error("the same document gives other bytes the second time")
	}
}

// A measurement that scatters by more than a tenth of the lot is said to.
func TestCoarseMeasurement(t *testing.T) {
	sums := lotsOf(t, 20, 28)
	g := sums[0].Group
	for i := range g.Shots {
		g.Shots[i].MeasurementPa = bar(0.2)
	}
	s := lot.Describe(g, bottomLimits, sums[0].Statement)
	l := report.LotSummary(&s)
	if l.Ratio == nil || *l.FineEnough || *l.Ratio < 0.3 || *l.Ratio > 0.8 {
		t.Fatalf("ratio %v", l.Ratio)
	}
	if c := strings.Join(report.LotCautions(&s), "\n"); !strings.Contains(c, "The measurement itself scatters by") {
		t.Errorf("cautions: %s", c)
	}
}
