package main

import (
	"errors"
	"flag"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"testing"

	"ventward/daq"
	"ventward/report"
	"ventward/sim"
	"ventward/store"
)

// The table of faults names every fault of the simulator once, and is printed.
func TestFaultsAreListed(t *testing.T) {
	out, errs, code := program(t, "demo", "--fault", "list")
	if code != 0 {
		t.Fatalf("exit %d: %s", code, errs)
	}
	for _, k := range sim.Faults() {
		n := 0
		for i := range faultCourses {
			if faultCourses[i].Name == k.Name {
				n++
			}
		}
		if n != 1 || !strings.Contains(out, "\n"+k.Name+" ") {
			t.Errorf("%s: %d rows, printed:\n%s", k.Name, n, out)
		}
	}
	if out, _, code := program(t, "demo", "--fault", "list", "--json"); code != 0 || strings.Count(out, "\n") != len(faultCourses) {
		t.Errorf("exit %d: %s", code, out)
	}
	if _, errs, code := program(t, "demo", "--fault", "flood"); code != exitWrong || !strings.Contains(errs, "spike") {
		t.Errorf("exit %d: %s", code, errs)
	}
}

// faultsTried are the faults that TestFaultsLeadWhereStated injects: one of each
// sort, since each takes seconds. By hand: go test ./cmd/ventward -run FaultsLead
// -faults all
var faultsTried = flag.String("faults", "dropout,frozen,bit-flips,unplug,stall,silence", "faults that TestFaultsLeadWhereStated injects")

// Faults, injected into the real chain just before an opening, lead where the
// table states.
func TestFaultsLeadWhereStated(t *testing.T) {
	const seed = "41"
	t.Logf("seed %s", seed)
	names := (&demoOptions{fault: *faultsTried}).demoFaults()
	data := t.TempDir()
	out, errs, code := program(t, "--data", data, "demo", "--headless", "--fault", *faultsTried, "--shots", fmt.Sprint(len(names)), "--seed", seed, "--json")
	if code != 0 {
		t.Fatalf("exit %d\n%s\n%s", code, errs, out)
	}
	shots := demoShots(t, out)
	if len(shots) != len(names) {
		t.Fatalf("%d shots, want %d", len(shots), len(names))
	}
	st, err := store.Open(data, store.Options{Access: store.Read})
	if err != nil {
		t.Fatal(err)
	}
	defer st.Close()
	for i, name := range names {
		f := courseOf(name)
		t.Run(name, func(t *testing.T) {
			if f.Doubles && len(shots[i].truth.Truth) == 0 {
				t.Log("told before the specimen opened: the supply was shut, and it held")
				return
			}
			f.judgeOpening(t, shots[i])
			f.judgeFaults(t, shots[i].events)
			f.judgeRecord(t, st, &shots[i].truth)
			if v, err := verify(st, shots[i].truth.Run); err != nil || len(v.Differences) > 0 {
				t.Errorf("verify: %v %v", err, v)
			}
		})
	}
}

// loadedS is by how much more than stated an onset may be off on a machine so
// loaded that no message came in time, s.
const loadedS = 2e-2

func (f *faultCourse) judgeOpening(t *testing.T, s shotSeen) {
	t.Helper()
	if len(s.truth.Truth) != 1 {
		t.Fatalf("%d true openings", len(s.truth.Truth))
	}
	h := s.truth.Truth[0]
	found, more := false, 0
	for _, e := range s.events {
		if e.Event != "vent-opening" && e.Event != "rupture" {
			continue
		}
		near := math.Abs(e.OnsetS-h.OnsetS) < 0.5
		if near && !f.Doubles && !f.Hidden && math.Abs(*e.PressureBar-h.PressureBar) > 2**e.PressureUBar {
			t.Errorf("%.3f bar, stated within %.3f; it was %.3f", *e.PressureBar, *e.PressureUBar, h.PressureBar)
		}
		if near && !f.Doubles && !f.Hidden && math.Abs(e.OnsetS-h.OnsetS) > *e.OnsetUS+loadedS {
			t.Errorf("at %.6f s, stated within %.6f; it was at %.6f", e.OnsetS, *e.OnsetUS, h.OnsetS)
		}
		if f.Hidden && !slices.ContainsFunc(e.Flags, func(x string) bool { return x == "gap" || x == "lower-bound" }) {
			t.Errorf("an opening that no reading shows is told without a flag: %+v", e)
		}
		if near && !found {
			found = true
		} else {
			more++
		}
	}
	if !found && !f.Hidden {
		t.Errorf("the opening at %.3f s is not told: %+v", h.OnsetS, s.events)
	}
	if more > 0 && !f.Doubles {
		t.Errorf("%d openings too many: %+v", more, s.events)
	}
}

func (f *faultCourse) judgeFaults(t *testing.T, events []report.Line) {
	t.Helper()
	for _, want := range f.Faults {
		if !slices.ContainsFunc(events, func(e report.Line) bool { return e.Event == "sensor-fault" && e.Fault == string(want) }) {
			t.Errorf("no %s is told: %+v", want, events)
		}
	}
}

// mostSupplyS is how long after an opening the demand to shut the supply may
// come, s of the bench: the 0.5 s for which a silent channel is believed, and
// what the machine adds.
const mostSupplyS = 1.5

func (f *faultCourse) judgeRecord(t *testing.T, st *store.Store, truth *truthLine) {
	t.Helper()
	rd, err := st.Reader(truth.Run)
	if err != nil {
		t.Fatal(err)
	}
	defer rd.Close()
	alarms, err := rd.Alarms()
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range f.Alarms {
		if !slices.ContainsFunc(alarms, func(a store.AlarmRow) bool { return a.Alarm.Rule == want }) {
			t.Errorf("rule %q has no alarm", want)
		}
	}
	demands, err := rd.Demands()
	if err != nil {
		t.Fatal(err)
	}
	lost, at := read(t, rd)
	opened := rd.Meta().Start + int64(truth.Truth[0].OnsetS*1e9)
	late := math.Inf(1)
	for _, d := range demands {
		if when := at[d.N]; d.Demand.Output == 0 && !d.Demand.On && when > opened-1e8 { // hum is found before
			late = seconds(when - opened)
			break
		}
	}
	if !(late < mostSupplyS) {
		t.Errorf("the supply is demanded off %.3f s after the opening", late)
	}
	t.Logf("supply demanded off %.3f s after the opening, %d rows lost", late, lost)
	if f.Loses && lost == 0 {
		t.Error("nothing is counted as lost")
	}
}

// read counts the rows that a run's batches say were lost, and gives each
// entry's time.
func read(t *testing.T, rd *store.Reader) (lost uint64, at map[uint64]int64) {
	t.Helper()
	at = map[uint64]int64{}
	for {
		en, err := rd.Next()
		if errors.Is(err, io.EOF) {
			return lost, at
		}
		if err != nil {
			t.Fatal(err)
		}
		at[en.N] = en.At
		if en.Kind == daq.EntryBatch {
			lost += uint64(en.Batch.Lost)
		}
	}
}
