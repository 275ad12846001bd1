package main

import (
	"encoding/json"
	"math"
	"strings"
	"testing"

	"ventward/report"
)

// cellSeen is one cell of demo --rig runaway --json.
type cellSeen struct {
	truth   truthLine
	events  []report.Line
	results map[string]any
	absent  map[string]string
}

func cellsSeen(t *testing.T, out string) []cellSeen {
	t.Helper()
	var cells []cellSeen
	for _, l := range strings.Split(strings.TrimSpace(out), "\n") {
		switch {
		case strings.HasPrefix(l, `{"shot":`) && strings.Contains(l, `"truth":`):
			var c cellSeen
			if err := json.Unmarshal([]byte(l), &c.truth); err != nil {
				t.Fatal(err)
			}
			cells = append(cells, c)
		case strings.HasPrefix(l, `{"summary":`):
			var s struct {
				Summary struct {
					Results map[string]any
					Absent  map[string]string
				}
			}
			if err := json.Unmarshal([]byte(l), &s); err != nil {
				t.Fatal(err)
			}
			c := &cells[len(cells)-1]
			c.results, c.absent = s.Summary.Results, s.Summary.Absent
		default:
			var e report.Line
			if err := json.Unmarshal([]byte(l), &e); err != nil {
				t.Fatalf("%q: %v", l, err)
			}
			c := &cells[len(cells)-1]
			c.events = append(c.events, e)
		}
	}
	return cells
}

// The runaway rig end to end, headless, beside a liquid burst bench that runs at
// the same time with terminals and a data folder of its own: truth comes before events; first
// venting, self-heating and runaway are found, nothing is called an opening of
// a burst bench, and the results hold the truth within what they state.
func TestDemoOfTheRunawayRig(t *testing.T) {
	const seed = "31"
	t.Logf("seed %s", seed)
	data, other := t.TempDir(), t.TempDir()
	type ended struct {
		out, errs string
		code      int
	}
	liquid := make(chan ended, 1)
	go func() {
		defer close(liquid)
		out, errs, code := program(t, "--data", other, "demo", "--medium", "liquid", "--headless", "--shots", "2", "--seed", seed, "--json")
		liquid <- ended{out, errs, code}
	}()
	out, errs, code := program(t, "--data", data, "demo", "--rig", "runaway", "--headless", "--shots", "1", "--seed", seed, "--json")
	beside := <-liquid
	if code != 0 || beside.code != 0 {
		t.Fatalf("exit %d\n%s\n%s\nbeside it: exit %d\n%s\n%s", code, errs, out, beside.code, beside.errs, beside.out)
	}
	for _, s := range demoShots(t, beside.out) {
		judgeShot(t, s)
	}
	t.Log(errs)
	cells := cellsSeen(t, out)
	if len(cells) != 1 {
		t.Fatalf("%d cells told:\n%s", len(cells), out)
	}
	for _, c := range cells {
		judgeCell(t, &c)
		name, _, _ := strings.Cut(c.truth.Specimen, "-01")
		if l, e, code := program(t, "--data", data, "lot", name); code != 0 || !strings.Contains(l, "the pressure is the vessel's") {
			t.Errorf("lot %s: exit %d: a vessel's pressure is no opening pressure\n%s%s", name, code, l, e)
		}
		if v, e, code := program(t, "--data", data, "verify", c.truth.Run); code != 0 {
			t.Errorf("shot %d: verify: exit %d\n%s%s", c.truth.Shot, code, v, e)
		}
	}
}

func judgeCell(t *testing.T, c *cellSeen) {
	t.Helper()
	n := c.truth.Shot
	truth := map[string]truthEvent{}
	for _, h := range c.truth.Truth {
		truth[h.Event] = h
	}
	count := map[string]int{}
	for _, e := range c.events {
		count[e.Event]++
		if e.Event == "vent-opening" || e.Event == "rupture" {
			t.Errorf("shot %d: a vessel has no %s: %+v", n, e.Event, e)
		}
	}
	if count["first-venting"] != 1 || count["runaway"] != 1 {
		t.Errorf("shot %d: events %v", n, count)
	}
	get := func(name string) float64 {
		v, ok := c.results[name].(float64)
		if !ok {
			t.Errorf("shot %d: no %s: %q", n, name, c.absent[name])
			return math.NaN()
		}
		return v
	}
	for _, w := range []struct {
		result, event string
		within        float64 // s
	}{{"first_venting_s", "first-venting", 0.05}, {"self_heating_s", "self-heating", 15}, {"runaway_s", "runaway", 1}} {
		h, ok := truth[w.event]
		if !ok {
			t.Errorf("shot %d: the truth has no %s", n, w.event)
			continue
		}
		if off := get(w.result) - h.OnsetS; !(math.Abs(off) <= w.within) {
			t.Errorf("shot %d: %s off by %.3f s", n, w.result, off)
		}
	}
	gas, u, really := get("gas_mol"), get("gas_u_mol"), c.truth.Results["gas_mol"]
	t.Logf("shot %d: %.4f mol +- %.4f, truth %.4f", n, gas, u, really)
	if !(math.Abs(gas-really) <= 1.5*u) || !(u < 0.06*really) {
		t.Errorf("shot %d: %.4f mol +- %.4f, truth %.4f", n, gas, u, really)
	}
	if r := get("dpdt_max_bar_s") / c.truth.Results["dpdt_max_bar_s"]; !(r > 0.7 && r < 1.3) {
		t.Errorf("shot %d: (dp/dt)max is %.2f of the truth", n, r)
	}
	if d := get("peak_C") - c.truth.Results["peak_C"]; !(math.Abs(d) < 10) {
		t.Errorf("shot %d: peak temperature off by %.1f °C", n, d)
	}
	if s, _ := c.results["gas_reference"].(string); !strings.Contains(s, "25 °C") {
		t.Errorf("shot %d: gas reference %q", n, s)
	}
}

func TestDemoRefusesALiquidVessel(t *testing.T) {
	for _, args := range [][]string{{"--rig", "runaway", "--medium", "liquid"}, {"--rig", "oven"}, {"--medium", "steam"}} {
		if _, errs, code := program(t, append([]string{"demo", "--headless"}, args...)...); code != 2 || !strings.Contains(errs, "--"+strings.TrimPrefix(args[0], "--")) && !strings.Contains(errs, "--medium") {
			t.Errorf("%v: exit %d, %q", args, code, errs)
		}
	}
}
