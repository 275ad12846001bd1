package main

import (
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"ventward/record"
)

// pdfText is what a reader of the PDF can select and copy.
func pdfText(t *testing.T, file string) string {
	t.Helper()
	out, err := exec.Command("pdftotext", "-layout", file, "-").CombinedOutput()
	if err != nil {
		t.Fatalf("%v: %s\nmake needs installs poppler-utils, which this check needs", err, out)
	}
	return strings.Join(strings.Fields(string(out)), " ")
}

func wants(t *testing.T, what, text string, words ...string) {
	t.Helper()
	for _, w := range words {
		if !strings.Contains(text, w) {
			t.Errorf("%s: no %q in it", what, w)
		}
	}
}

// A stored run and its lot as documents: the text can be taken out of the PDF,
// with its verdict, budget, equipment, cautions, page numbers and end mark.
func TestReportOfARunAndItsLot(t *testing.T) {
	data, dir := t.TempDir(), t.TempDir()
	out, errs, code := program(t, "--data", data, "import", traces+"burst.csv", "--volume-ml", "50", "--volume-u-ml", "1", "--lag-ms", "0.3", "--specimen", "T-9-01", "--lot", "T-9")
	if code != 0 {
		t.Fatalf("exit %d: %s", code, errs)
	}
	var r struct{ Run string }
	if err := json.Unmarshal([]byte(out), &r); err != nil {
		t.Fatal(err)
	}
	pdf, page := filepath.Join(dir, "run.pdf"), filepath.Join(dir, "run.html")
	for _, file := range []string{pdf, page} {
		if _, errs, code := program(t, "--data", data, "report", r.Run, "-o", file); code != 0 {
			t.Fatalf("%s: exit %d: %s", file, code, errs)
		}
	}
	html, err := os.ReadFile(page)
	if err != nil {
		t.Fatal(err)
	}
	for name, text := range map[string]string{"PDF": pdfText(t, pdf), "page": string(html)} {
		wants(t, name, text, r.Run, "T-9-01", " bar gauge", "Uncertainty budgets", "one-sided, in no ±", "Equipment and calibration", "Monitoring aid, not a safety device",
			"Clogging is not measured by a burst test", "End of report")
	}
	wants(t, "PDF", pdfText(t, pdf), "Page 1 of")
	if strings.Contains(string(html), "src=") || strings.Contains(string(html), "<script") {
		t.Error("the page needs something beside itself")
	}
}

// The report of lots with a cell's case: the statement, every excluded shot with
// its reason and the adequacy with the lots' own openings.
func TestReportOfLotsWithACase(t *testing.T) {
	shots := "lot,shot,feature,pressure_barg,status,reason\n"
	for i, p := range []string{"19.1", "19.6", "19.9", "19.3", "19.5", "19.2"} {
		shots += "T-9," + string(rune('1'+i)) + ",top vent," + p + ",,\n"
	}
	shots += "T-9,7,top vent,3.1,invalid,clamp leaked\n"
	from, pdf := writeFile(t, "shots.csv", shots), filepath.Join(t.TempDir(), "lot.pdf")
	limits := writeFile(t, "limits.csv", limitsCSV)
	const example = "../../testdata/venting/case.toml"
	if _, errs, code := program(t, "report", "--from", from, "--limits", limits, "--case", example, "--trials", "3", "-o", pdf); code != 0 {
		t.Fatalf("exit %d: %s", code, errs)
	}
	wants(t, "PDF", pdfText(t, pdf), "With 95 % confidence at least 99 %", "clamp leaked", "Venting adequacy (estimate only)", "openings: top vent of lot T-9", "opens at 19.4 bar (s 0.29, n 6)",
		"Of 3 simulated cells", "Have a qualified person check them", "housing hot 35.2")
	out, errs, code := program(t, "estimate", "venting", "--case", example, "--shots", from, "--trials", "0", "--json")
	if code != 0 || !strings.Contains(out, `"feature":"top vent"`) {
		t.Fatalf("exit %d: %s", code, errs)
	}
	var first ventingLine
	if err := json.Unmarshal([]byte(strings.SplitN(out, "\n", 2)[0]), &first); err != nil || first.Openings[0].PressureBarg < 19.42 || first.Openings[0].PressureBarg > 19.45 {
		t.Errorf("the top vent opens at %+v, want the lot's 19.43 bar (%v)", first.Openings, err)
	}
}

// Wrong use ends with exit 2, says what to do and writes nothing.
func TestReportRefusals(t *testing.T) {
	out := filepath.Join(t.TempDir(), "x.pdf")
	from := writeFile(t, "shots.csv", "lot,shot,feature,pressure_barg\nH-1,1,housing,45\nH-1,2,housing,46\nH-2,1,housing,45\nH-2,2,housing,46\n")
	for name, args := range map[string][]string{
		"nothing":         {"report", "-o", out},
		"two things":      {"report", "RUN", "--lot", "L", "-o", out},
		"form":            {"report", "--from", from, "-o", "x.doc"},
		"no output":       {"report", "--from", from},
		"no such run":     {"--data", t.TempDir(), "report", "nowhere", "-o", out},
		"trials alone":    {"report", "--from", from, "--trials", "5", "-o", out},
		"case twice":      {"report", "--from", from, "--case", "../../testdata/venting/case.toml", "-o", out},
		"no such case":    {"report", "--from", from, "--case", "none.toml", "-o", out},
		"negative trials": {"estimate", "venting", "--case", "../../testdata/venting/case.toml", "--trials", "-1"},
	} {
		if _, errs, code := program(t, args...); code == 0 || errs == "" {
			t.Errorf("%s: exit %d, %q", name, code, errs)
		}
	}
	if _, err := os.Stat(out); err == nil {
		t.Error("a refused report left a file")
	}
}

// analyze --budget prints where each uncertainty comes from.
func TestAnalyzeBudget(t *testing.T) {
	out, errs, code := program(t, "analyze", traces+"burst.csv", "--volume-ml", "50", "--volume-u-ml", "1", "--lag-ms", "0.3", "--budget", "--json")
	if code != 0 {
		t.Fatalf("exit %d: %s", code, errs)
	}
	units := map[string]bool{}
	for _, l := range strings.Split(strings.TrimSpace(out), "\n") {
		var b struct {
			Budget, Unit string
			U, Expanded  float64
		}
		if json.Unmarshal([]byte(l), &b) == nil && b.Budget != "" {
			units[b.Unit] = true
			if !(b.U > 0) || !(b.Expanded > b.U) {
				t.Errorf("%s: u %g, expanded %g", b.Budget, b.U, b.Expanded)
			}
		}
	}
	if !units["bar"] || !units["mm²"] {
		t.Errorf("budgets of %v, want pressure and area", units)
	}
}

// Outcome and review stand in a report as people entered them.
func TestPaperInWords(t *testing.T) {
	p := paperOf{outcome: &record.Outcome{Extent: record.Partial, Feature: record.TopVent, Remark: "hinge held", Who: "A"}, review: &record.Review{Ruling: record.RuledValid, Who: "B"}}
	if o, r := p.words(); o != "top vent, partial; hinge held (A)" || r != "valid (B)" {
		t.Errorf("outcome %q, review %q", o, r)
	}
	if o, r := (&paperOf{}).words(); o != "" || r != "" {
		t.Errorf("outcome %q, review %q of nothing", o, r)
	}
}
