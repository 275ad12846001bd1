package report

import (
	"strings"
	"testing"

	"ventward/analysis"
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
		doubted := strings.Count(tableText(r.resultSection().Blocks[0].Table), "kind uncertain: ")
		if want := strings.Count(c.want, " is uncertain: "); doubted != want {
			t.Errorf("%d doubts in the table, want %d", doubted, want)
		}
	}
}

func tableText(t *Table) string {
	var b strings.Builder
	for _, r := range t.Rows {
		b.WriteString(strings.Join(r.Cells, "\t") + "\n")
	}
	return b.String()
}
