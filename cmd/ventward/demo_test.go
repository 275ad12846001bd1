package main

import (
	"encoding/json"
	"math"
	"strings"
	"testing"

	"ventward/report"
)

// shotSeen is one shot of demo --json: what the simulator did and what was
// seen.
type shotSeen struct {
	truth  truthLine
	events []report.Line
}

func demoShots(t *testing.T, out string) []shotSeen {
	t.Helper()
	var shots []shotSeen
	for _, l := range strings.Split(strings.TrimSpace(out), "\n") {
		if strings.HasPrefix(l, `{"shot":`) && strings.Contains(l, `"truth":`) {
			var s shotSeen
			if err := json.Unmarshal([]byte(l), &s.truth); err != nil {
				t.Fatal(err)
			}
			shots = append(shots, s)
			continue
		}
		var e report.Line
		if err := json.Unmarshal([]byte(l), &e); err != nil {
			t.Fatalf("%q: %v", l, err)
		}
		s := &shots[len(shots)-1]
		s.events = append(s.events, e)
	}
	return shots
}

// The whole chain, headless: every true opening is found once with its feature,
// its pressure within twice the stated expanded uncertainty for all and within
// once for at least 80 %, nothing else is called an opening, and every run
// verifies.
func TestDemoFindsEveryOpening(t *testing.T) {
	for _, c := range []struct{ seed, shots string }{{"101", "6"}, {"102", "4"}} {
		t.Logf("seed %s", c.seed)
		data := t.TempDir()
		out, errs, code := program(t, "--data", data, "demo", "--headless", "--shots", c.shots, "--seed", c.seed, "--json")
		if code != 0 {
			t.Fatalf("exit %d\n%s\n%s", code, errs, out)
		}
		within, total := 0, 0
		for _, s := range demoShots(t, out) {
			w, n := judgeShot(t, s)
			within, total = within+w, total+n
			if v, e, code := program(t, "--data", data, "verify", s.truth.Run); code != 0 {
				t.Errorf("shot %d: verify: exit %d\n%s%s", s.truth.Shot, code, v, e)
			}
		}
		t.Logf("seed %s: %d of %d openings within their stated uncertainty", c.seed, within, total)
		if total == 0 || float64(within) < 0.8*float64(total) {
			t.Errorf("%d of %d openings within their stated uncertainty, want 80 %%", within, total)
		}
	}
}

// judgeShot compares a shot's openings with the truth; it returns how many lie
// within their stated uncertainty, of how many.
func judgeShot(t *testing.T, s shotSeen) (within, total int) {
	t.Helper()
	openings := map[int]report.Line{}
	for _, e := range s.events {
		if e.Event == "vent-opening" || e.Event == "rupture" {
			openings[e.ID] = e
		}
	}
	if len(openings) != len(s.truth.Truth) {
		t.Errorf("shot %d (%s): %d openings, truth has %d: %+v", s.truth.Shot, s.truth.Specimen, len(openings), len(s.truth.Truth), s.events)
	}
	for _, h := range s.truth.Truth {
		total++
		for id, e := range openings {
			if math.Abs(e.OnsetS-h.OnsetS) > 0.05 {
				continue
			}
			delete(openings, id)
			if e.Feature != h.Feature {
				t.Errorf("shot %d: feature %q, truth %q", s.truth.Shot, e.Feature, h.Feature)
			}
			if e.PressureBar == nil || e.PressureUBar == nil {
				t.Errorf("shot %d: no pressure: %+v", s.truth.Shot, e)
				break
			}
			off := math.Abs(*e.PressureBar - h.PressureBar)
			t.Logf("shot %d %s: off by %.4f bar, stated %.4f", s.truth.Shot, h.Feature, off, *e.PressureUBar)
			if off > 2**e.PressureUBar {
				t.Errorf("shot %d: %.4f bar, truth %.4f, stated %.4f", s.truth.Shot, *e.PressureBar, h.PressureBar, *e.PressureUBar)
			}
			if off <= *e.PressureUBar {
				within++
			}
			break
		}
	}
	for _, e := range openings {
		t.Errorf("shot %d: an opening that never was, or too far from it: %+v", s.truth.Shot, e)
	}
	return within, total
}
