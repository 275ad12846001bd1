package main

import (
	"encoding/json"
	"strings"
	"testing"
)

// 299 shots without a failure and 473 for both extremes show 95/99 (Wilks;
// checkvalues wilks1.0.99.0.95 and wilks2.0.99.0.95).
func TestEstimateShots(t *testing.T) {
	out, errs, code := program(t, "estimate", "shots", "--json", "--mean-barg", "28.5", "--s-bar", "0.47", "--low-barg", "25", "--high-barg", "32")
	if code != 0 {
		t.Fatalf("exit %d: %s", code, errs)
	}
	var l shotsLine
	if err := json.Unmarshal([]byte(out), &l); err != nil {
		t.Fatal(err)
	}
	if l.NoneOutside != 299 || l.Extremes != 473 {
		t.Errorf("%d and %d shots, want 299 and 473", l.NoneOutside, l.Extremes)
	}
	if l.Normal == nil || *l.Normal < 5 || *l.Normal > 7 || *l.Factor < 7.4 || *l.Factor > 7.5 { // k two-sided 95/99: n = 4 10.26, n = 7 5.8
		t.Errorf("normal: %s", out)
	}
	out, _, code = program(t, "estimate", "shots", "--mean-barg", "31", "--s-bar", "0.47", "--low-barg", "25", "--high-barg", "32")
	if code != 0 || !strings.Contains(out, "not with up to") {
		t.Errorf("exit %d: %s", code, out)
	}
	for _, args := range [][]string{{"--mean-barg", "28"}, {"--low-barg", "28"}, {"--coverage", "3"}, {"--mean-barg", "28", "--s-bar", "0", "--low-barg", "25"}} {
		if _, errs, code := program(t, append([]string{"estimate", "shots"}, args...)...); code != exitWrong || errs == "" {
			t.Errorf("%v: exit %d, %q", args, code, errs)
		}
	}
}
