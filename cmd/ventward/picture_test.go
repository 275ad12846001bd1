package main

import (
	"strings"
	"testing"

	"ventward/config"
	"ventward/daq"
	"ventward/report"
	"ventward/stream"
)

// What a peak may miss goes by the ramp on which it was reached, not by that of
// the moment: after an opening it would be none.
func TestPeakLossIsThatOfThePeak(t *testing.T) {
	b := exampleBench(t)
	e, err := newEngine(setup{Bench: b})
	if err != nil {
		t.Fatal(err)
	}
	s := make([]daq.Sample, 0, 30000)
	for i := range 30000 { // 5 bar/s for 2 s, then all of it gone at once
		v := 5e5 * float64(i) / 10000
		if i >= 20000 {
			v = 0
		}
		s = append(s, daq.Sample{T: 1e9 + int64(i)*1e5, V: v})
	}
	p := picture{bench: b, eng: e}
	said := func() string {
		var st stream.State
		p.showPressure(&st)
		return strings.Join(p.cautions(&st), "\n")
	}
	for k := range 300 {
		e.peak.take(s[100*k : 100*k+100])
		if k == 198 && !strings.Contains(said(), "up to 0.0025 bar") { // 5 bar/s x (0.1 + 0.3 + 0.1) ms
			t.Errorf("on the ramp: %s", said())
		}
	}
	if e.peak.rampPaS > 0 || !strings.Contains(said(), "up to 0.0025 bar") {
		t.Errorf("after the fall, at %g Pa/s: %s", e.peak.rampPaS, said())
	}
	if got := peakCaution(0.7); !strings.Contains(got, "by less than 0.0001 bar") {
		t.Error(got)
	}
}

// The vessel's pressure is not the cell's: a runaway rig says so while it is
// watched, and not only in the report.
func TestRunawayRigSaysWhatItsPressureIs(t *testing.T) {
	b, err := config.Parse("oven3.toml", config.ExampleRunaway())
	if err != nil {
		t.Fatal(err)
	}
	for rig, want := range map[*config.Bench]bool{b: true, exampleBench(t): false} {
		e, err := newEngine(setup{Bench: rig})
		if err != nil {
			t.Fatal(err)
		}
		said := strings.Join(picture{bench: rig, eng: e}.cautions(&stream.State{}), "\n")
		if strings.Contains(said, report.CautionCell) != want {
			t.Errorf("%s: %s", rig.Name, said)
		}
	}
}
