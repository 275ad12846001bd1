package main

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// lotLine is what the tests read of lot --json.
type lotLine struct {
	Lot       string     `json:"lot"`
	Feature   string     `json:"feature"`
	N         int        `json:"n"`
	K2        float64    `json:"k_two_sided"`
	K1        float64    `json:"k_one_sided"`
	Tolerance [2]float64 `json:"tolerance_barg"`
	Verdict   string     `json:"verdict"`
	Sentence  string     `json:"sentence"`
	Outside   int        `json:"outside_limits"`
	Needed    int        `json:"shots_needed"`

	Order       []string `json:"order"`
	Beta        float64  `json:"beta"`
	BetaLower   float64  `json:"beta_lower"`
	PWrongUpper float64  `json:"p_wrong_upper"`
}

const limitsCSV = "feature,low_barg,high_barg\ntop vent,17,22\nbottom vent,25,32\nhousing,40,\n"

func writeFile(t *testing.T, name, text string) string {
	t.Helper()
	p := filepath.Join(t.TempDir(), name)
	if err := os.WriteFile(p, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	return p
}

func lotLines(t *testing.T, shots, limits string, more ...string) []lotLine {
	t.Helper()
	args := append([]string{"lot", "--from", writeFile(t, "shots.csv", shots), "--json"}, more...)
	if limits != "" {
		args = append(args, "--limits", writeFile(t, "limits.csv", limits))
	}
	out, errs, code := program(t, args...)
	if code != 0 {
		t.Fatalf("exit %d: %s", code, errs)
	}
	var ls []lotLine
	for _, l := range strings.Split(strings.TrimSpace(out), "\n") {
		var x lotLine
		if err := json.Unmarshal([]byte(l), &x); err != nil {
			t.Fatalf("%q: %v", l, err)
		}
		ls = append(ls, x)
	}
	return ls
}

// The exact factors for n = 10 at 95 %/95 %: two-sided 3.39343 (exact integral;
// Howe's approximation gives 3.38191) and one-sided 2.911 (checkvalues, topic 6,
// e-Handbook of Statistical Methods).
func TestLotUsesExactFactors(t *testing.T) {
	shots := "lot,shot,feature,pressure_barg\n"
	for i := range 10 {
		shots += fmt.Sprintf("B-1,%d,bottom vent,%.2f\n", i+1, 28+0.1*float64(i%5))
	}
	l := lotLines(t, shots, limitsCSV, "--coverage", "0.95")[0]
	if d := l.K2 - 3.39343; d > 2e-5 || d < -2e-5 {
		t.Errorf("two-sided factor %.6f, want 3.39343", l.K2)
	}
	if d := l.K1 - 2.911; d > 5e-4 || d < -5e-4 {
		t.Errorf("one-sided factor %.5f, want 2.911", l.K1)
	}
}

// Damaged spreadsheets end with exit 2 and name file, line and the next move.
func TestLotRefusesDamage(t *testing.T) {
	for name, c := range map[string]struct{ text, want string }{
		"empty":  {"", "shots.csv"},
		"header": {"lot,shot,feature\nB-1,1,top vent\n", "pressure_barg"},
		"text":   {"lot,shot,feature,pressure_barg\nB-1,1,top vent,high\n", ":2"},
		"twice":  {"lot,shot,feature,pressure_barg\nB-1,1,top vent,19\nB-1,1,top vent,19.2\n", ":3"},
		"status": {"lot,shot,feature,pressure_barg,status\nB-1,1,top vent,19,good\n", ":2"},
	} {
		out, errs, code := program(t, "lot", "--from", writeFile(t, "shots.csv", c.text))
		if code != exitWrong || out != "" || !strings.Contains(errs, c.want) {
			t.Errorf("%s: exit %d, output %q, message %q, want %q in it", name, code, out, errs, c.want)
		}
	}
}
