package report

import (
	"strings"
	"testing"

	"ventward/analysis"
	"ventward/detect"
)

// What rests on an event whose kind is uncertain is told as a possibility, with
// the reason; what is sure is told as a fact.
func TestRunawayAnswerDoubts(t *testing.T) {
	sure := analysis.RunawayResult{Venting: 20e9, Runaway: 50e9}
	unsure := sure
	unsure.VentingDoubt, unsure.RunawayDoubt = "no dip", "the heater alone"
	only := analysis.RunawayResult{Venting: 20e9, VentingDoubt: "no dip"}
	for _, c := range []struct {
		x          *analysis.RunawayResult
		word, want string
	}{
		{&sure, "RUNAWAY", "The cell vented first at 20.00 s and ran away at 50.00 s."},
		{&unsure, "RUNAWAY UNCERTAIN", "The cell may have vented first at 20.00 s and may have run away at 50.00 s. The venting is uncertain: no dip. The runaway is uncertain: the heater alone."},
		{&only, "VENTING UNCERTAIN, NO RUNAWAY SEEN", "The cell may have vented at 20.00 s; no runaway was seen. The venting is uncertain: no dip."},
	} {
		r := Run{Gas: c.x}
		if a := r.runawayAnswer(); a.Word != c.word || !strings.HasPrefix(a.Sentence, c.want) {
			t.Errorf("%s: %s\nwant %s: %s", a.Word, a.Sentence, c.word, c.want)
		}
		doubted := strings.Count(tableText(r.resultSection().Blocks[0].Table), "(uncertain: ")
		if want := strings.Count(c.want, " is uncertain: "); doubted != want {
			t.Errorf("%d doubts in the table, want %d", doubted, want)
		}
	}
}

// The table tells by what a venting and a runaway were known, and the cautions
// what the vessel's peak may miss.
func TestRunawaySigns(t *testing.T) {
	step, dip, u := 0.1057e5, 5.4, int64(3e6)
	r := Run{Gas: &analysis.RunawayResult{Venting: 20e9, Runaway: 50e9}, LossPa: 1500, Events: []detect.Event{
		{ID: 1, Kind: detect.FirstVenting, Onset: 20e9, OnsetU: &u, ClockU: 4e6, StepPa: &step, DipC: &dip},
		{ID: 2, Kind: detect.Runaway, Onset: 50e9, Criterion: "b and c; c: dT/dt"},
	}}
	text := tableText(r.resultSection().Blocks[0].Table)
	for _, w := range []string{"20.00 s ± 0.0050 s (k = 2), pressure up by 0.11 bar, skin down by 5.4 °C", "50.00 s (criterion b and c; c: dT/dt)"} {
		if !strings.Contains(text, w) {
			t.Errorf("no %q in\n%s", w, text)
		}
	}
	if c := strings.Join(r.cautions(), "\n"); !strings.Contains(c, "The peak may be up to 0.015 bar higher") {
		t.Errorf("cautions: %s", c)
	}
}

func tableText(t *Table) string {
	var b strings.Builder
	for _, r := range t.Rows {
		b.WriteString(strings.Join(r.Cells, "\t") + "\n")
	}
	return b.String()
}
