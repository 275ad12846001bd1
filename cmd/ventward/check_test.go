package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"ventward/config"
)

// check tells worst-case times and possible losses, for people and as JSON lines,
// and refuses what is too slow.
func TestCheckTellsTimes(t *testing.T) {
	bench := filepath.Join(t.TempDir(), "bench.toml")
	if err := os.WriteFile(bench, config.Example(), 0o644); err != nil {
		t.Fatal(err)
	}
	out, errs, code := program(t, "check", "--bench", bench)
	if code != 0 || errs != "" {
		t.Fatalf("exit %d: %s", code, errs)
	}
	for _, want := range []string{"Specimen pressure high", "supply valve", "no guarantee", "may be up to", "watchdog relay opens", "detection's own delay", "nothing wrong"} {
		if !strings.Contains(out, want) {
			t.Errorf("check does not say %q:\n%s", want, out)
		}
	}
	out, _, code = program(t, "check", "--bench", bench, "--json")
	kinds := map[string]int{}
	for _, line := range strings.Split(strings.TrimSpace(out), "\n") {
		var m map[string]json.RawMessage
		if err := json.Unmarshal([]byte(line), &m); err != nil || len(m) != 1 {
			t.Fatalf("%q: %v", line, err)
		}
		for k := range m {
			kinds[k]++
		}
	}
	if code != 0 || kinds["path"] < 4 || kinds["peak_loss"] != 2 || kinds["summary"] != 1 {
		t.Errorf("exit %d, lines %v", code, kinds)
	}
	for _, args := range [][]string{{"check"}, {"check", "--bench", bench, "--json", "--ports"}, {"check", "--bench", "../../testdata/bench/bad/slow.toml"}} {
		if out, errs, code := program(t, args...); code != exitWrong || out != "" || errs == "" {
			t.Errorf("%v: exit %d, %q, %q", args, code, out, errs)
		}
	}
}
