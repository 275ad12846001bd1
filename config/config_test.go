package config_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"ventward/config"
	"ventward/daq"
	"ventward/daq/calib"
	"ventward/detect"
	"ventward/guard"
)

func example(t testing.TB) *config.Bench {
	t.Helper()
	b, err := config.Parse("kiln2.toml", config.Example())
	if err != nil {
		t.Fatalf("the example bench has problems:\n%v", err)
	}
	return b
}

func TestExampleHasNoWarning(t *testing.T) {
	if w := example(t).Warnings("2026-11-25"); len(w) > 0 {
		t.Errorf("the example bench has warnings:\n%v", w)
	}
	if w := example(t).Warnings("2029-01-01"); len(w) != 3 || !strings.Contains(w.Error(), "ran out on") {
		t.Errorf("in 2029 the certificates of p1, p2 and the barometer have run out, got:\n%v", w)
	}
}

// TestExampleValues holds what the file says against what the packages get:
// the figures are those written in kiln2.toml, converted by hand.
func TestExampleValues(t *testing.T) {
	b := example(t)
	p1, p2, baro, gas := b.Channels[0], b.Channels[1], b.Channels[4], b.Channels[6]
	for _, c := range []struct {
		what      string
		got, want float64
	}{
		{"p1 full scale, Pa", p1.High, 60e5},
		{"p1 lag, s", p1.LagS, 0.3e-3},
		{"p1 lag, standard uncertainty, s", p1.LagUS, 0.05e-3},
		{"p1 line delay, s", p1.DelayS, 0.1e-3},
		{"p1 standard uncertainty, Pa", p1.Curve.UOffset, 0.015e5},
		{"p1 relative standard uncertainty", p1.Curve.UGain, 0.00025},
		{"p1 step, Pa", p1.Step, 0.0003125 * 6e5},
		{"p1 zero drift limit, Pa/s", p1.Curve.ZeroSlopeLimit, 2000},
		{"p2 step, Pa", p2.Step, 0.000625 * 60e5 / 16},
		{"p2 open below, counts", p2.OpenBelow, 3.6 / 0.000625},
		{"barometer low, Pa", baro.Low, 30e3},
		{"barometer count of 0.01 mbar, Pa", baro.Curve.ScaleGain, 1},
		{"gas high, °C", gas.High, 200},
		{"volume, m3", b.Detect.Fixture.VolumeM3, 50e-6},
		{"volume, standard uncertainty, m3", b.Detect.Fixture.VolumeUM3, 0.5e-6},
		{"gas temperature, K", b.Detect.Fixture.TemperatureK, 296.15},
		{"mean time between false alarms, s", b.Detect.FalseAlarmS, 3.6e6},
		{"ramp, Pa/s", b.RampPaS, 1e5},
		{"trip, Pa", b.Guard.Rules[0].Limit, 56e5},
		{"deadband, Pa", b.Guard.Rules[0].Deadband, 1e5},
		{"heartbeat, s", b.Guard.HeartbeatS, 0.2},
		{"watchdog, s", b.WatchdogS, 1},
		{"watch, Pa", b.Watch.SafePa, 0.5e5},
		{"idle, s", b.Record.IdleS, 900},
		{"free space, bytes", float64(b.Record.MinFreeBytes), 2e9},
		{"poll, s", b.Instruments[2].Modbus.PollS, 0.1},
	} {
		if math.Abs(c.got-c.want) > 1e-12*math.Abs(c.want) {
			t.Errorf("%s: got %v, want %v", c.what, c.got, c.want)
		}
	}
	if p1.Reference != daq.Gauge || baro.Reference != daq.Absolute || !gas.Floats {
		t.Errorf("references or floats wrong: %q %q %v", p1.Reference, baro.Reference, gas.Floats)
	}
	if f := b.Detect.Features; len(f) != 3 || f[2].HighPa != nil || *f[0].LowPa != 17e5 {
		t.Errorf("features: %+v", f)
	}
	if c := b.Instruments[2].Modbus.Coils; len(c) != 2 || c[0].Output != 0 || !c[1].Heartbeat || c[1].Address != 1 {
		t.Errorf("coils: %+v", c)
	}
	if r := b.Guard.Rules[1]; r.Kind != guard.OnEvent || !reflect.DeepEqual(r.Events, []detect.Kind{detect.VentOpening, detect.Rupture}) || !reflect.DeepEqual(r.Trip, []int{0}) {
		t.Errorf("opening rule: %+v", r)
	}
	if !reflect.DeepEqual(b.Detect.RateHz, []float64{1e4, 1e4, 1e4, 1e4, 1e3, 1e3, 10, 10}) {
		t.Errorf("rates: %v", b.Detect.RateHz)
	}
}

// TestLaws evaluates the example's curves: readings a person would check with
// a multimeter.
func TestLaws(t *testing.T) {
	b := example(t)
	for _, c := range []struct {
		channel int
		raw     float64
		want    float64
	}{
		{0, 16000, 30e5},        // 5 V of 0..10 V, 60 bar
		{1, 12 / 0.000625, 3e6}, // 12 mA is mid range
		{1, 4 / 0.000625, 0},    // the live zero
		{4, 101325, 101325},     // "1013.25" mbar kept as counts of 0.01
		{5, 12345, 1234.5},      // "1234.5" N kept as counts of 0.1
		{6, 23.5, 23.5},
	} {
		law, err := calib.Compile(b.Channels[c.channel].Curve)
		if err != nil {
			t.Fatal(err)
		}
		if v, _ := law.Value(c.raw, 0); math.Abs(v-c.want) > 1e-6 {
			t.Errorf("%s: raw %v gives %v, want %v", b.Channels[c.channel].Name, c.raw, v, c.want)
		}
	}
}

// TestUnits checks the units against NIST SP 811 (2008), appendix B: 1 psi =
// 6894.757 Pa, 1 bar = 1e5 Pa; 0 °C = 273.15 K by definition.
func TestUnits(t *testing.T) {
	for _, c := range []struct {
		key  string
		want float64 // full scale, Pa
		ref  daq.Reference
	}{
		{"range_psig = [0, 1]", 6894.757293168361, daq.Gauge},
		{"range_psia = [0, 1]", 6894.757293168361, daq.Absolute},
		{"range_barg = [0, 1]", 1e5, daq.Gauge},
		{"range_mbara = [0, 1]", 100, daq.Absolute},
		{"range_kPag = [0, 1]", 1e3, daq.Gauge},
		{"range_MPaa = [0, 1]", 1e6, daq.Absolute},
		{"range_Pag = [0, 1]", 1, daq.Gauge},
	} {
		text := strings.Replace(small, "range_barg = [0, 60]", c.key, 1)
		text = strings.Replace(text, `reads = "barg"`, "[channel.calibration]\ngain_bar_per_count = 0.1", 1)
		b, err := config.Parse("small.toml", []byte(text))
		if err != nil {
			t.Errorf("%s: %v", c.key, err)
			continue
		}
		if got := b.Channels[0]; math.Abs(got.High-c.want) > 1e-9*c.want || got.Reference != c.ref {
			t.Errorf("%s: got %v Pa %s, want %v %s", c.key, got.High, got.Reference, c.want, c.ref)
		}
	}
}

// small is a bench without outputs.
const small = `name = "small"
[[instrument]]
name = "fast"
protocol = "frame"
port = "/dev/serial/by-id/usb-fast"
baud = 3000000
rate_hz = 10000
tick_hz = 1000000
columns = 1
[[channel]]
name = "p1"
role = "p"
instrument = "fast"
column = 1
range_barg = [0, 60]
reads = "barg"
`

func TestJSONRoundTrip(t *testing.T) {
	for _, b := range []*config.Bench{example(t), sensors(t)} {
		roundTrip(t, b)
	}
}

func roundTrip(t *testing.T, b *config.Bench) {
	t.Helper()
	first, err := json.Marshal(b)
	if err != nil {
		t.Fatal(err)
	}
	var back config.Bench
	if err := json.Unmarshal(first, &back); err != nil {
		t.Fatal(err)
	}
	second, err := json.Marshal(&back)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(first, second) {
		t.Errorf("JSON changed on its way:\n%s\n%s", first, second)
	}
	if !reflect.DeepEqual(b.Channels, back.Channels) || !reflect.DeepEqual(b.Guard, back.Guard) || !reflect.DeepEqual(b.Detect, back.Detect) || !reflect.DeepEqual(b.Instruments, back.Instruments) {
		t.Error("an option struct differs after the round trip")
	}
	if w := back.Warnings("2026-11-25"); len(w) > len(b.Warnings("2026-11-25")) {
		t.Errorf("warnings of a bench out of a record: %v", w)
	}
}

// TestTokenStaysOut makes sure that a secret is in no record.
func TestTokenStaysOut(t *testing.T) {
	b, err := config.Parse("small.toml", []byte(small+"[influx]\nurl = \"http://127.0.0.1:8086\"\nbucket = \"bench/autogen\"\ntoken = \"anna:hidden\"\n"))
	if err != nil {
		t.Fatal(err)
	}
	text, err := json.Marshal(b)
	if err != nil || bytes.Contains(text, []byte("hidden")) {
		t.Errorf("the token is in the record, or %v: %s", err, text)
	}
	if s, err := b.Influx.Secret(os.Getenv); err != nil || s != "anna:hidden" {
		t.Errorf("Secret gives %q, %v", s, err)
	}
	in := config.Influx{TokenEnv: "TOKEN"}
	if s, err := in.Secret(func(string) string { return "x:y" }); err != nil || s != "x:y" {
		t.Errorf("Secret gives %q, %v", s, err)
	}
	if _, err := in.Secret(func(string) string { return "" }); err == nil || !strings.Contains(err.Error(), "TOKEN") {
		t.Errorf("an empty variable must be named, got %v", err)
	}
}

// TestEveryKeyMatters takes each line of the example away, spoils each key and
// each value: nothing may panic, an unknown key is always named with its line,
// and whatever is accepted can be read again from JSON.
func TestEveryKeyMatters(t *testing.T) {
	lines := strings.Split(string(config.Example()), "\n")
	for i, line := range lines {
		key, _, ok := strings.Cut(line, "=")
		if !ok || strings.HasPrefix(strings.TrimSpace(line), "#") {
			continue
		}
		spoiled := append([]string(nil), lines...)
		spoiled[i] = strings.TrimSpace(key) + "xyz" + line[len(strings.TrimRight(key, " ")):]
		_, err := config.Parse("kiln2.toml", []byte(strings.Join(spoiled, "\n")))
		if !named(err, i+1, "unknown key") {
			t.Errorf("line %d, %q: an unknown key is not named: %v", i+1, spoiled[i], err)
		}
		spoiled[i] = key + "= [[1]]"
		if _, err := config.Parse("kiln2.toml", []byte(strings.Join(spoiled, "\n"))); !named(err, i+1, "") {
			t.Errorf("line %d, %q: a value of no sense is not named: %v", i+1, spoiled[i], err)
		}
		spoiled[i] = ""
		if b, err := config.Parse("kiln2.toml", []byte(strings.Join(spoiled, "\n"))); err == nil {
			if _, err := json.Marshal(b); err != nil {
				t.Errorf("without line %d: %v", i+1, err)
			}
		}
	}
}

func named(err error, line int, message string) bool {
	var ps config.Problems
	if !errors.As(err, &ps) {
		return false
	}
	for _, p := range ps {
		if p.Line == line && strings.Contains(p.Message, message) {
			return true
		}
	}
	return false
}

// TestScrambled parses random mixtures of the example's lines.
func TestScrambled(t *testing.T) {
	const seed = 20261125
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 1))
	lines := strings.Split(string(config.Example()), "\n")
	for range 300 {
		mixed := make([]string, 0, 80)
		for range 1 + rng.IntN(80) {
			mixed = append(mixed, lines[rng.IntN(len(lines))])
		}
		checkParse(t, []byte(strings.Join(mixed, "\n")))
	}
}

func FuzzParse(f *testing.F) {
	f.Add(config.Example())
	f.Add([]byte(small))
	f.Add([]byte("a = { b = [1, { c = 2 }] }\n[[x]]\n[x.y]\n[[x.y.z]]\n\"q.r\" = 1979-05-27T07:32:00Z"))
	files, _ := filepath.Glob(filepath.Join(benches, "bad", "*.toml"))
	for _, file := range files {
		data, err := os.ReadFile(file)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(data)
	}
	f.Fuzz(func(t *testing.T, data []byte) { checkParse(t, data) })
}

// checkParse holds what is true of any input: a bench that can go into a
// record, or problems that name lines of the file.
func checkParse(t *testing.T, data []byte) {
	t.Helper()
	if fs, err := config.ParseFeatures("f.toml", data); err == nil && len(fs) == 0 {
		t.Error("no feature and no problem")
	}
	b, err := config.Parse("f.toml", data)
	if err == nil {
		if _, err := json.Marshal(b); err != nil {
			t.Errorf("accepted, but can't be recorded: %v", err)
		}
		b.Warnings("2026-11-25")
		return
	}
	var ps config.Problems
	if !errors.As(err, &ps) || len(ps) == 0 || b != nil {
		t.Fatalf("want Problems and no bench, got %v", err)
	}
	last := bytes.Count(data, []byte("\n")) + 1
	for i, p := range ps {
		if p.Line < 0 || p.Line > last || p.Message == "" || (i > 0 && p.Line < ps[i-1].Line) {
			t.Errorf("problem %d: line %d of %d, message %q", i, p.Line, last, p.Message)
		}
	}
}

func TestLoad(t *testing.T) {
	dir := t.TempDir()
	if _, err := config.Load(filepath.Join(dir, "none.toml")); err == nil || !strings.Contains(err.Error(), "none.toml") {
		t.Errorf("a missing file must be named, got %v", err)
	}
	big := filepath.Join(dir, "big.toml")
	if err := os.WriteFile(big, bytes.Repeat([]byte("# \n"), 1<<19), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := config.Load(big); err == nil || !strings.Contains(err.Error(), "more than") {
		t.Errorf("a file that is too large must be refused, got %v", err)
	}
	file := filepath.Join(dir, "kiln2.toml")
	if err := os.WriteFile(file, config.Example(), 0o600); err != nil {
		t.Fatal(err)
	}
	b, err := config.Load(file)
	if err != nil || b.Source != "kiln2.toml" {
		t.Errorf("got %v, %v", b, err)
	}
}

func TestFeatures(t *testing.T) {
	fs, err := config.ParseFeatures("features.toml", []byte("[[feature]]\nname = \"top vent\"\nlow_barg = 17.0\nhigh_barg = 22.0\n[[feature]]\nname = \"housing\"\nlow_barg = 40\n"))
	if err != nil || len(fs) != 2 || *fs[0].HighPa != 22e5 || fs[1].HighPa != nil || *fs[1].LowPa != 40e5 {
		t.Errorf("got %+v, %v", fs, err)
	}
	if _, err := config.ParseFeatures("features.toml", nil); err == nil || !strings.Contains(err.Error(), "feature: is missing") {
		t.Errorf("an empty file must be refused, got %v", err)
	}
}

func BenchmarkParse(b *testing.B) {
	data := config.Example()
	b.ReportAllocs()
	b.SetBytes(int64(len(data)))
	for b.Loop() {
		if _, err := config.Parse("kiln2.toml", data); err != nil {
			b.Fatal(err)
		}
	}
}
