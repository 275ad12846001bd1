package report_test

import (
	"bytes"
	"encoding/xml"
	"errors"
	"io"
	"math/rand/v2"
	"strings"
	"sync"
	"testing"
	"time"

	"ventward/analysis"
	"ventward/analysis/flow"
	"ventward/report"
)

// cell is an invented cell in slices, with a bottom vent.
func cell(t *testing.T) *analysis.VentingCase {
	t.Helper()
	gas, err := flow.VentGas("NMC")
	if err != nil {
		t.Fatal(err)
	}
	pulse, err := analysis.Pulse("triangle", 0.18, 0, 0.6, 1023.15)
	if err != nil {
		t.Fatal(err)
	}
	return &analysis.VentingCase{Gas: gas, FreeVolume: 5e-6, AmbientPa: 101325, StartK: 298.15, Generation: pulse, TailS: 0.1,
		Top:     analysis.Vent{Opening: analysis.Scatter{MeanPa: 19.5e5, SDPa: 4e4, Pieces: 30}, AreaM2: 14e-6, Discharge: 0.8, OpenFraction: 0.3},
		Bottom:  &analysis.Vent{Opening: analysis.Scatter{MeanPa: 28.5e5, SDPa: 4.7e4, Pieces: 30}, AreaM2: 110e-6, Discharge: 0.7, OpenFraction: 1},
		Housing: analysis.Strength{Cold: analysis.Scatter{MeanPa: 44e5, SDPa: 1e5, Pieces: 10}, HotFactor: 0.8},
		Inside:  analysis.Inside{Slices: 2, LengthM: 0.062, CoreDiameterM: 2.5e-3, Seat: 1, ZoneM: 0.015}}
}

// adequacyOf simulates the cell once for all tests.
func adequacyOf(t *testing.T) analysis.Adequacy {
	t.Helper()
	once.Do(func() { adequate = simulated(t, cell(t)) })
	if adequate == nil {
		t.Fatal("the cell was not simulated, see the first test")
	}
	return *adequate
}

var (
	once     sync.Once
	adequate *analysis.Adequacy
)

func simulated(t *testing.T, c *analysis.VentingCase) *analysis.Adequacy {
	t.Helper()
	seed := func() analysis.Chance { return rand.New(rand.NewPCG(3, 0)).Float64 }
	spread := analysis.VentingSpread{AmountRel: 0.1, OpenLow: 0.2, OpenHigh: 0.8}
	a, err := c.Adequacy(spread, 3, 0.95, seed)
	if err != nil {
		t.Fatal(err)
	}
	rows, err := c.Compare([]analysis.VentingOption{{Name: "larger <top> vent", TopAreaM2: 21e-6}}, spread, 3, 0.95, seed)
	if err != nil {
		t.Fatal(err)
	}
	a.Options = rows
	return &a
}

// svgTexts reads an SVG as XML and returns its texts; damage fails the test.
func svgTexts(t *testing.T, f *report.Figure) string {
	t.Helper()
	var b bytes.Buffer
	if err := report.WriteSVG(&b, f, 500); err != nil {
		t.Fatal(err)
	}
	d := xml.NewDecoder(&b)
	var out strings.Builder
	for {
		tok, err := d.Token()
		if errors.Is(err, io.EOF) {
			return out.String()
		}
		if err != nil {
			t.Fatalf("%s: %v", f.Alt, err)
		}
		if c, ok := tok.(xml.CharData); ok {
			out.Write(c)
			out.WriteByte('\n')
		}
	}
}

// TestVentingFigures draws each figure as SVG and as PDF and looks for what it
// must say.
func TestVentingFigures(t *testing.T) {
	a := adequacyOf(t)
	for _, x := range []struct {
		f    *report.Figure
		want []string
	}{
		{report.VentingFigure(&a), []string{"top vent 19.5 bar", "bottom vent 28.5 bar", "housing hot 35.2", "housing cold 44.0", "no bottom vent, at the bottom"}},
		{report.OpenFractionFigure(&a), []string{"no bottom vent", "housing hot 35.2", "suffices from"}},
		{report.CompareFigure(a.Options), []string{"As it is", "Larger <top> vent", "margin", "breach"}},
	} {
		text := svgTexts(t, x.f)
		for _, w := range x.want {
			if !strings.Contains(text, w) {
				t.Errorf("%s: no %q in %q", x.f.Alt, w, text)
			}
		}
		d := report.Document{Title: "t", ID: "t", Sections: []report.Section{{Title: "s", Blocks: []report.Block{{Figure: x.f}}}}}
		if err := report.WritePDF(io.Discard, &d); err != nil {
			t.Errorf("%s: %v", x.f.Alt, err)
		}
	}
	if f := report.CompareFigure(nil); f != nil {
		t.Errorf("a figure of no designs: %v", f.Alt)
	}
	if err := report.WriteSVG(io.Discard, report.VentingFigure(&a), -1); err == nil {
		t.Error("a figure of negative width was drawn")
	}
}

// TestVentingDocument says the same in words, with and without a bottom vent.
func TestVentingDocument(t *testing.T) {
	a := adequacyOf(t)
	s := report.AdequacySentence(&a)
	for _, w := range []string{"With the top vent 30 % open and no bottom vent the pressure reaches", "; with the bottom vent", "35.2 bar gauge hot (44.0 cold)", "The top vent alone suffices down to", "With the bottom vent the top vent may even be plugged", "Between the ends"} {
		if !strings.Contains(s, w) {
			t.Errorf("no %q in: %s", w, s)
		}
	}
	one := cell(t)
	one.Bottom, one.Inside, one.Top.AreaM2 = nil, analysis.Inside{}, 4e-6
	b, err := one.Adequacy(analysis.VentingSpread{}, 0, 0.95, nil)
	if err != nil {
		t.Fatal(err)
	}
	ans := report.AdequacyAnswer(&b)
	if ans.Tone != report.Bad || !strings.Contains(ans.Sentence, "the housing gives way") || strings.Contains(ans.Sentence, "with the bottom vent") || strings.Contains(ans.Sentence, "simulated cells") {
		t.Errorf("%s: %s", ans.Word, ans.Sentence)
	}
	d := report.VentingDocument(&report.Venting{Name: "an invented cell", Adequacy: &a}, time.Unix(0, 0), "test")
	var page bytes.Buffer
	if err := report.WriteHTML(&page, d); err != nil {
		t.Fatal(err)
	}
	for _, w := range []string{"Estimate only", report.CautionClogging, report.CautionAid, "Larger &lt;top&gt; vent"} {
		if !strings.Contains(page.String(), w) {
			t.Errorf("no %q in the page", w)
		}
	}
}
