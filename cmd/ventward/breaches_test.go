package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

const breachCSV = `lot,test,trigger,surrounding,bottom_vent,breached,status,reason
C-1,1,heater,bare,yes,no,,
C-1,2,heater,bare,yes,no,,
C-2,1,heater,bare,no,yes,,
C-2,2,heater,bare,no,no,,
C-2,3,nail,holder,no,yes,invalid,wrong cell
`

func TestBreaches(t *testing.T) {
	from := writeFile(t, "tests.csv", breachCSV)
	out, errs, code := program(t, "breaches", "--from", from, "--json")
	if code != 0 {
		t.Fatalf("exit %d: %s", code, errs)
	}
	var n int
	for _, l := range strings.Split(strings.TrimSpace(out), "\n") {
		var x map[string]any
		if err := json.Unmarshal([]byte(l), &x); err != nil || x["sentence"] == "" {
			t.Fatalf("%q: %v", l, err)
		}
		n++
	}
	if n != 3 {
		t.Errorf("%d lines, want two rates and a comparison:\n%s", n, out)
	}
	pdf := filepath.Join(t.TempDir(), "b.pdf")
	out, errs, code = program(t, "breaches", "--from", from, "-o", pdf)
	if code != 0 || !strings.Contains(out, "none seen is not none") || !strings.Contains(out, "wrong cell") {
		t.Errorf("exit %d: %s\n%s", code, errs, out)
	}
	if b, err := os.ReadFile(pdf); err != nil || !strings.HasPrefix(string(b), "%PDF-") {
		t.Errorf("no PDF: %v", err)
	}
	for _, args := range [][]string{{"breaches"}, {"breaches", "--from", from, "--lots", "C-1"}, {"breaches", "--lots", "C-1", "--with-bottom-vent", "C-2"},
		{"breaches", "--from", from, "-o", "b.doc"}, {"breaches", "--from", from, "--confidence", "2"}} {
		if _, errs, code := program(t, args...); code != exitWrong || errs == "" {
			t.Errorf("%v: exit %d, %q, want 2 and a message", args, code, errs)
		}
	}
}
