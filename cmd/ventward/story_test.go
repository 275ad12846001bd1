package main

import (
	"fmt"
	"strings"
	"testing"

	"ventward/sim"
)

// worldShots writes the lots of the demo's world as the spreadsheet that a lab
// would keep: each piece's true opening pressure, and for the bottom vents the
// strokes that the scoring punch had made.
func worldShots(w *sim.World) string {
	var b strings.Builder
	b.WriteString("lot,shot,feature,pressure_barg,medium,ramp_bar_s,temperature_C,die,strokes\n")
	strokes := 0
	for _, l := range w.Lots {
		for _, p := range l.Pieces {
			tool := ","
			if l.Under == "bottom vent" {
				strokes += 120
				tool = fmt.Sprintf("D2,%d", strokes)
			}
			for _, f := range p.Features {
				if f.Name == l.Under {
					fmt.Fprintf(&b, "%s,%s,%s,%.3f,N2,1.0,23,%s\n", l.Name, p.ID, f.Name, f.OpensPa/1e5, tool)
				}
			}
		}
	}
	return b.String()
}

// The story of the demo's world, for any seed: the bottom vents creep up as the
// punch wears; no piece is out of limits, and yet the last lot fails the
// statement of 95 % confidence and 99 % coverage; ten housings, all above their
// limit, fail only because ten are too few.
func TestLotsTellTheStory(t *testing.T) {
	for _, seed := range []uint64{1, 2, 3, 11, 77, 4242} {
		t.Logf("seed %d", seed)
		lines := lotLines(t, worldShots(sim.DefaultWorld(seed)), limitsCSV)
		verdicts := map[string]string{}
		for _, l := range lines {
			if l.Feature == "" {
				continue // an opening order
			}
			verdicts[l.Lot] = l.Verdict
			if l.Outside != 0 {
				t.Errorf("lot %s: %d pieces outside the limits, want none", l.Lot, l.Outside)
			}
		}
		for _, name := range []string{"T-031", "T-032", "T-033", "B-0410", "B-0412", "B-0414", "B-0416", "B-0418"} {
			if verdicts[name] != "pass" {
				t.Errorf("lot %s: verdict %q, want pass", name, verdicts[name])
			}
		}
		for _, l := range lines {
			switch l.Lot {
			case "B-0420":
				if l.Verdict != "fail" || l.N != 30 || !strings.Contains(l.Sentence, "although no piece seen was outside them") {
					t.Errorf("lot B-0420: n %d, %s: %s", l.N, l.Verdict, l.Sentence)
				}
			case "H-007":
				if l.Verdict != "fail" || l.N != 10 || !(l.Needed > 10 && l.Needed <= 30) || !strings.Contains(l.Sentence, "10 shots are too few") {
					t.Errorf("lot H-007: n %d, %s, needs %d: %s", l.N, l.Verdict, l.Needed, l.Sentence)
				}
			}
		}
	}
}

// The opening order across the lots of one cell is safe, and the claim is
// capped.
func TestLotOrderAcrossLots(t *testing.T) {
	lines := lotLines(t, worldShots(sim.DefaultWorld(1)), limitsCSV, "--order", "T-031,B-0410,H-007")
	n := 0
	for _, l := range lines {
		if len(l.Order) == 0 {
			continue
		}
		n++
		if l.BetaLower >= l.Beta || l.BetaLower < 4 || l.PWrongUpper != 1e-6 {
			t.Errorf("%s: beta %.2f, lower %.2f, bound %g", l.Lot, l.Beta, l.BetaLower, l.PWrongUpper)
		}
	}
	if n != 2 {
		t.Errorf("%d opening orders, want top to bottom vent and bottom vent to housing", n)
	}
	_, errs, code := program(t, "lot", "--from", writeFile(t, "shots.csv", worldShots(sim.DefaultWorld(1))), "--order", "T-031,Z-9")
	if code != exitWrong || !strings.Contains(errs, `"Z-9"`) {
		t.Errorf("unknown lot in --order: exit %d, %q", code, errs)
	}
}
