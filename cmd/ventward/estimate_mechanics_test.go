package main

import (
	"encoding/json"
	"math"
	"strings"
	"testing"
)

// The command's figures against published and textbook ones: a thin wall
// (Barlow; textbook), Lamé's cylinder from 50 to 100 mm under 100 MPa (Timoshenko;
// Roark, table 13.5), and a clamped plate (Chen, Civil Engineering Handbook, 2nd
// ed., eqs. 47.72-47.76). The crimp's is a balance of forces.
func TestEstimateMechanics(t *testing.T) {
	type line struct {
		name  string
		value float64
	}
	for name, x := range map[string]struct {
		args []string
		want []line
	}{
		"thin wall of 18 mm mean diameter, 3 MPa": {[]string{"--pressure-barg", "30", "--diameter-mm", "18.25", "--wall-mm", "0.25"},
			[]line{{"hoop stress, thin wall", 108}, {"axial stress, thin wall", 54}}},
		"thick wall": {[]string{"--pressure-barg", "1000", "--diameter-mm", "200", "--wall-mm", "50"},
			[]line{{"hoop stress, thick wall", 166.6666667}}},
		"plate": {[]string{"--pressure-barg", "10", "--diameter-mm", "18", "--wall-mm", "0.25", "--base-radius-mm", "7", "--base-mm", "0.3", "--modulus-gpa", "200"},
			[]line{{"deflection of the base", 0.075864931}, {"stress of the base, centre", 265.41667}, {"stress of the base, edge", 408.33333}}},
		"crimp, hot": {[]string{"--pressure-barg", "10", "--diameter-mm", "18", "--wall-mm", "0.25", "--header-mm", "16", "--crimp-n-per-mm", "16", "--hot-factor", "0.5"},
			[]line{{"force on the header", 64 * math.Pi}, {"force on the crimp a length", 4}, {"the crimp lets go, cold", 40}, {"the crimp lets go, hot", 20}}},
	} {
		out, errs, code := program(t, append([]string{"estimate", "mechanics", "--json"}, x.args...)...)
		var a mechanicsAnswer
		if err := json.Unmarshal([]byte(out), &a); err != nil || code != 0 {
			t.Fatalf("%s: exit %d: %s", name, code, errs)
		}
		got := map[string]float64{}
		for _, f := range a.Figures {
			got[f.Name] = f.Value
		}
		for _, w := range x.want {
			if v, ok := got[w.name]; !ok || math.Abs(v/w.value-1) > 1e-6 {
				t.Errorf("%s: %s is %g, want %g", name, w.name, v, w.value)
			}
		}
		if !strings.Contains(strings.Join(a.Cautions, " "), "Estimate only") {
			t.Errorf("%s: no caution", name)
		}
	}
}

// A score's opening stands with its band, and hot below cold; what misses its
// fellow is refused by name.
func TestEstimateMechanicsAsksForWhatIsMissing(t *testing.T) {
	can := []string{"estimate", "mechanics", "--pressure-barg", "40", "--diameter-mm", "21", "--wall-mm", "0.25"}
	out, errs, code := program(t, append(can, "--tensile-mpa", "400", "--score-radius-mm", "7", "--residual-um", "85", "--hot-factor", "0.8")...)
	if code != 0 || !strings.Contains(out, "the score opens, cold") || !strings.Contains(out, "the score opens, hot") || !strings.Contains(out, "Estimate only") {
		t.Errorf("exit %d: %s%s", code, out, errs)
	}
	for flag, args := range map[string][]string{
		"--tensile-mpa": {"--yield-mpa", "500"}, "--header-mm": {"--crimp-n-per-mm", "20"}, "--base-mm": {"--base-radius-mm", "9"},
		"--residual-um": {"--score-radius-mm", "7", "--tensile-mpa", "400"}, "--hot-factor": {"--hot-factor", "1.2"}, "--wall-mm": {"--wall-mm", "0"},
	} {
		if _, errs, code := program(t, append(can, args...)...); code != exitWrong || !strings.Contains(errs, flag) {
			t.Errorf("%v: exit %d: %s", args, code, errs)
		}
	}
}
