package config_test

import (
	"errors"
	"math"
	"os"
	"regexp"
	"strings"
	"testing"

	"ventward/config"
)

const exampleCase = "../testdata/venting/case.toml"

// TestVentingCase reads the commented example and checks each quantity in SI.
func TestVentingCase(t *testing.T) {
	c, err := config.VentingCase(exampleCase)
	if err != nil {
		t.Fatal(err)
	}
	v := &c.Venting
	for name, x := range map[string][2]float64{
		"free volume m³": {v.FreeVolume, 5e-6}, "ambient Pa": {v.AmbientPa, 101325}, "amount mol": {v.Generation.Amount(), 0.18},
		"temperature K": {v.Generation.Hottest(), 1023.15}, "top opening Pa": {v.Top.Opening.MeanPa, 19.5e5}, "top s Pa": {v.Top.Opening.SDPa, 0.4e5},
		"top area m²": {v.Top.AreaM2, 14e-6}, "opening time s": {v.Top.OpenTimeS, 5e-4}, "bottom area m²": {v.Bottom.AreaM2, 110e-6},
		"strength Pa": {v.Housing.Cold.MeanPa, 44e5}, "hot factor": {v.Housing.HotFactor, 0.8}, "core m": {v.Inside.CoreDiameterM, 2.5e-3},
		"permeability m²": {v.Inside.PermeabilityM2, 5e-12}, "headspace m³": {v.Inside.HeadspaceM3, 0.5e-6}, "amount u": {c.Spread.AmountRel, 0.1},
		"open low": {c.Spread.OpenLow, 0.2}, "option area": {c.Options[1].TopAreaM2, 21e-6}, "option core": {c.Options[2].CoreDiameterM, 4e-3},
	} {
		if math.Abs(x[0]-x[1]) > 1e-9*math.Abs(x[1]) {
			t.Errorf("%s: %g, want %g", name, x[0], x[1])
		}
	}
	if len(c.Options) != 5 || !c.Options[4].NoBottom || v.Thermal || v.Top.Opening.Pieces != 30 {
		t.Errorf("options %+v", c.Options)
	}
}

// TestVentingCaseProblems damages the example and looks for line, field and next
// move.
func TestVentingCaseProblems(t *testing.T) {
	text, err := os.ReadFile(exampleCase)
	if err != nil {
		t.Fatal(err)
	}
	for _, x := range []struct{ from, to, want string }{
		{"free_volume_ml = 5.0", "free_volume = 5.0", "free_volume = 5.0: unknown key; did you mean free_volume_ml"},
		{"free_volume_ml = 5.0", "free_volume_ml = -1", "is outside"},
		{"opening_barg = 19.5", "opening_bara = 19.5", "gauge pressure; write opening_barg"},
		{"opening_barg = 19.5", "opening_bar = 19.5", "says neither gauge nor absolute"},
		{"opening_barg = 19.5", "", "opening_barg: is missing"},
		{"ambient_bara = 1.01325", "ambient_barg = 0", "absolute pressure"},
		{`cathode = "NMC"`, `cathode = "XYZ"`, "use LCO/NMC"},
		{`cathode = "NMC"`, "", "add cathode"},
		{`shape = "triangle"`, `shape = "square"`, "is not one of"},
		{"hot_factor = 0.80", "hot_factor = 1.8", "is outside"},
		{"slices = 10", "slices = 1", "is outside"},
		{"core_diameter_mm = 2.5", "", ""},
		{"headspace_ml = 0.5", "headspace_ml = 50", "headspace"},
		{"open_fraction = [0.2, 0.8]", "open_fraction = [0.2, 1.8]", "is not within 0 to 1"},
		{"no_bottom_vent = true", "", "changes nothing"},
		{"tail_s = 0.2", "wall_W_K = 1", "isothermal"},
		{"duration_s = 0.6", "time_s = [0, 1]", "rate_mol_s: is missing"},
		{"[gas]", "[gas", ""},
	} {
		damaged := strings.Replace(string(text), x.from, x.to, 1)
		if damaged == string(text) {
			t.Fatalf("%q is not in the example", x.from)
		}
		_, err := config.ParseVentingCase("case.toml", []byte(damaged))
		if x.from == "core_diameter_mm = 2.5" {
			if err != nil {
				t.Errorf("without an open core: %v", err)
			}
			continue
		}
		var ps config.Problems
		if !errors.As(err, &ps) {
			t.Errorf("%s: %v, want problems", x.to, err)
			continue
		}
		if !strings.Contains(err.Error(), x.want) || !strings.HasPrefix(err.Error(), "case.toml") {
			t.Errorf("%q for %q: %v, want %q", x.to, x.from, err, x.want)
		}
	}
	measured := strings.NewReplacer("amount_mmol = 180.0", "time_s = [0.0, 0.2, 1.0]", "duration_s = 0.6", "rate_mol_s = [0.0, 0.4, 0.0]",
		`shape = "triangle"`, "", "temperature_C = 750.0", "temperature_C = [300, 700, 500]").Replace(string(text))
	c, err := config.ParseVentingCase("case.toml", []byte(measured))
	if err != nil || math.Abs(c.Venting.Generation.Amount()-0.2) > 1e-12 || c.Venting.Generation.Temperature(0.2) != 973.15 {
		t.Errorf("measured curve: %+v %v", c, err)
	}
}

func FuzzVentingCase(f *testing.F) {
	text, err := os.ReadFile(exampleCase)
	if err != nil {
		f.Fatal(err)
	}
	f.Add(regexp.MustCompile(`(?m) *#.*$`).ReplaceAll(text, nil)) // short, so that a fuzzer soon has it small
	f.Add([]byte("[cell]\nfree_volume_ml = 1e400\n[[option]]\nname = \"\"\n"))
	f.Add([]byte("[runaway]\ntime_s = [0, nan]\nrate_mol_s = []\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		c, err := config.ParseVentingCase("case.toml", data)
		if (c == nil) == (err == nil) {
			t.Fatalf("case %v and error %v", c, err)
		}
		if err == nil {
			if err := c.Venting.Check(); err != nil {
				t.Fatalf("accepted what can't be: %v", err)
			}
		}
	})
}
