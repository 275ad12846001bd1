package main

import (
	"bytes"
	"math"
	"strings"
	"testing"

	"ventward/sim"
)

// TestRunPrintsTable plays one scenario from a development seed and looks for
// the table's rows.
func TestRunPrintsTable(t *testing.T) {
	var out bytes.Buffer
	if err := run(options{set: "small", n: 1, only: "rupture", nofit: true}, &out); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"development seeds 1 to 1", "allowed openings detected", "coverage of stated intervals", "rupture"} {
		if !strings.Contains(out.String(), want) {
			t.Errorf("no %q in\n%s", want, out.String())
		}
	}
	for _, o := range []options{{set: "huge"}, {set: "small", only: "nothing like it"}} {
		if err := run(o, &out); err == nil {
			t.Errorf("%+v: no error", o)
		}
	}
}

// TestFirstSeed: a range that nobody has looked at is scored, printed and named.
func TestFirstSeed(t *testing.T) {
	var out bytes.Buffer
	if err := run(options{set: "small", n: 1, only: "rupture", nofit: true, first: 5_000_000}, &out); err != nil {
		t.Fatal(err)
	}
	if want := "scoring seeds 5000000 to 5000000"; !strings.Contains(out.String(), want) {
		t.Errorf("no %q in\n%s", want, out.String())
	}
	// Two scenarios are two trials, each with a bench of its own.
	out.Reset()
	if err := run(options{set: "small", n: 1, only: "rupture,vent", nofit: true, first: 5_000_000}, &out); err != nil {
		t.Fatal(err)
	}
	if want := "scoring seeds 5000000 to 5000001"; !strings.Contains(out.String(), want) {
		t.Errorf("no %q in\n%s", want, out.String())
	}
	for first, want := range map[uint64]string{1: "development", scoreSeeds: "scoring", scoreSeeds - 2: "development and scoring"} {
		if got := rangeOf(first, 3); got != want {
			t.Errorf("3 seeds from %d: %q, want %q", first, got, want)
		}
	}
}

// TestLimits: the ideal detector needs fewer samples for a faster fall, and the
// bounds are those of white noise.
func TestLimits(t *testing.T) {
	tr, err := sim.Play(sim.Scenario{Kind: "vent", Seed: 3, Rate: 10000, SigmaPa: 1000, White: true})
	if err != nil {
		t.Fatal(err)
	}
	l, err := limits(tr, 0)
	if err != nil {
		t.Fatal(err)
	}
	if l.nLim < 1 || !l.allowed || l.onsetSD <= 0 || l.onsetSD > 1e-3 {
		t.Errorf("limit %+v", l)
	}
	m := math.Min(float64(l.start-l.begin), tr.RateHz)
	if want := 2 * l.sigma / math.Sqrt(m); math.Abs(l.pressureU/want-1) > 1e-9 {
		t.Errorf("pressure bound %g, want %g", l.pressureU, want)
	}
	if _, err := limits(tr, len(tr.Truth)); err == nil {
		t.Error("a truth that is not there has limits")
	}
}

// TestOnsetBoundKnowsLag: an onset is known no better than the lag that delays
// the reading, and no worse than both unknowns together make it.
func TestOnsetBoundKnowsLag(t *testing.T) {
	tr, err := sim.Play(sim.Scenario{Kind: "vent", Seed: 3, Rate: 10000, SigmaPa: 1000, White: true})
	if err != nil {
		t.Fatal(err)
	}
	bounds := map[float64]float64{}
	for _, u := range []float64{0, 20e-6, 80e-6} {
		tr.Series[0].Channel.LagUS = u
		l, err := limits(tr, 0)
		if err != nil {
			t.Fatal(err)
		}
		bounds[u] = l.onsetSD
	}
	if exact := bounds[0]; !(exact > 0 && exact < bounds[20e-6] && bounds[20e-6] < bounds[80e-6] && bounds[80e-6] < exact+1.1*80e-6) {
		t.Errorf("bounds of the onset by the lag's uncertainty: %v s", bounds)
	}
}

// TestCells scores one failing cell and one nuisance of the runaway rig.
func TestCells(t *testing.T) {
	rates := cellRates
	defer func() { cellRates = rates }()
	cellRates = [][2]float64{{100, 10}}
	var out bytes.Buffer
	if err := run(options{set: "small", n: 1, rig: "runaway", only: "runaway,fast-heater-glitch", first: 2}, &out); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"development seeds 2 to 2", "first ventings found", "1 of 1", "0 of 1", "coverage of the stated u of the gas"} {
		if !strings.Contains(out.String(), want) {
			t.Errorf("no %q in\n%s", want, out.String())
		}
	}
	if err := run(options{set: "small", n: 1, rig: "runaway", only: "rupture"}, &out); err == nil {
		t.Error("a burst scenario on a runaway rig")
	}
}
