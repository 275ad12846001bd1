package config_test

import (
	"math"
	"strings"
	"testing"

	"ventward/config"
)

// The worst-case time of a rule, added up by hand from the description.
func TestPathIsAddedUpByHand(t *testing.T) {
	b := sensors(t)
	var p *config.Path
	paths := b.Paths()
	for i := range paths {
		if paths[i].Rule == "Pressure high" && paths[i].Channel == "p1" {
			p = &paths[i]
		}
	}
	if p == nil {
		t.Fatalf("no path of the rule: %+v", paths)
	}
	q := b.Instruments[0].Query
	want := map[string]float64{
		"transducer and line":            0.3e-3,
		"rows of a frame gathered":       40 / 10e3,
		"frame on the line":              (40*6*4 + 25) * 255 / 254.0 * 10 / 3e6,
		"serial adapter":                 1e-3,
		"program":                        0.05,
		"demand waits for a dead device": q.WorstDelayS(),
		"write":                          0.15 + 25*10/19200.0, // OUT 1,0 and OK with 16 bytes of ends and checksums, then the timeout
	}
	total := 0.0
	for _, s := range p.Spans {
		if w, ok := want[s.What]; !ok || math.Abs(s.Seconds-w) > 1e-6+1e-3*w {
			t.Errorf("%s: %g s, want %g", s.What, s.Seconds, w)
		}
		total += s.Seconds
	}
	if len(p.Spans) != len(want) || math.Abs(total-p.TotalS) > 1e-12 || p.ConfirmS <= p.TotalS || math.Abs(p.RisePa-0.5e5*total) > 1e-6 {
		t.Errorf("%+v", p)
	}
	// timeout 0.15 s and twice the quarantine of 0.3 s are the least of it
	if d := q.WorstDelayS(); d < 0.75 || d > 0.85 {
		t.Errorf("a demand waits %g s", d)
	}
}

// Every tripping rule of the example bench has a path to each of its outputs.
func TestEveryTripHasItsPath(t *testing.T) {
	b := example(t)
	seen := map[string]bool{}
	for _, p := range b.Paths() {
		seen[p.Rule] = true
		if p.TotalS < 0.05 || p.TotalS > 3 || p.Output != "supply valve" {
			t.Errorf("%+v", p)
		}
		if p.Rule == "Opening" && (p.Note == "" || p.Channel == "") {
			t.Errorf("%+v: the detection's own delay is not told", p)
		}
	}
	for _, r := range b.Guard.Rules {
		if len(r.Trip) > 0 && !seen[r.Name] {
			t.Errorf("rule %q has no path", r.Name)
		}
	}
}

// An instrument is refused for a ramp that it can't follow, and accepted by name.
func TestTooSlowIsRefusedUnlessAccepted(t *testing.T) {
	at := func(ramp, who string) (*config.Bench, error) {
		text := strings.Replace(small, "[[instrument]]", "[test]\nramp_bar_s = "+ramp+"\n[[instrument]]", 1)
		return config.Parse("small.toml", []byte(strings.Replace(text, `role = "p"`, "role = \"p\"\nlag_ms = 20\n"+who, 1)))
	}
	// 0.5 % of 60 bar is 0.3 bar; 20.1 ms at 14 bar/s hide 0.281 bar, at 15 bar/s 0.3015 bar.
	b, err := at("14", "")
	if err != nil {
		t.Fatal(err)
	}
	if l := b.PeakLosses(); len(l) != 1 || math.Abs(l[0].LossPa-14e5*0.0201) > 1e-6 || l[0].TooSlow {
		t.Errorf("%+v", l)
	}
	if _, err = at("15", ""); err == nil || !strings.Contains(err.Error(), "slow_accepted_by") {
		t.Errorf("15 bar/s: %v", err)
	}
	b, err = at("15", `slow_accepted_by = "R. Ollen"`)
	if err != nil {
		t.Fatal(err)
	}
	if l := b.PeakLosses(); !l[0].TooSlow || l[0].Accepted != "R. Ollen" {
		t.Errorf("%+v", l)
	}
	if w := b.Warnings("").Error(); !strings.Contains(w, "R. Ollen") {
		t.Errorf("an accepted instrument is not warned of: %s", w)
	}
}
