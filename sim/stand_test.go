package sim

import (
	"bytes"
	"testing"
)

// record plays a stand for n ms and returns every message of its devices.
func record(t *testing.T, seed uint64, n int) []byte {
	t.Helper()
	b := testBench()
	s, err := newStand(&b, standOptions{seed: seed, calibration: 1})
	if err != nil {
		t.Fatal(err)
	}
	s.rig.runUp(19e5)
	p := DefaultWorld(seed).Shots(2)[1]
	p.Features[0].OpensPa = 19.1e5
	s.rig.take(&p)
	var out bytes.Buffer
	for range n {
		s.advance(10)
		for _, d := range s.devices {
			d.emit(s.rig.t, func(msg []byte, _ int, _ bool) { out.Write(msg) }, func(int) {})
		}
	}
	if len(s.rig.happened) == 0 {
		t.Error("nothing opened")
	}
	return out.Bytes()
}

// TestSeed: the same seed gives the same bytes, another gives others.
func TestSeed(t *testing.T) {
	a, b, c := record(t, 7, 400), record(t, 7, 400), record(t, 8, 400)
	if !bytes.Equal(a, b) {
		t.Error("the same seed gives other bytes")
	}
	if bytes.Equal(a, c) {
		t.Error("another seed gives the same bytes")
	}
}

// TestRates: every instrument sends its rows at its rate, whatever the base
// step, and readings follow the transport delay of their line.
func TestRates(t *testing.T) {
	b := testBench()
	b.Instruments[0].RateHz = 25000
	b.Channels[1].DelayS = 2e-4
	s, err := newStand(&b, standOptions{seed: 1, clock: func(int) crystal { return crystal{period: 1} }})
	if err != nil {
		t.Fatal(err)
	}
	s.rig.runUp(10e5)
	s.rest()
	clean := map[string][]float64{}
	s.tap = func(x *sensor, _, v, _ float64) { clean[x.ch.Name] = append(clean[x.ch.Name], v) }
	s.advance(10000)
	near(t, "rows of 25 kHz", float64(len(clean["p1"])), 25000, 1)
	near(t, "rows of 1 kHz", float64(len(clean["force"])), 1000, 1)
	// On a ramp of 1 bar/s, p1 trails by its lag (0.5 ms) and its line, p2 by its
	// lag (1 ms), its line and the delay: the difference is known.
	var p [2]*sensor
	p[0], p[1] = s.sensors[0], s.sensors[1]
	late := func(x *sensor) float64 { return x.lagS + x.filter.lineLate + x.delay }
	i := len(clean["p1"]) - 5
	near(t, "p1 - p2", clean["p1"][i]-clean["p2"][i], 1e5*(late(p[1])-late(p[0])), 1)
}

// TestBenchErrors: every problem at once, each with its next move.
func TestBenchErrors(t *testing.T) {
	b := testBench()
	b.Instruments[0].Frame = nil
	b.Instruments[1].RateHz = 0
	b.Channels[0].Column = 9
	b.Channels[3].Instrument = 7
	b.Channels[4].Curve.Kind = "cubic"
	b.Outputs[0].Instrument = 0
	b.Fixture.Gas = "He"
	err := b.Check()
	if err == nil {
		t.Fatal("no error")
	}
	if n := bytes.Count([]byte(err.Error()), []byte("\n")) + 1; n != 7 {
		t.Errorf("%d problems, want 7:\n%v", n, err)
	}
	if _, err := newStand(&Bench{}, standOptions{}); err == nil {
		t.Error("an empty bench is taken")
	}
}
