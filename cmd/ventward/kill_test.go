package main

import (
	"encoding/json"
	"syscall"
	"testing"
	"time"

	"ventward/sim"
)

// kill -9 of the daemon in mid-run: the simulated watchdog relay opens and
// shuts the supply, because edges no longer come; after a restart the run is
// there up to the last acknowledged commit, marked interrupted, and verifies.
func TestKilledInMidRun(t *testing.T) {
	r := newRig(t, 11, nil)
	r.serve()
	r.await("fresh sensors and a beating watchdog", 20*time.Second, ready)
	run := armed(t, r)
	r.must("pressurise", nil)
	r.await("the supply to be read back on", 5*time.Second, func(s map[string]any) bool { return supply(s) == "on" })
	time.Sleep(1500 * time.Millisecond)
	killed := sim.Monotonic()
	if err := r.daemon.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	r.daemon.Wait()

	shut := r.sim.await(t, 5*time.Second, func(rep *sim.Report) bool { return rep.Supply != nil && !rep.Supply.Open })
	if shut.Supply.Why != "watchdog" {
		t.Errorf("the supply was shut by %q, want the watchdog", shut.Supply.Why)
	}
	t.Logf("supply shut %.2f s after the kill", seconds(shut.AtNS-killed))

	r.sim.do(sim.Command{Do: "reset-watchdog"})
	r.serve()
	r.await("the restarted daemon", 20*time.Second, func(s map[string]any) bool { return s["phase"] == "at rest" })
	found := false
	for _, m := range r.runs() {
		if m["id"] == run {
			found = true
			if m["state"] != "interrupted" || m["entries"].(float64) < 100 {
				t.Errorf("run after the kill: %v", m)
			}
		}
	}
	if !found {
		t.Fatalf("run %s is gone", run)
	}
	r.verify(run)
	r.await("a word on the specimen that was left", 5*time.Second, func(s map[string]any) bool { return leftRun(s) == run })
}

// SIGTERM: outputs are demanded off and read back by the daemon itself, the run
// is closed, and the program ends by itself with exit 0.
func TestStoppedInMidRun(t *testing.T) {
	r := newRig(t, 12, nil)
	r.serve()
	r.await("fresh sensors and a beating watchdog", 20*time.Second, ready)
	run := armed(t, r)
	r.must("pressurise", nil)
	r.await("the supply to be read back on", 5*time.Second, func(s map[string]any) bool { return supply(s) == "on" })
	if err := r.daemon.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	shut := r.sim.await(t, 5*time.Second, func(rep *sim.Report) bool { return rep.Supply != nil && !rep.Supply.Open })
	if shut.Supply.Why != "coil" {
		t.Errorf("the supply was shut by %q, want the daemon's own coil write", shut.Supply.Why)
	}
	if err := r.daemon.Wait(); err != nil {
		t.Fatalf("the daemon ended with %v\n%s", err, r.daemonE)
	}
	for _, m := range r.runs() {
		if m["id"] == run && m["state"] != "closed" {
			t.Errorf("run after the stop: %v", m)
		}
	}
	r.verify(run)
	r.serve()
	r.await("a word on the specimen that was left", 20*time.Second, func(s map[string]any) bool { return leftRun(s) == run })
}

// A second daemon on the same data, or on the same ports, is refused.
func TestSecondDaemonIsRefused(t *testing.T) {
	r := newRig(t, 13, nil)
	r.serve()
	r.await("fresh sensors", 20*time.Second, ready)
	_, errs, code := program(t, "--data", r.data, "serve", "--bench", r.bench)
	if code != exitFail {
		t.Errorf("same data: exit %d, want %d: %s", code, exitFail, errs)
	}
	_, errs, code = program(t, "--data", t.TempDir(), "serve", "--bench", r.bench)
	if code != exitFail {
		t.Errorf("same ports: exit %d, want %d: %s", code, exitFail, errs)
	}
}

// Unplugged and plugged in again in mid-run: readings go on, the gap is data,
// and the loss is counted against what the device sent.
func TestUnpluggedInMidRun(t *testing.T) {
	r := newRig(t, 14, nil)
	r.serve()
	r.await("fresh sensors and a beating watchdog", 20*time.Second, ready)
	run := armed(t, r)
	if err := r.sim.do(sim.Command{Do: "fault", Fault: sim.Fault{Name: "unplug", Instrument: "ambient", Seconds: 1}}); err != nil {
		t.Fatal(err)
	}
	r.await("the port to be gone", 5*time.Second, func(s map[string]any) bool { return !instrument(s, "ambient")["up"].(bool) })
	r.await("the port to be back", 10*time.Second, func(s map[string]any) bool {
		in := instrument(s, "ambient")
		return in["up"].(bool) && in["age_s"].(float64) < 0.5
	})
	time.Sleep(500 * time.Millisecond)
	c := instrument(r.state(), "ambient")["counters"].(map[string]any)
	if c["lost_rows"].(float64) < 500 {
		t.Errorf("counters after a second without the port: %v, want about 1000 lost rows", c)
	}
	r.must("end", map[string]string{"reason": "test", "override": "test"})
	r.await("the run's end", 10*time.Second, func(s map[string]any) bool { return s["run"] == nil })
	time.Sleep(time.Second)
	r.verify(run)
}

func ready(s map[string]any) bool {
	w, _ := s["watchdog"].(map[string]any)
	if w == nil || w["beating"] != true {
		return false
	}
	for _, o := range s["outputs"].([]any) {
		if o.(map[string]any)["agrees"] != true {
			return false
		}
	}
	for _, c := range s["sensors"].([]any) {
		if c.(map[string]any)["age_s"].(float64) > 1 || c.(map[string]any)["quality"] == "no reading yet" {
			return false
		}
	}
	return true
}

func supply(s map[string]any) string {
	for _, o := range s["outputs"].([]any) {
		if m := o.(map[string]any); m["role"] == "supply_valve" {
			return text(m["state"])
		}
	}
	return ""
}

func instrument(s map[string]any, name string) map[string]any {
	for _, in := range s["instruments"].([]any) {
		if m := in.(map[string]any); m["name"] == name {
			return m
		}
	}
	return nil
}

// enterSteps enters what the example benches ask for before arming.
func enterSteps(t *testing.T, r *rig) {
	t.Helper()
	for _, args := range [][]string{{"leak", "--mbar-s", "0.02"}, {"dump"}} {
		args = append([]string{"--data", r.data, "enter"}, append(args, "--bench", r.bench, "--who", demoWho1)...)
		if out, errs, code := program(t, args...); code != 0 {
			t.Fatalf("%v: exit %d\n%s%s", args, code, out, errs)
		}
	}
}

func armed(t *testing.T, r *rig) string {
	t.Helper()
	enterSteps(t, r)
	var a struct{ Run string }
	var body string
	code := 0
	for end := time.Now().Add(10 * time.Second); code/100 != 2; time.Sleep(100 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("arm: %d %s", code, body)
		}
		r.do("reset", nil) // a machine that stood still for half a second has latched a trip
		body, code = r.do("arm", map[string]string{"specimen": "B-0410-01", "lot": "B-0410", "who1": demoWho1, "who2": demoWho2})
	}
	if err := json.Unmarshal([]byte(body), &a); err != nil || a.Run == "" {
		t.Fatal("arming gave no run", err)
	}
	r.await("the run to record", 10*time.Second, func(s map[string]any) bool {
		run, _ := s["run"].(map[string]any)
		return run != nil && run["id"] == a.Run
	})
	return a.Run
}

// leftRun is the run that a state says the program left.
func leftRun(s map[string]any) any {
	c, _ := s["cut_short"].(map[string]any)
	return c["run"]
}
