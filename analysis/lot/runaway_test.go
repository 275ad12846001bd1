package lot_test

import (
	"errors"
	"math"
	"strings"
	"testing"

	"ventward/analysis/lot"
	"ventward/record/sheet"
)

const runawayHeader = "lot,test,trigger,surrounding,bottom_vent,breached,status,reason\n"

// Three of five without against none of six with a bottom vent. The bounds and
// the p-value are those of R 4 (binom.test, fisher.test; computed).
func TestRunawaysFromASheet(t *testing.T) {
	text := runawayHeader
	for i, b := range []string{"yes", "no", "yes", "yes", "no"} {
		text += "C-2," + string(rune('1'+i)) + ",Heater,bare,no," + b + ",,\n"
	}
	for i := range 6 {
		text += "C-1," + string(rune('1'+i)) + ",heater,bare,yes,no,,\n"
	}
	text += "C-1,7,heater,bare,yes,yes,invalid,thermocouple fell off\nC-1,8,,,,,invalid,\n"
	tests, ignored, err := lot.ReadRunaways(strings.NewReader(text), "tests.csv")
	if err != nil || len(ignored) != 0 || len(tests) != 13 {
		t.Fatalf("%d tests, ignored %v: %v", len(tests), ignored, err)
	}
	if tests[11].Left != "thermocouple fell off" || tests[12].Left == "" {
		t.Errorf("reasons %q, %q", tests[11].Left, tests[12].Left)
	}
	rates, contrasts, err := lot.Breaches(tests, 0.95)
	if err != nil || len(rates) != 2 || len(contrasts) != 1 {
		t.Fatalf("%+v %+v: %v", rates, contrasts, err)
	}
	near := func(name string, got, want float64) {
		t.Helper()
		if math.Abs(got-want) > 1e-6 {
			t.Errorf("%s: %.8f, want %.8f", name, got, want)
		}
	}
	without, with := rates[0].Rate, rates[1].Rate
	near("3 of 5, low", without.Low, 0.14663280)
	near("3 of 5, high", without.High, 0.94725499)
	near("0 of 6, one-sided", with.UpperOne, 1-math.Pow(0.05, 1.0/6)) // closed form
	near("Fisher", contrasts[0].P, 10.0/165)                          // C(5,3)·C(6,0)/C(11,3): all three in one group; the mirror table is more probable
	if contrasts[0].Differs != "bottom vent" || rates[0].Trigger != "heater" {
		t.Errorf("differs in %q, trigger %q", contrasts[0].Differs, rates[0].Trigger)
	}
}

// Kinds that differ in two things are not compared, and nothing is pooled.
func TestBreachesAreNeverPooled(t *testing.T) {
	tests := []lot.Runaway{{Trigger: "nail", Surrounding: "bare"}, {Trigger: "heater", Surrounding: "module", Breached: true}, {Trigger: "heater", Surrounding: "bare"}}
	rates, contrasts, err := lot.Breaches(tests, 0.95)
	if err != nil || len(rates) != 3 {
		t.Fatalf("%+v: %v", rates, err)
	}
	if len(contrasts) != 2 {
		t.Errorf("%d comparisons, want trigger and surrounding only: %+v", len(contrasts), contrasts)
	}
	if _, _, err := lot.Breaches([]lot.Runaway{{}}, 0.95); err == nil {
		t.Error("a test without a trigger was counted")
	}
	if r, _, err := lot.Breaches([]lot.Runaway{{Left: "not tested"}}, 0.95); err != nil || len(r) != 0 {
		t.Errorf("%+v: %v", r, err)
	}
}

func TestRunawaysRefuseDamage(t *testing.T) {
	for name, c := range map[string]struct {
		text  string
		line  int
		field string
	}{
		"no trigger":     {runawayHeader + "C,1,,bare,yes,no,,\n", 2, "trigger"},
		"perhaps":        {runawayHeader + "C,1,nail,bare,yes,perhaps,,\n", 2, "breached"},
		"no vent stated": {runawayHeader + "C,1,nail,bare,,no,,\n", 2, "bottom_vent"},
		"status":         {runawayHeader + "C,1,nail,bare,no,no,good,\n", 2, "status"},
		"twice":          {runawayHeader + "C,1,nail,bare,no,no,,\nC,1,nail,bare,no,no,,\n", 3, "test"},
		"no test":        {runawayHeader, 2, ""},
		"no column":      {"lot,test\n", 1, "trigger"},
		"empty":          {"", 1, ""},
	} {
		_, _, err := lot.ReadRunaways(strings.NewReader(c.text), "tests.csv")
		var p sheet.Problems
		if !errors.As(err, &p) || p[0].Line != c.line || p[0].Column != c.field || p[0].Next == "" {
			t.Errorf("%s: %v, want line %d, field %q", name, err, c.line, c.field)
		}
	}
}
