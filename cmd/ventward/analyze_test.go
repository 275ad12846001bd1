package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

const traces = "../../testdata/traces/"

// Damaged traces end with exit 2 and a message that names file, line (where
// there is one) and the next move.
func TestAnalyzeRefusesDamage(t *testing.T) {
	for file, want := range map[string]string{
		"empty.csv": "empty", "header-only.csv": ":1:", "no-time.csv": "t_s", "text.csv": ":3: p1_barg", "hex.csv": ":3: p1_barg", "inf.csv": ":3: p1_barg",
		"backwards.csv": ":4: t_s", "ragged.csv": ":3:", "column-twice.csv": "p1_barg", "unknown-unit.csv": "kPa", "binary.csv": "UTF-8", "bare-pressure.csv": "--reference",
	} {
		out, errs, code := program(t, "analyze", traces+file)
		if code != exitWrong || out != "" {
			t.Errorf("%s: exit %d, output %q", file, code, out)
		}
		if !strings.Contains(errs, file) || !strings.Contains(errs, want) || !strings.Contains(errs, "; ") {
			t.Errorf("%s: %q, want the file, %q and a next move", file, errs, want)
		}
	}
	for _, args := range [][]string{{"analyze"}, {"analyze", "no-such.csv"}, {"analyze", traces + "burst.csv", "--rig", "oven"}, {"analyze", traces + "burst.csv", "--map", "p1"}, {"nonsense"}, {"analyze", "--volume-ml", "x", traces + "burst.csv"}} {
		if _, errs, code := program(t, args...); code != exitWrong || errs == "" {
			t.Errorf("%v: exit %d, %q", args, code, errs)
		}
	}
}

// A trace from anywhere: one opening, found once, with its feature, and JSON
// lines only on standard output.
func TestAnalyzeFindsTheOpening(t *testing.T) {
	features := filepath.Join(t.TempDir(), "features.toml")
	if err := os.WriteFile(features, []byte("[[feature]]\nname = \"top vent\"\nlow_barg = 17.0\nhigh_barg = 22.0\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	out, errs, code := program(t, "analyze", traces+"burst.csv", "--features", features, "--volume-ml", "50", "--lag-ms", "1", "--json")
	if code != 0 {
		t.Fatalf("exit %d: %s", code, errs)
	}
	openings := 0
	lines := strings.Split(strings.TrimSpace(out), "\n")
	for _, l := range lines {
		var m map[string]any
		if err := json.Unmarshal([]byte(l), &m); err != nil {
			t.Fatalf("%q: %v", l, err)
		}
		if m["event"] == "vent-opening" || m["event"] == "rupture" {
			openings++
			if m["feature"] != "top vent" {
				t.Errorf("feature %v", m["feature"])
			}
		}
	}
	if openings != 1 {
		t.Errorf("%d openings, want 1:\n%s", openings, out)
	}
	if !strings.HasPrefix(lines[len(lines)-1], `{"summary":`) {
		t.Errorf("last line %q is no summary", lines[len(lines)-1])
	}
}

// What the channels of a slow trace say of one moment is taken together: the
// voltage that was lost at 15 s counts when the skin's rise is judged at 44 s.
func TestAnalyzeTakesChannelsTogether(t *testing.T) {
	file := filepath.Join(t.TempDir(), "slow.csv")
	var b strings.Builder
	fmt.Fprintln(&b, "t_s,p_bar,t_skin_C,u_cell_V")
	for i := range 300 { // 5 Hz
		s := float64(i) / 5
		volts := 4.1 + 0.001*float64(i%3)
		if s > 15 {
			volts -= 3.9
		}
		fmt.Fprintf(&b, "%.1f,%.4f,%.2f,%.4f\n", s, 1.01+0.0005*float64(i%5), 70+0.4*s+2*math.Max(0, s-40)+0.02*float64(i%7), volts)
	}
	if err := os.WriteFile(file, []byte(b.String()), 0o644); err != nil {
		t.Fatal(err)
	}
	out, errs, code := program(t, "analyze", file, "--rig", "runaway", "--reference", "absolute", "--json")
	if code != 0 {
		t.Fatalf("exit %d: %s", code, errs)
	}
	for l := range strings.Lines(out) {
		var e struct {
			Event   string
			Decided float64 `json:"decided_s"`
		}
		if err := json.Unmarshal([]byte(l), &e); err != nil {
			t.Fatal(err)
		}
		if e.Event == "runaway" {
			if e.Decided < 42 || e.Decided > 44.5 {
				t.Errorf("decided at %.1f s, the rise began at 40 s", e.Decided)
			}
			return
		}
	}
	t.Errorf("no runaway:\n%s", out)
}

// An imported trace is a stored run that replays to the same events and
// verifies; one flipped bit of its record makes verify fail.
func TestImportReplaysAndVerifies(t *testing.T) {
	data := t.TempDir()
	out, errs, code := program(t, "--data", data, "import", traces+"burst.csv", "--volume-ml", "50")
	if code != 0 {
		t.Fatalf("exit %d: %s", code, errs)
	}
	var r struct{ Run string }
	if err := json.Unmarshal([]byte(out), &r); err != nil || r.Run == "" {
		t.Fatalf("%q: %v", out, err)
	}
	if out, errs, code := program(t, "--data", data, "verify", r.Run); code != 0 {
		t.Fatalf("verify: exit %d\n%s%s", code, out, errs)
	}
	live, _, _ := program(t, "analyze", traces+"burst.csv", "--volume-ml", "50", "--json")
	if words, _, _ := program(t, "--data", data, "replay", r.Run, "--speed", "max"); !strings.Contains(words, " bar gauge\n") && !strings.Contains(words, " bar absolute\n") {
		t.Errorf("a replayed pressure without its unit and reference:\n%s", words)
	}
	if _, errs, code := program(t, "--data", data, "verify", "nowhere"); code != exitWrong || !strings.Contains(errs, "ventward runs") {
		t.Errorf("verify of no run: exit %d, %q", code, errs)
	}
	again, _, code := program(t, "--data", data, "replay", r.Run, "--speed", "max", "--json")
	if code != 0 {
		t.Fatalf("replay: exit %d", code)
	}
	if a, b := eventsOf(t, live), eventsOf(t, again); a != b {
		t.Errorf("analyze:\n%s\nreplay:\n%s", a, b)
	}
	flip(t, filepath.Join(data, "runs", r.Run, "run.db"))
	if out, _, code := program(t, "--data", data, "verify", r.Run); code != exitNo {
		t.Errorf("verify of a damaged run: exit %d\n%s", code, out)
	}
}

// eventsOf keeps the event lines without what names the run.
func eventsOf(t *testing.T, out string) string {
	t.Helper()
	var b bytes.Buffer
	for _, l := range strings.Split(strings.TrimSpace(out), "\n") {
		var m map[string]any
		if err := json.Unmarshal([]byte(l), &m); err != nil {
			t.Fatal(err)
		}
		if m["event"] == nil {
			continue
		}
		delete(m, "run")
		j, _ := json.Marshal(m)
		b.Write(append(j, '\n'))
	}
	return b.String()
}

// flip changes one bit in the middle of the largest part of a closed run's
// file.
func flip(t *testing.T, path string) {
	t.Helper()
	if err := os.Chmod(path, 0o644); err != nil {
		t.Fatal(err)
	}
	p, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	p[len(p)/2] ^= 1
	if err := os.WriteFile(path, p, 0o644); err != nil {
		t.Fatal(err)
	}
}
