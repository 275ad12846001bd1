package main

import (
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	"ventward/config"
	"ventward/guard"
	"ventward/sim"
)

// beats is how many edges went out on RTS, and whether each was the other of the
// one before and none was on DTR.
func (f *fakeLines) beats() (n int, alternate bool) {
	f.mu.Lock()
	defer f.mu.Unlock()
	alternate = true
	for i := 1; i < len(f.rts); i++ {
		alternate = alternate && f.rts[i] != f.rts[i-1]
	}
	return len(f.rts), alternate && len(f.dtr) == 0
}

func (f *fakeLines) break_(err error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.err = err
}

// The heartbeat on RTS, from the bench description through the whole daemon:
// edges go out while every channel that may trip is fresh, stop when one is
// silent (2 s), come again with its readings, and one that the port does not
// take is an alarm. That a relay saw an edge nothing here can tell.
func TestHeartbeatOnAControlLine(t *testing.T) {
	example := string(config.Example())
	text := strings.Replace(example, "instrument = \"relay\"\nunit = 1\ncoil = 1\n", "instrument = \"relay\"\nline = \"rts\"\n", 1)
	if text == example {
		t.Fatal("the example's heartbeat is no longer on coil 1 of the relay")
	}
	bench, err := config.Parse("kiln2.toml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	watchdog := bench.Guard.Rules[slices.IndexFunc(bench.Guard.Rules, func(r guard.Rule) bool { return r.Kind == guard.HeartbeatLost })]
	lines := &fakeLines{}
	onDaemon = func(d *daemon) {
		for _, p := range d.pins {
			p.port = func() controlLines { return lines }
		}
	}
	defer func() { onDaemon = nil }()
	s := standInFor(t, bench, daemonOptions{Bench: bench}, t.TempDir(), 0, watchdog)
	await := func(what string, ok func() bool) {
		t.Helper()
		for end := time.Now().Add(30 * time.Second); !ok(); time.Sleep(10 * time.Millisecond) {
			if time.Now().After(end) {
				n, _ := lines.beats()
				t.Fatalf("waited for %s: %d edges; %s", what, n, s.state())
			}
		}
	}
	why := func() string { return s.d.loop.status.Load().Watchdog.Why }
	alarmed := func(says string) func() bool {
		return func() bool {
			for _, a := range s.d.loop.hub.Snapshot(0).Alarms {
				if a.Rule == watchdog.Name && a.State == guard.Unacknowledged && strings.Contains(a.Message, says) {
					return true
				}
			}
			return false
		}
	}
	s.ready(t)
	from, _ := lines.beats()
	await("edges", func() bool { n, _ := lines.beats(); return n >= from+4 })
	if n, alternate := lines.beats(); !alternate {
		t.Errorf("%d edges: not each the other of the one before, or some on DTR", n)
	}
	s.mute.Store(true)
	await("edges to be withheld", func() bool { return why() != "" })
	n, _ := lines.beats()
	await("the alarm", alarmed("no edge for the watchdog relay is sent"))
	time.Sleep(3 * time.Duration(bench.HeartbeatS*1e9))
	if later, _ := lines.beats(); later > n+1 { // one may have been on its way
		t.Errorf("%d edges more while p1 is silent", later-n)
	}
	s.mute.Store(false)
	s.ready(t)
	n, _ = lines.beats()
	await("edges again", func() bool { now, _ := lines.beats(); return now > n+2 })
	lines.break_(errors.New("the device is away"))
	await("the alarm of an edge that can't be written", alarmed("the device is away"))
}

// textOutputs puts the valve and the heartbeat on an instrument that is told in
// text, which answers each command and is asked what it did.
func textOutputs(example string) string {
	text := fourProtocols(example)
	for coil, n := range map[string]string{"0": "1", "1": "2"} {
		text = strings.Replace(text, "instrument = \"relay\"\nunit = 1\ncoil = "+coil+"\n", strings.ReplaceAll(`instrument = "meter"
on = "OUT N,1"
off = "OUT N,0"
on_answer = "OK"
off_answer = "OK"
ask = "OUT? N"
is_on = "1"
is_off = "0"
`, "N", n), 1)
	}
	meter := strings.Index(text, "\n[[instrument]]\nname = \"meter\"")
	channel := strings.Index(text, "[[channel]]\nname = \"spare\"")
	first := strings.Index(text, "# --- Channels")
	return text[:first] + text[meter:channel] + "\n" + text[first:meter] + "\n" + text[channel:]
}

// Outputs that are switched by commands in text and read back by questions,
// heartbeat included, on the real program: the supply opens, an abort shuts it,
// and an instrument that answers nothing any more is an unknown output: an alarm,
// no edge, and the relay shuts the supply.
func TestOutputsInText(t *testing.T) {
	t.Parallel()
	r := newRig(t, 61, textOutputs)
	r.serve()
	opened := func(rep *sim.Report) bool { return rep.Supply != nil && rep.Supply.Open }
	shut := func(rep *sim.Report) bool { return rep.Supply != nil && !rep.Supply.Open }
	run := underTest(t, r)
	r.sim.await(t, 20*time.Second, opened)
	r.must("abort", nil)
	if rep := r.sim.await(t, 20*time.Second, shut); rep.Supply.Why == "watchdog" {
		t.Errorf("the supply was shut by %q, want the command", rep.Supply.Why)
	}
	r.await("the supply to be read back off", 20*time.Second, supplyOff)
	r.ended(run)
	r.verify(run)

	run = underTest(t, r)
	r.sim.await(t, 20*time.Second, opened)
	if err := r.sim.do(sim.Command{Do: "fault", Fault: sim.Fault{Name: "silence", Instrument: "meter", Seconds: 8}}); err != nil {
		t.Fatal(err)
	}
	r.sim.await(t, 20*time.Second, shut)
	r.await("the trip of an output that is not confirmed", 20*time.Second, func(s map[string]any) bool { return tripped(s, "Output not confirmed") })
	r.ended(run)
	r.verify(run)
}
