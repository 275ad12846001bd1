package main

import (
	"encoding/json"
	"fmt"
	"math"
	"math/rand"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"ventward/config"
)

// writeTrace writes a trace of n rows at the rate.
func writeTrace(t *testing.T, header string, rate float64, n int, row func(s float64) []float64) string {
	t.Helper()
	var b strings.Builder
	b.WriteString(header + "\n")
	for i := range n {
		s := float64(i) / rate
		fmt.Fprintf(&b, "%.6f", s)
		for _, v := range row(s) {
			fmt.Fprintf(&b, ",%.6f", v)
		}
		b.WriteString("\n")
	}
	path := filepath.Join(t.TempDir(), "trace.csv")
	if err := os.WriteFile(path, []byte(b.String()), 0o644); err != nil {
		t.Fatal(err)
	}
	return path
}

// answerOf runs a procedure and returns its line of JSON.
func answerOf(t *testing.T, code int, args ...string) (result map[string]any, lines []string) {
	t.Helper()
	out, errs, got := program(t, append(append([]string{"procedure"}, args...), "--json")...)
	if got != code {
		t.Fatalf("%v: exit %d, want %d: %s", args, got, code, errs)
	}
	var m struct {
		Result json.RawMessage
		Lines  []string
	}
	if err := json.Unmarshal([]byte(out), &m); err != nil {
		t.Fatalf("%v: %q: %v", args, out, err)
	}
	if err := json.Unmarshal(m.Result, &result); err != nil {
		var list []map[string]any
		if err := json.Unmarshal(m.Result, &list); err != nil {
			t.Fatal(err)
		}
		result = map[string]any{"list": list}
	}
	return result, m.Lines
}

func near(t *testing.T, what string, got any, want, tolerance float64) {
	t.Helper()
	if v, ok := got.(float64); !ok || math.Abs(v-want) > tolerance {
		t.Errorf("%s: %v, want %g within %g", what, got, want, tolerance)
	}
}

// Volume and leak rate, and the lines they print are taken by the bench
// description as they are.
func TestProcedureLinesGoIntoTheBench(t *testing.T) {
	// 100 mL at 6 bar and 50 mL at 1 bar make 150 mL at 13/3 bar, by hand.
	v, volume := answerOf(t, 0, "volume", "--known-ml", "100", "--before-bara", "6", "--fixture-bara", "1", "--after-bara", fmt.Sprint(13.0/3))
	near(t, "volume", v["volume_ml"], 50, 1e-9)
	rng := rand.New(rand.NewSource(2))
	hold := writeTrace(t, "t_s,p1_barg,t_gas_C", 100, 6000, func(s float64) []float64 {
		tk := 23 + 0.3*s/60
		return []float64{(4e5-2*s)*(tk+273.15)/296.15/1e5 - 1.01325 + 4e-4*rng.NormFloat64(), tk}
	})
	l, leak := answerOf(t, 0, "leak", hold, "--volume-ml", "50", "--limit-mbar-s", "0.05")
	near(t, "leak rate, bar/s", l["rate_bar_s"], 2e-5, 1.5*l["rate_u_bar_s"].(float64))
	near(t, "leak flow, Pa m3/s", l["flow_Pa_m3_s"], 1e-4, 1e-5)
	if l["verdict"] != "within" {
		t.Errorf("%v", l["verdict"])
	}
	text := string(config.Example())
	for _, key := range []string{"volume_ml", "volume_u_ml", "leak_max_mbar_s"} {
		at := strings.Index(text, key+" =")
		text = text[:at] + "# " + text[at:]
	}
	text = strings.Replace(text, "[test]", "[test]\n"+strings.Join(append(volume, leak...), "\n"), 1)
	b, err := config.Parse("kiln2.toml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	near(t, "volume in the bench", b.Detect.Fixture.VolumeM3, 50e-6, 1e-9)
	near(t, "leak rate in the bench", *b.Guard.LeakPaS, 2, 0.1)
	if b.Fixture.VolumeMethod != "expansion from 100 mL" || b.Fixture.LeakDate == "" {
		t.Errorf("%+v", b.Fixture)
	}
}

func TestProcedureSaysNo(t *testing.T) {
	hold := writeTrace(t, "t_s,p1_bara", 100, 3000, func(s float64) []float64 { return []float64{4 - 1e-3*s} })
	l, _ := answerOf(t, exitNo, "leak", hold, "--limit-mbar-s", "0.05")
	if l["verdict"] != "beyond" || l["absent"] == nil {
		t.Errorf("%v", l)
	}
	warm := writeTrace(t, "t_s,t_skin_C,t_gas_C", 10, 600, func(s float64) []float64 {
		a, b := 23.0, 23.0
		if s > 20 && s < 35 {
			a += 8
		}
		if s > 40 && s < 55 {
			b -= 7
		}
		return []float64{a, b}
	})
	f, _ := answerOf(t, exitNo, "finger", warm)
	if list := f["list"].([]map[string]any); len(list) != 2 || list[0]["verdict"] != "good" || list[1]["verdict"] != "reversed" {
		t.Errorf("%v", f)
	}
	closed := writeTrace(t, "t_s,p1_barg", 100, 3000, func(s float64) []float64 { return []float64{3 - 1e-3*s} })
	if _, lines := answerOf(t, exitNo, "zero", closed, "--bench", exampleFile(t)); len(lines) != 0 {
		t.Errorf("a refused zero prints %q", lines)
	}
}

// exampleFile writes the example bench to a file.
func exampleFile(t *testing.T) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "bench.toml")
	if err := os.WriteFile(path, config.Example(), 0o644); err != nil {
		t.Fatal(err)
	}
	return path
}

func TestProcedureZeroAndLag(t *testing.T) {
	rng := rand.New(rand.NewSource(4))
	bench := exampleFile(t)
	open := writeTrace(t, "t_s,p1_barg,p2_barg", 100, 3000, func(float64) []float64 {
		return []float64{0.012 + 0.002*rng.NormFloat64(), -0.004 + 0.002*rng.NormFloat64()}
	})
	z, lines := answerOf(t, 0, "zero", open, "--bench", bench)
	list := z["list"].([]map[string]any)
	if len(list) != 2 || len(lines) != 4 {
		t.Fatalf("%v, %q", z, lines)
	}
	near(t, "zero of p1, Pa", list[0]["zero_Pa"].(map[string]any)["value"], 1200, 15)
	near(t, "zero of p2, Pa", list[1]["zero_Pa"].(map[string]any)["value"], -400, 15)
	dump := writeTrace(t, "t_s,p1_barg", 10e3, 4000, func(s float64) []float64 {
		if s < 0.1 {
			return []float64{10 + 0.005*rng.NormFloat64()}
		}
		u, w := s-0.1, 2*math.Pi*700
		return []float64{10*math.Exp(-u/0.002) + 0.8*math.Exp(-0.05*w*u)*math.Sin(w*u) + 0.005*rng.NormFloat64()}
	})
	g, lines := answerOf(t, 0, "lag", dump)
	first := g["list"].([]map[string]any)[0]
	near(t, "lag, ms", first["lag_ms"], 2, 0.01)
	if len(lines) != 4 || !strings.HasPrefix(lines[2], "line_resonance_Hz = 7") && !strings.HasPrefix(lines[2], "line_resonance_Hz = 69") {
		t.Errorf("%q", lines)
	}
}

// Wrong use ends with exit 2, a message with the next move, and nothing on
// standard output.
func TestProcedureWrongUse(t *testing.T) {
	hold := writeTrace(t, "t_s,p1_barg,p2_barg", 10, 100, func(s float64) []float64 { return []float64{1, 1} })
	for _, args := range [][]string{
		{"volume"}, {"volume", "--known-ml", "100"}, {"volume", "--known-ml", "100", "--charge-mol", "1"},
		{"volume", "--known-ml", "100", "--before-bara", "6", "--after-bara", "7"}, {"volume", "--charge-l", "1", "--after-bara", "5", "--pressure-u-bar", "-1"},
		{"leak"}, {"leak", "no-such.csv"}, {"leak", hold}, {"leak", hold, "--channel", "p9"}, {"leak", hold, "--channel", "p1", "--from", "50"},
		{"leak", hold, "--channel", "p1", "--limit-mbar-s", "-1"}, {"leak", hold, "--channel", "p1", "--ambient-bar", "0"}, {"lag", hold}, {"finger", hold},
		{"zero", hold}, {"zero", hold, "--bench", "no-such.toml"}, {"lag", hold, "--reference", "sideways"}, {"shunt", "--bench", "x"},
		{"shunt", "--bench", "../../testdata/bench/sensors.toml", "--channel", "p1"}, {"shunt", "--bench", "../../testdata/bench/sensors.toml", "--channel", "p1", "--live", "--before", "1"},
		{"shunt", "--bench", "../../testdata/bench/sensors.toml", "--channel", "p2", "--before", "0", "--after", "1"},
	} {
		out, errs, code := program(t, append([]string{"procedure"}, args...)...)
		if code != exitWrong || out != "" || errs == "" {
			t.Errorf("%v: exit %d, output %q, %q", args, code, out, errs)
		}
	}
	if out, _, code := program(t, "procedure", "--help"); code != 0 || !strings.Contains(out, "switches nothing") {
		t.Errorf("help: exit %d, %q", code, out)
	}
}
