package main

import (
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"ventward/sim"
)

// sensorsRig plays a bench with a sensor of every kind, text questions, input
// registers, discrete inputs, floats in another word order, a valve switched by
// lines of text and a watchdog fed through a holding register: two real
// processes, joined by pseudo-terminals.
func sensorsRig(t *testing.T, seed uint64) *rig {
	t.Helper()
	bench, err := os.ReadFile("../../testdata/bench/sensors.toml")
	if err != nil {
		t.Fatal(err)
	}
	return newRig(t, seed, func(example string) string {
		_, after, _ := strings.Cut(example, `port = "`)
		port, _, _ := strings.Cut(after, `"`)
		return "listen = \"127.0.0.1:0\"\n" + strings.ReplaceAll(string(bench), "/dev/serial/by-id/usb-", filepath.Dir(port)+"/")
	})
}

// sensor finds a channel of the state.
func sensor(s map[string]any, name string) map[string]any {
	for _, x := range s["sensors"].([]any) {
		if m := x.(map[string]any); m["name"] == name {
			return m
		}
	}
	return nil
}

// Every channel shows what the simulator holds, through a bridge with its
// excitation, a polynomial certificate, a thermocouple against a platinum
// thermometer, a load cell, contacts by level and by bit, and a float in
// swapped words.
func TestEverySensor(t *testing.T) {
	r := sensorsRig(t, 31)
	r.serve()
	r.await("fresh sensors and a beating watchdog", 20*time.Second, ready)
	if err := r.sim.do(sim.Command{Do: "status"}); err != nil {
		t.Fatal(err)
	}
	truth := r.sim.await(t, 5*time.Second, func(rep *sim.Report) bool { return rep.State != nil }).State
	s := r.state()
	for _, c := range []struct {
		name, key    string
		want, within float64
	}{
		{"p1", "value_bar", 0, 0.25}, // 2 u of a bridge of 60 bar, its noise, the sealed-in pressure's
		{"p2", "value_bar", 0, 0.15},
		{"excitation", "value_V", 10, 0.01},
		{"clamp", "value_N", 0, 5},
		{"barometer", "value_bar", truth.AmbientPa / 1e5, 0.002},
		{"cell", "value_V", 3.62, 0.01},
		{"skin", "value_C", truth.GasC, 2},
		{"room", "value_C", truth.GasC, 0.6},
		{"cold junction", "value_C", truth.GasC + 1.5, 0.6}, // the terminal block is warmer than the room
		{"cid", "value", 1, 0},
		{"shield", "value", 1, 0},
		{"estop", "value", 1, 0},
	} {
		x := sensor(s, c.name)
		v, ok := x[c.key].(float64)
		if !ok || math.Abs(v-c.want) > c.within {
			t.Errorf("%s shows %v, want %g +- %g", c.name, x, c.want, c.within)
		}
	}
}

// The valve that is switched by lines of text opens, is read back, and shuts
// when the meter falls silent; damaged and late answers are counted and none is
// taken for a reading.
func TestValveByText(t *testing.T) {
	r := sensorsRig(t, 32)
	r.serve()
	r.await("fresh sensors and a beating watchdog", 20*time.Second, ready)
	for _, args := range [][]string{{"leak", "--mbar-s", "0.001"}, {"dump"}} {
		args = append([]string{"--data", r.data, "enter"}, append(args, "--bench", r.bench, "--who", demoWho1)...)
		if out, errs, code := program(t, args...); code != 0 {
			t.Fatalf("%v: exit %d\n%s%s", args, code, out, errs)
		}
	}
	code, body := 0, ""
	for end := time.Now().Add(10 * time.Second); code/100 != 2; time.Sleep(100 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("arm: %d %s", code, body)
		}
		r.do("reset", nil)
		body, code = r.do("arm", map[string]string{"specimen": "B-0410-01", "lot": "B-0410", "who1": demoWho1, "who2": demoWho2})
	}
	r.must("pressurise", nil)
	r.await("the supply to be read back on", 5*time.Second, func(s map[string]any) bool { return supply(s) == "on" })
	if rep := r.sim.await(t, 5*time.Second, func(rep *sim.Report) bool { return rep.Supply != nil && rep.Supply.Open }); rep.Supply.Why != "coil" {
		t.Errorf("the supply was opened by %q", rep.Supply.Why)
	}
	before := counters(r.state(), "meter")
	if err := r.sim.do(sim.Command{Do: "fault", Fault: sim.Fault{Name: "wrong-crc", Instrument: "meter", Seconds: 2}}); err != nil {
		t.Fatal(err)
	}
	r.await("damaged answers to be counted", 10*time.Second, func(s map[string]any) bool {
		return counters(s, "meter")["bad"].(float64) > before["bad"].(float64)
	})
	r.must("make-safe", nil)
	r.await("the supply to be read back off", 10*time.Second, func(s map[string]any) bool { return supply(s) == "off" })
}

func counters(s map[string]any, name string) map[string]any {
	c, _ := instrument(s, name)["counters"].(map[string]any)
	return c
}

// Two benches at once: two simulators, two daemons, folders of their own. What
// happens on one is nothing to the other.
func TestTwoBenches(t *testing.T) {
	a, b := newRig(t, 33, nil), sensorsRig(t, 34)
	a.serve()
	b.serve()
	a.await("fresh sensors and a beating watchdog", 20*time.Second, ready)
	b.await("fresh sensors and a beating watchdog", 20*time.Second, ready)
	run := armed(t, a)
	a.must("pressurise", nil)
	a.await("the supply to be read back on", 5*time.Second, func(s map[string]any) bool { return supply(s) == "on" })
	if s := b.state(); s["run"] != nil || supply(s) != "off" || text(s["bench"]) == text(a.state()["bench"]) {
		t.Errorf("the other bench: run %v, supply %s, name %v", s["run"], supply(s), s["bench"])
	}
	if n := len(b.runs()); n != 0 {
		t.Errorf("%d runs stored for the other bench", n)
	}
	a.must("make-safe", nil)
	a.await("the supply to be read back off", 10*time.Second, func(s map[string]any) bool { return supply(s) == "off" })
	found := false
	for _, m := range a.runs() {
		found = found || m["id"] == run
	}
	if !found {
		t.Errorf("run %s is not among the bench's own", run)
	}
}
