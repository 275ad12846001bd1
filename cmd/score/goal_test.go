package main

import (
	"bytes"
	"strings"
	"testing"

	"ventward/sim"
)

// TestGoalNotReached: the table says by how much a goal is missed, which
// families keep it from being reached, and why.
func TestGoalNotReached(t *testing.T) {
	found := map[string]interval{"vent": {n: 900, in: 900}, "hum-vent": {n: 100, in: 60}}
	late := []reading{{"vent", 1}, {"vent", 1.2}, {"vent", 1.1}, {"pump-vent", 5}}
	goals := []goal{
		least("found", 0.99, found),
		least("few", 0.9, map[string]interval{"bulge": {n: 12, in: 10}}),
		least("reached", 0.9, map[string]interval{"vent": {n: 10, in: 10}}),
		most("late", "<= 1.3, <= 2", "%.1f", late, ceiling{0.5, 1.3}, ceiling{0.95, 2}),
		none("false", map[string]interval{"quiet": {n: 5, in: 5}, "pump": {n: 5, in: 3}}),
		within("covered", interval{n: 100, in: 85}, found),
		within("wide", interval{n: 100, in: 100}, found),
		most("nothing", "<= 1", "%.1f", nil, ceiling{0.5, 1}),
	}
	var out bytes.Buffer
	printGoals(&out, goals)
	for _, want := range []string{
		"0.030 short", "hum-vent           40 of 100: " + reasons["hum-vent"], "within what 12 trials can tell",
		"p95 2.50 times", "pump-vent          1 of 1: " + reasons["pump-vent"], "2 too many", "pump               2 of 5",
		"0.050 short", "0.020 over", "nothing  <= 1  -",
	} {
		if !strings.Contains(strings.Join(strings.Fields(out.String()), " "), strings.Join(strings.Fields(want), " ")) {
			t.Errorf("no %q in\n%s", want, out.String())
		}
	}
	if n := strings.Count(out.String(), "not reached: "); n != 5 {
		t.Errorf("%d goals are explained, want 5:\n%s", n, out.String())
	}
	if strings.Contains(out.String(), "not reached: reached") {
		t.Errorf("a goal that is reached is explained:\n%s", out.String())
	}
}

// TestReasonsAreOfScenarios: a reason whose family there is none of is never told.
func TestReasonsAreOfScenarios(t *testing.T) {
	names := map[string]bool{}
	for _, k := range sim.Scenarios() {
		names[k.Name] = true
	}
	for family := range reasons {
		if !names[family] {
			t.Errorf("a reason for %q, which is no scenario", family)
		}
	}
	for name := range names {
		if k := kindOf(name); k.Openings > 0 && reasons[name] == "" {
			t.Errorf("no reason why %q may fall short", name)
		}
	}
}

func kindOf(name string) sim.ScenarioKind {
	for _, k := range sim.Scenarios() {
		if k.Name == name {
			return k
		}
	}
	return sim.ScenarioKind{}
}
