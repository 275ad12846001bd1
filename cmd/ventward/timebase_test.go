package main

import (
	"context"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/rs/zerolog"

	"ventward/config"
	"ventward/daq"
	"ventward/detect"
	"ventward/sim"
	"ventward/store"
)

// A step of the wall clock is an entry of the record and changes nothing: the
// same samples with a wall clock that jumps give the same events.
func TestWallClockStepChangesNothing(t *testing.T) {
	o := traceOptions{rig: "burst", medium: "gas", gas: "N2", volumeML: 50, temperatureC: 23, ambientBar: 1.01325, lagMS: 0.3, falseAlarmH: 1000}
	tr, err := o.read("../../testdata/traces/burst.csv")
	if err != nil {
		t.Fatal(err)
	}
	b, err := o.describe(tr)
	if err != nil {
		t.Fatal(err)
	}
	steady, stepped := slices.Collect(entries(tr)), slices.Collect(entries(tr))
	ticks := 0
	for i := range stepped {
		if stepped[i].Kind != daq.EntryTick {
			continue
		}
		if ticks++; ticks > 3 {
			stepped[i].Wall += int64(time.Hour) // and it stays an hour ahead
		}
	}
	if ticks < 6 {
		t.Fatalf("only %d ticks: nothing is shown", ticks)
	}
	var got [2][]detect.Event
	for i, ens := range [][]daq.Entry{steady, stepped} {
		a, err := analyze(b, slices.Values(ens))
		if err != nil {
			t.Fatal(err)
		}
		got[i] = a.events
	}
	if len(got[0]) == 0 || !reflect.DeepEqual(got[0], got[1]) {
		t.Errorf("without a step %+v, with one %+v", got[0], got[1])
	}
	if reflect.DeepEqual(steady, stepped) {
		t.Error("the step is not in the record")
	}
}

// twoTriggers is the example bench with one trigger line wired to two
// instruments, and counters that wrap often.
func twoTriggers(text string) string {
	for _, r := range [][2]string{
		{"columns = 4", "columns = 5"}, {"baud = 3000000", "baud = 6000000"}, {"fields = 4", "fields = 5"},
		{"sequence_wrap = 4294967296", "sequence_wrap = 4096"}, {"tick_wrap = 4294967296", "tick_wrap = 16777216"},
		{"# A relay box on Modbus", "[[instrument.column]]\nfield = 5\n\n# A relay box on Modbus"},
		{"# --- Outputs:", `[[channel]]
name = "trigger fast"
role = "trigger"
instrument = "fast"
column = 5

[channel.calibration]
kind = "digital"

[[channel]]
name = "trigger ambient"
role = "trigger"
instrument = "ambient"
column = 3

[channel.calibration]
kind = "digital"

# --- Outputs:`},
	} {
		text = strings.Replace(text, r[0], r[1], 1)
	}
	return text
}

// One trigger line recorded by two instruments of different kind, rate and
// crystal shows how well they share a time base: through stalls, resets,
// wrapping counters and a drifting crystal.
func TestTriggerOnTwoInstruments(t *testing.T) {
	const seed = 21
	t.Logf("seed %d", seed)
	dir := t.TempDir()
	text := []byte(twoTriggers(string(config.Example())))
	b, err := config.Parse("kiln2.toml", text)
	if err != nil {
		t.Fatal(err)
	}
	page := filepath.Join(dir, "clock")
	p, err := sim.Create(page)
	if err != nil {
		t.Fatal(err)
	}
	d := &demo{o: &demoOptions{json: true}, bench: b, out: os.Stderr, time: simulatedTime(p), closed: make(chan string, 8)}
	if d.sim, err = startSim(text, dir, "max", page, seed); err != nil {
		t.Fatal(err)
	}
	defer d.sim.stop()
	portsIn(b, dir)
	if d.store, err = openStore(filepath.Join(dir, "data"), b, store.Daemon); err != nil {
		t.Fatal(err)
	}
	defer d.store.Close()
	d.daemon, err = newDaemon(daemonOptions{Bench: b, Store: d.store, Time: d.time, Simulated: true, Log: zerolog.Nop(), Closed: func(run string, _ error) { d.closed <- run }})
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithTimeout(context.Background(), 2*time.Minute)
	done := make(chan error, 1)
	go func() { done <- d.daemon.run(ctx) }()
	run, err := d.triggers(ctx)
	stop()
	if e := <-done; err == nil {
		err = e
	}
	if err != nil {
		t.Fatal(err)
	}
	edges := d.edges(t, run)
	fast, slow := edges["trigger fast"], edges["trigger ambient"]
	if len(fast) != len(slow) || len(fast) != 2*len(troubles) {
		t.Fatalf("%d edges on one instrument, %d on the other, %d were made", len(fast), len(slow), 2*len(troubles))
	}
	settled := 0
	for i := range fast {
		off := float64(slow[i].T-fast[i].T) * 1e-6
		// A period of the slower one and what arrivals in chunks of 2 ms leave; a
		// clock that says it has not settled may be off by an arrival's delay on
		// a busy machine.
		most, word := 3.5, ""
		if (slow[i].Q|fast[i].Q)&daq.Unsettled != 0 {
			most, word = 60, " (not settled)"
		} else {
			settled++
		}
		t.Logf("%s: %.3f ms apart%s", orPlain(troubles[i/2].Name), off, word)
		if math.Abs(off) > most {
			t.Errorf("%s: the two instruments see the edge %.3f ms apart", orPlain(troubles[i/2].Name), off)
		}
	}
	if settled < 4 {
		t.Errorf("only %d of %d edges were seen with settled clocks", settled, len(fast))
	}
}

func orPlain(s string) string {
	if s == "" {
		return "nothing"
	}
	return s
}

// troubles are what happens before each pulse of the trigger line.
var troubles = []sim.Fault{{}, {Name: "stall", Instrument: "ambient", Seconds: 0.15}, {Name: "clock-drift", Instrument: "ambient", Size: 60},
	{}, {Name: "device-reset", Instrument: "fast"}}

// triggers records pulses of the trigger line and returns the run.
func (d *demo) triggers(ctx context.Context) (string, error) {
	if err := d.until(ctx, 60, "fresh sensors", d.fresh); err != nil {
		return "", err
	}
	if err := d.rest(ctx, 75); err != nil { // until the clocks have settled
		return "", err
	}
	got, err := d.daemon.command(ctx, daq.Command{Verb: "record", Who: "test", Args: map[string]string{"specimen": "none"}})
	if err != nil {
		return "", err
	}
	run := got.(map[string]string)["run"]
	for _, f := range troubles {
		if err := d.rest(ctx, 1); err != nil { // the edge before is recorded
			return "", err
		}
		if f.Name != "" {
			if err := d.sim.do(sim.Command{Do: "fault", Fault: f}); err != nil {
				return "", err
			}
		}
		for _, on := range []bool{true, false} {
			if err := d.rest(ctx, 3); err != nil {
				return "", err
			}
			if err := d.sim.do(sim.Command{Do: "trigger", Open: &on}); err != nil {
				return "", err
			}
		}
	}
	if err := d.rest(ctx, 1); err != nil {
		return "", err
	}
	if err := d.command(ctx, "end", map[string]string{"reason": "test", "override": "test"}); err != nil {
		return "", err
	}
	select {
	case <-d.closed:
	case <-ctx.Done():
		return "", ctx.Err()
	}
	return run, nil
}

// edges are the samples at which each trigger channel changed.
func (d *demo) edges(t *testing.T, run string) map[string][]daq.Sample {
	t.Helper()
	rd, err := d.store.Reader(run)
	if err != nil {
		t.Fatal(err)
	}
	defer rd.Close()
	last, out := map[string]float64{}, map[string][]daq.Sample{}
	_, err = play(rd, nil, func(en *daq.Entry, _ *outcome, e *engine) error {
		for _, ch := range e.touched {
			c := &e.bench.Channels[ch]
			if c.Role != daq.RoleTrigger {
				continue
			}
			for _, s := range e.samples[ch] {
				if was, ok := last[c.Name]; ok && s.V != was {
					out[c.Name] = append(out[c.Name], s)
				}
				last[c.Name] = s.V
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return out
}
