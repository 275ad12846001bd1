package main

import (
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
)

// madeRunaway writes a trace of a runaway made here from scratch, at 50 Hz: a
// heater whose rate falls with temperature, own heating, a venting with a dip,
// a runaway of 0.3 mol, cooling. Its times and amount are the constants.
func madeRunaway(t *testing.T, seed uint64, gauge bool) string {
	t.Helper()
	rng := rand.New(rand.NewPCG(seed, 3))
	unit, off := "bara", 0.0
	if gauge {
		unit, off = "barg", madeAmbient
	}
	var b strings.Builder
	fmt.Fprintf(&b, "t_s,p_%s,t_skin_C,t_gas_C,u_cell_V\n", unit)
	const dt, volume, room = 0.02, 2e-3, 23.0
	skin, gas, volts := room, room, 4.15
	n0 := madeAmbient * 1e5 * volume / (8.314462618 * (room + 273.15))
	for i := 0; float64(i)*dt < 400; i++ {
		at := float64(i) * dt
		heater := 0.55 - 0.001*(skin-room)
		if at < madeRunawayS {
			skin += dt * heater * (1 + 0.1*math.Exp((at-madeSelfS)/30))
			gas = room + 0.04*(skin-room)
		} else {
			skin += dt * (140*math.Exp(-(at-madeRunawayS)/3) - (skin-room)/400)
			gas = room + 25 + 300*math.Exp(-(at-madeRunawayS)/8)
			volts = 0.01
		}
		x := math.Max(0, at-madeVentS)
		dip := -6 * x / 2 * math.Exp(1-x/2)
		n := n0 + 0.006*(1-math.Exp(-x/0.05)) + (madeMol-0.006)*(1-math.Exp(-math.Max(0, at-madeRunawayS)/0.4))
		p := n * 8.314462618 * (gas + 273.15) / volume / 1e5
		fmt.Fprintf(&b, "%.3f,%.5f,%.3f,%.3f,%.4f\n", at, p-off+0.003*rng.NormFloat64(), skin+dip+0.05*rng.NormFloat64(), gas+0.05*rng.NormFloat64(), volts+0.001*rng.NormFloat64())
	}
	path := filepath.Join(t.TempDir(), "cell.csv")
	if err := os.WriteFile(path, []byte(b.String()), 0o644); err != nil {
		t.Fatal(err)
	}
	return path
}

const (
	madeAmbient  = 1.005 // bar absolute
	madeSelfS    = 220.0
	madeVentS    = 245.0
	madeRunawayS = 290.0
	madeMol      = 0.3
)

// analyze --rig runaway finds what was made, gauge and absolute alike, and says
// in which state the volume is.
func TestAnalyzeOfARunaway(t *testing.T) {
	for _, gauge := range []bool{false, true} {
		const seed = 6
		t.Logf("seed %d, gauge %v", seed, gauge)
		out, errs, code := program(t, "analyze", madeRunaway(t, seed, gauge), "--rig", "runaway", "--volume-ml", "2000", "--volume-u-ml", "20",
			"--ambient-bar", fmt.Sprint(madeAmbient), "--capacity-Ah", "3", "--json")
		if code != 0 {
			t.Fatalf("exit %d: %s", code, errs)
		}
		lines := strings.Split(strings.TrimSpace(out), "\n")
		var s struct{ Summary summary }
		if err := json.Unmarshal([]byte(lines[len(lines)-1]), &s); err != nil {
			t.Fatal(err)
		}
		x := s.Summary.Results
		t.Logf("%v, absent %v", x, s.Summary.Absent)
		for _, w := range []struct {
			name         string
			want, within float64
		}{{"gas_mol", madeMol, 0.009}, {"gas_L", madeMol * 24.4654, 0.25}, {"gas_L_per_Ah", madeMol * 24.4654 / 3, 0.09}, {"first_venting_s", madeVentS, 0.3},
			{"self_heating_s", madeSelfS, 12}, {"runaway_s", madeRunawayS, 1}} {
			if v, ok := x[w.name].(float64); !ok || math.Abs(v-w.want) > w.within {
				t.Errorf("%s = %v, made %g +- %g: %q", w.name, x[w.name], w.want, w.within, s.Summary.Absent[w.name])
			}
		}
		if u, ok := x["gas_u_mol"].(float64); !ok || u <= 0 || u > 0.03 {
			t.Errorf("gas_u_mol %v", x["gas_u_mol"])
		}
		if ref, _ := x["gas_reference"].(string); !strings.Contains(ref, "25 °C") {
			t.Errorf("reference %q", ref)
		}
		if !strings.Contains(out, `and c; `) {
			t.Errorf("no runaway by the criteria:\n%s", out)
		}
		if strings.Contains(out, `"event":"vent-opening"`) || strings.Contains(out, `"event":"rupture"`) {
			t.Errorf("an opening of a burst bench is called:\n%s", out)
		}
	}
}

func TestAnalyzeOfARunawaySaysWhatIsAbsent(t *testing.T) {
	out, errs, code := program(t, "analyze", madeRunaway(t, 7, false), "--rig", "runaway", "--json")
	if code != 0 || !strings.Contains(out, `"gas_mol":"no volume given"`) {
		t.Errorf("exit %d %s\n%s", code, errs, out)
	}
}

// A thermocouple with reversed wires is named in a recorded trace, and nothing
// that rests on it is stated; the rest of the results is. The reading of reversed
// wires is mirrored at the cold junction (to first order in its small slope).
func TestAnalyzeNamesReversedWires(t *testing.T) {
	const seed, room = 5, 23.0
	t.Logf("seed %d", seed)
	for _, c := range []struct {
		column string
		index  int
		absent []string
	}{{"", 0, nil}, {"t_skin", 2, []string{"peak_C", "self_heating_s"}}, {"t_gas", 3, []string{"gas_mol", "gas_L"}}} {
		file := madeRunaway(t, seed, false)
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		lines := strings.Split(strings.TrimSpace(string(text)), "\n")
		for i := 1; i < len(lines) && c.index > 0; i++ {
			f := strings.Split(lines[i], ",")
			v, err := strconv.ParseFloat(f[c.index], 64)
			if err != nil {
				t.Fatal(err)
			}
			f[c.index] = fmt.Sprintf("%.3f", 2*room-v)
			lines[i] = strings.Join(f, ",")
		}
		if err := os.WriteFile(file, []byte(strings.Join(lines, "\n")+"\n"), 0o644); err != nil {
			t.Fatal(err)
		}
		out, errs, code := program(t, "analyze", file, "--rig", "runaway", "--volume-ml", "2000", "--json")
		if code != 0 {
			t.Fatalf("exit %d: %s", code, errs)
		}
		var faults, vented int
		for _, l := range strings.Split(strings.TrimSpace(out), "\n") {
			var e struct{ Event, Fault, Channel string }
			var s struct {
				Summary struct{ Absent map[string]string }
			}
			if json.Unmarshal([]byte(l), &e) == nil && e.Fault == "reversed" {
				if faults++; e.Channel != c.column {
					t.Errorf("%q reversed: %s", c.column, l)
				}
			}
			if e.Event == "first-venting" {
				vented++
			}
			if err := json.Unmarshal([]byte(l), &s); err != nil || s.Summary.Absent == nil {
				continue
			}
			for _, f := range c.absent {
				if !strings.Contains(s.Summary.Absent[f], "wires of "+c.column) {
					t.Errorf("%q reversed: %s is absent because %q", c.column, f, s.Summary.Absent[f])
				}
			}
		}
		if faults != len(c.absent)/2 || vented != 1 {
			t.Errorf("%q reversed: %d faults, %d ventings\n%s", c.column, faults, vented, out)
		}
	}
}
