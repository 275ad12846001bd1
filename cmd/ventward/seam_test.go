package main

import (
	"encoding/json"
	"net/http"
	"os"
	"os/signal"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"ventward/daq"
	"ventward/sim"
)

// Variables of the environment by which a test breaks the program that it has
// started. The program as it is shipped knows none of them: they are read by
// the test binary when it stands in for the program.
const (
	envWall  = "VENTWARD_TEST_WALL"  // file with ns that the wall clock is off
	envPanic = "VENTWARD_TEST_PANIC" // part that fails at SIGUSR1
)

func injectFaults() {
	if path := os.Getenv(envWall); path != "" {
		machineWall = func() int64 {
			b, _ := os.ReadFile(path)
			off, _ := strconv.ParseInt(strings.TrimSpace(string(b)), 10, 64)
			return time.Now().UnixNano() + off
		}
	}
	if part := os.Getenv(envPanic); part != "" {
		onDaemon = func(d *daemon) {
			c := make(chan os.Signal, 1)
			signal.Notify(c, syscall.SIGUSR1)
			go func() {
				<-c
				breakPart(d, part)
			}()
		}
	}
}

// faultyAsker stands for a defect in the protocol of an instrument that is
// asked.
type faultyAsker struct{ daq.Asker }

func (faultyAsker) Next(int64) ([]byte, int64) { panic("a defect in a test") }

// breakPart makes a goroutine of the daemon panic.
func breakPart(d *daemon, part string) {
	on := func(frame bool, do func(*line)) {
		for _, ln := range d.lines {
			if (ln.inst.Frame != nil) == frame && (frame || ln.inst.Modbus != nil) {
				ln.mu.Lock()
				do(ln)
				ln.mu.Unlock()
				return
			}
		}
	}
	switch part {
	case "decoder":
		on(true, func(ln *line) { ln.decoder = faultyDecoder{ln.decoder} })
	case "owner":
		on(false, func(ln *line) { ln.asker = faultyAsker{ln.asker} })
	case "worker":
		d.work <- func() { panic("a defect in a test") }
	case "fit":
		d.fit.bench = nil
		d.fit.offer(fitJob{})
	case "loop":
		d.in.post(message{entry: daq.Entry{Kind: daq.EntryLink}})
	case "bare": // a goroutine of a library: nothing catches it
		panic("a defect in a test")
	}
}

// alarms asks the daemon for the alarms that are not normal.
func (r *rig) alarms() []map[string]any {
	var a struct{ Alarms []map[string]any }
	if resp, err := http.Get(r.url + "/api/v1/alarms"); err == nil {
		defer resp.Body.Close()
		json.NewDecoder(resp.Body).Decode(&a)
	}
	return a.Alarms
}

// awaitAlarm waits until the alarm of a rule is announced.
func (r *rig) awaitAlarm(rule string) {
	r.t.Helper()
	r.await("the alarm "+strconv.Quote(rule), 30*time.Second, func(map[string]any) bool {
		for _, a := range r.alarms() {
			if a["rule"] == rule {
				return true
			}
		}
		return false
	})
}

// underTest brings the bench to where the supply is read back on, and returns
// the run.
func underTest(t *testing.T, r *rig) string {
	t.Helper()
	if err := r.sim.do(sim.Command{Do: "load", Specimen: "B-0410-01"}); err != nil {
		t.Fatal(err)
	}
	r.sim.await(t, 60*time.Second, func(rep *sim.Report) bool { return rep.Loaded != nil })
	r.await("fresh sensors and a beating watchdog", 30*time.Second, ready)
	run := ""
	for end := time.Now().Add(30 * time.Second); ; { // a machine that stood still may trip in between
		run = armed(t, r)
		if _, code := r.do("pressurise", nil); code/100 == 2 {
			break
		}
		if time.Now().After(end) {
			t.Fatal("the test could not be started")
		}
		r.do("end", map[string]string{"reason": "tripped before the ramp", "override": "test"})
		time.Sleep(500 * time.Millisecond)
	}
	r.await("the supply to be read back on", 20*time.Second, func(s map[string]any) bool { return supply(s) == "on" })
	return run
}

// supplyOff tells that the supply valve is demanded off and was read back off.
func supplyOff(s map[string]any) bool {
	for _, o := range s["outputs"].([]any) {
		if m := o.(map[string]any); m["role"] == "supply_valve" {
			return m["demanded"] == "off" && m["state"] == "off" && m["agrees"] == true
		}
	}
	return false
}

// demandedOn tells that the supply valve is demanded on.
func demandedOn(s map[string]any) bool {
	for _, o := range s["outputs"].([]any) {
		if m := o.(map[string]any); m["role"] == "supply_valve" {
			return m["demanded"] != "off"
		}
	}
	return false
}

// tripped tells whether the trip of a rule is latched.
func tripped(s map[string]any, rule string) bool {
	for _, x := range s["trips"].([]any) {
		if m := x.(map[string]any); m["rule"] == rule {
			return m["tripped"] == true
		}
	}
	return false
}

// events are the kinds of event that a stored run holds.
func (r *rig) events(run string) map[string]int {
	r.t.Helper()
	var body struct{ Events []map[string]any }
	resp, err := http.Get(r.url + "/api/v1/runs/" + run)
	if err != nil {
		r.t.Fatal(err)
	}
	defer resp.Body.Close()
	if err := json.NewDecoder(resp.Body).Decode(&body); err != nil {
		r.t.Fatal(err)
	}
	out := map[string]int{}
	for _, e := range body.Events {
		out[text(e["event"])]++
		r.t.Logf("event: %v", e)
	}
	return out
}

// ended ends the run and waits until it is closed.
func (r *rig) ended(run string) {
	r.t.Helper()
	r.must("make-safe", nil)
	r.must("end", map[string]string{"reason": "test", "override": "test"})
	for end := time.Now().Add(60 * time.Second); ; time.Sleep(200 * time.Millisecond) {
		for _, m := range r.runs() {
			if m["id"] == run && m["state"] == "closed" {
				return
			}
		}
		if time.Now().After(end) {
			r.t.Fatalf("run %s was not closed within a minute: %v", run, r.runs())
		}
	}
}
