package main

import (
	"bytes"
	"encoding/json"
	"math"
	"strings"
	"testing"
)

// estimate runs the command and returns what it printed, on both outputs, and
// its exit code.
func estimate(t *testing.T, args ...string) (stdout, stderr string, code int) {
	t.Helper()
	var out, errs bytes.Buffer
	c := estimateCommand(&global{})
	c.SilenceUsage, c.SilenceErrors = true, true
	c.SetOut(&out)
	c.SetErr(&errs)
	c.SetArgs(args)
	code = exitCode(c.Execute(), &errs)
	return out.String(), errs.String(), code
}

const estimateCase = "../../testdata/venting/case.toml"

func decode(t *testing.T, text string) map[string]any {
	t.Helper()
	var m map[string]any
	if err := json.Unmarshal([]byte(text), &m); err != nil {
		t.Fatalf("%v: %s", err, text)
	}
	return m
}

// TestEstimateEnergy: 4 MPa absolute and 100 mL store 650.822095 J by ASME
// PCC-2-2008 Article 5.1, 0.000152527 kg of TNT (published check values).
func TestEstimateEnergy(t *testing.T) {
	out, _, code := estimate(t, "energy", "--pressure-barg", "38.99", "--volume-ml", "100", "--gas", "N2", "--json")
	m := decode(t, out)
	if code != exitDone || math.Abs(m["energy_J"].(float64)-650.822095) > 1e-5 || math.Abs(m["tnt_kg"].(float64)/0.000152527372-1) > 1e-8 {
		t.Errorf("exit %d: %v", code, m)
	}
	if !strings.Contains(m["edition"].(string), "PCC-2-2008") || len(m["readings"].([]any)) != 2 {
		t.Errorf("edition %v, readings %v", m["edition"], m["readings"])
	}
	out, _, _ = estimate(t, "energy", "--pressure-barg", "40", "--volume-ml", "50", "--volume-u-ml", "1", "--pressure-u-bar", "0.2")
	for _, want := range []string{"Estimate only", "Article 501", "± ", "1488617", "(windows)", "12 (eardrums), 6 (lungs), 2 (fatal)", "  Brode "} {
		if !strings.Contains(out, want) {
			t.Errorf("%q is missing in:\n%s", want, out)
		}
	}
	out, _, code = estimate(t, "energy", "--pressure-barg", "100", "--volume-ml", "1000", "--bulk-modulus-gpa", "2.2", "--json")
	if m := decode(t, out); code != exitDone || math.Abs(m["energy_J"].(float64)-22.727) > 0.01 {
		t.Errorf("water: %v", m)
	}
}

// TestEstimateArea: the steady flow through the area is the generation. API 520
// Part I, example 1 (as published: 3698 mm², from memory; 0.1 %) with Z = 0.9,
// which the command leaves out: the area is sqrt(0.9) smaller than without.
func TestEstimateArea(t *testing.T) {
	out, _, code := estimate(t, "area", "--rate-mol-s", "132.189542", "--pressure-barg", "5.68675", "--temperature-K", "348", "--molar-mass-g", "51", "--gamma", "1.11", "--cd", "0.975", "--json")
	m := decode(t, out)
	if code != exitDone || m["choked"] != true || math.Abs(m["area_mm2"].(float64)*math.Sqrt(0.9)/3698-1) > 2e-3 {
		t.Errorf("exit %d: %v", code, m)
	}
	out, _, _ = estimate(t, "area", "--rate-mol-s", "0.3", "--pressure-barg", "0.2", "--temperature-K", "900", "--molar-mass-g", "26", "--gamma", "1.2")
	if !strings.Contains(out, "subcritical") || !strings.Contains(out, "Clogging is not measured by a burst test.") {
		t.Errorf("%s", out)
	}
}

func TestEstimateVenting(t *testing.T) {
	out, _, code := estimate(t, "venting", "--case", estimateCase, "--trials", "20", "--json")
	lines := strings.Split(strings.TrimSpace(out), "\n")
	if code != exitDone || len(lines) != 2 {
		t.Fatalf("exit %d, %d lines", code, len(lines))
	}
	with, without := decode(t, lines[0]), decode(t, lines[1])
	if with["holds"] != true || with["least_open_fraction"].(float64) != 0 {
		t.Errorf("with bottom vent: %v", lines[0][:300])
	}
	if f := without["least_open_fraction"].(float64); f <= 0.1 || f >= 0.9 {
		t.Errorf("without bottom vent: least open %g", f)
	}
	o := with["openings"].([]any)[0].(map[string]any)
	if o["feature"] != "top vent" || math.Abs(o["pressure_barg"].(float64)-19.5) > 0.01 || with["end_to_end_bar"].(float64) <= 0 {
		t.Errorf("opening %v", o)
	}
	again, _, _ := estimate(t, "venting", "--case", estimateCase, "--trials", "20", "--json")
	if again != out {
		t.Error("the same seed gives another answer")
	}
	// nearly plugged and without the bottom vent it does not hold: seen in words and
	// by exit code on demand
	plugged, _, code := estimate(t, "venting", "--case", estimateCase, "--trials", "0", "--open-fraction", "0.05", "--strict")
	if code != exitDone || !strings.Contains(plugged, "the bottom vent opens at") || !strings.Contains(plugged, " bar gauge\n") || !strings.Contains(plugged, " bar gauge hot, ") || !strings.Contains(plugged, "DOES NOT HOLD") {
		t.Errorf("exit %d:\n%s", code, plugged)
	}
}

func TestEstimateCompare(t *testing.T) {
	out, _, code := estimate(t, "venting", "--case", estimateCase, "--compare", "--trials", "3")
	if code != exitDone || strings.Count(out, "|\n")+strings.Count(out, "| \n") == 0 || !strings.Contains(out, "thicker can + no bottom vent") || !strings.Contains(out, "peak bar gauge") {
		t.Errorf("exit %d:\n%s", code, out)
	}
	for _, want := range []string{"Estimate only", "Clogging is not measured by a burst test."} {
		if !strings.Contains(out, want) {
			t.Errorf("%q is missing", want)
		}
	}
}

// TestEstimateWrongUse: exit 2 and nothing on standard output.
func TestEstimateWrongUse(t *testing.T) {
	for _, args := range [][]string{
		{"energy"}, {"energy", "--pressure-barg", "40"}, {"energy", "--pressure-barg", "-1", "--volume-ml", "5"}, {"energy", "--pressure-barg", "NaN", "--volume-ml", "5"},
		{"energy", "--pressure-barg", "40", "--volume-ml", "0"}, {"energy", "--pressure-barg", "40", "--volume-ml", "5", "--gas", "He"},
		{"area", "--rate-mol-s", "1"}, {"area", "--rate-mol-s", "0", "--pressure-barg", "1", "--temperature-K", "300", "--molar-mass-g", "28", "--gamma", "1.4"},
		{"area", "--rate-mol-s", "1", "--pressure-barg", "-0.5", "--temperature-K", "300", "--molar-mass-g", "28", "--gamma", "1.4"},
		{"venting"}, {"venting", "--case", "missing.toml"}, {"venting", "--case", "estimate.go"}, {"venting", "--case", estimateCase, "--trials", "-1"},
		{"venting", "--case", estimateCase, "--confidence", "1"}, {"venting", "--case", estimateCase, "--open-fraction", "1.5"},
	} {
		out, errs, code := estimate(t, args...)
		if code != exitWrong || out != "" || !strings.HasPrefix(errs, "ventward: ") {
			t.Errorf("%v: exit %d, output %q, message %q", args, code, out, errs)
		}
	}
}
