package sim

import (
	"math"
	"slices"
	"testing"
)

// TestScenarios plays every kind: the openings it promises are in its truth
// and in its clean trace, and the same seed gives the same trace.
func TestScenarios(t *testing.T) {
	for _, k := range Scenarios() {
		t.Run(k.Name, func(t *testing.T) {
			for seed := uint64(1); seed <= uint64(1+min(1, k.Openings)); seed++ {
				tr, err := Play(Scenario{Kind: k.Name, Seed: seed, Rate: 2500})
				if err != nil {
					t.Fatal(err)
				}
				n := 0
				for i := range tr.Truth {
					if tr.Truth[i].Opens() {
						n++
						checkOpening(t, tr, i)
					}
				}
				if n != k.Openings {
					t.Errorf("seed %d: %d openings in the truth, want %d: %+v", seed, n, k.Openings, tr.Truth)
				}
				checkShape(t, tr)
			}
		})
	}
}

func checkShape(t *testing.T, tr *Trace) {
	t.Helper()
	for i := 1; i < len(tr.T); i++ {
		if tr.T[i] <= tr.T[i-1] {
			t.Fatalf("seed %d: time goes from %d to %d ns", tr.Scenario.Seed, tr.T[i-1], tr.T[i])
		}
	}
	for _, s := range tr.Series {
		if len(s.Raw) != len(tr.T) || len(s.V) != len(tr.T) || len(s.Clean) != len(tr.T) || len(tr.Lost) != len(tr.T) {
			t.Fatalf("columns of %d, %d, %d, %d rows for %d times", len(s.Raw), len(s.V), len(s.Clean), len(tr.Lost), len(tr.T))
		}
		for i, v := range s.Clean {
			if math.IsNaN(v) || math.IsInf(v, 0) {
				t.Fatalf("row %d is %g", i, v)
			}
		}
	}
}

// checkOpening compares the trace with its continuation without the opening:
// equal before the start, lower after.
func checkOpening(t *testing.T, tr *Trace, i int) {
	t.Helper()
	other, err := tr.Without(i)
	if err != nil {
		t.Fatal(err)
	}
	before, after := 0.0, 0.0
	for k, at := range tr.T {
		d := tr.Series[0].Clean[k] - other[0][k]
		if at < tr.Truth[i].StartNS {
			before = math.Max(before, math.Abs(d))
		} else {
			after = math.Min(after, d)
		}
	}
	if before > 20 || after > -100 {
		t.Errorf("%s seed %d, opening %d: before the start it differs by %g Pa (want < 20), after it falls by %g Pa (want more than 100)",
			tr.Scenario.Kind, tr.Scenario.Seed, i, before, -after)
	}
}

// TestPlayAgain: the same scenario gives the same trace, another seed another.
func TestPlayAgain(t *testing.T) {
	a, err := Play(Scenario{Kind: "lost-frames", Seed: 9, Rate: 2000})
	if err != nil {
		t.Fatal(err)
	}
	b, _ := Play(Scenario{Kind: "lost-frames", Seed: 9, Rate: 2000})
	c, _ := Play(Scenario{Kind: "lost-frames", Seed: 10, Rate: 2000})
	if !slices.Equal(a.Series[0].Raw, b.Series[0].Raw) || !slices.Equal(a.T, b.T) || !slices.Equal(a.Truth, b.Truth) {
		t.Error("the same scenario gives another trace")
	}
	if slices.Equal(a.Series[0].Raw, c.Series[0].Raw) {
		t.Error("another seed gives the same trace")
	}
	if _, err := Play(Scenario{Kind: "avalanche"}); err == nil {
		t.Error("an unknown kind is played")
	}
	if _, err := Play(Scenario{Kind: "vent", Rate: 1}); err == nil {
		t.Error("a rate of 1 Hz is played")
	}
	if _, err := a.Without(len(a.Truth)); err == nil {
		t.Error("a truth that is not there is left out")
	}
}

// TestBatches: they hold every row once with its own time, and a batch ends
// where rows were lost.
func TestBatches(t *testing.T) {
	tr, err := Play(Scenario{Kind: "lost-rows", Seed: 4})
	if err != nil {
		t.Fatal(err)
	}
	row, lost := 0, uint64(0)
	for _, b := range tr.Batches(50) {
		if b.K < 1 || b.K > 50 || len(b.Times) != b.K || len(b.Counts) != b.K*b.N || b.N != len(tr.Series) {
			t.Fatalf("a batch of %d rows, %d times, %d counts", b.K, len(b.Times), len(b.Counts))
		}
		lost += uint64(b.Lost)
		for k := range b.K {
			if b.Times[k] != tr.T[row] || b.Raw(k, 1) != tr.Series[1].Raw[row] || k > 0 && tr.Lost[row] != 0 {
				t.Fatalf("row %d is wrong", row)
			}
			row++
		}
	}
	if row != len(tr.T) || lost == 0 || math.Abs(float64(row)+float64(lost)-float64(tr.Span)*1e-9*tr.RateHz) > 2 {
		t.Errorf("%d rows and %d lost, of %d in the trace and %g s", row, lost, len(tr.T), float64(tr.Span)*1e-9)
	}
}

// TestNoiseOfTrace: between reading and clean value lie the noise it states,
// the calibration error and the rounding, nothing else.
func TestNoiseOfTrace(t *testing.T) {
	for seed := range uint64(5) {
		tr, err := Play(Scenario{Kind: "hold", Seed: seed, White: true, SigmaPa: 2000, Rate: 5000})
		if err != nil {
			t.Fatal(err)
		}
		s := &tr.Series[0]
		m, q, n := 0.0, 0.0, float64(len(s.V))
		for i := range s.V {
			d := s.V[i] - s.Clean[i]
			m += d / n
			q += d * d / n
		}
		step := s.Channel.Step
		near(t, "noise", math.Sqrt(q-m*m), math.Sqrt(2000*2000+step*step/12), 60)
		c := &s.Channel.Curve
		if lim := 4*c.UOffset + 4*c.UGain*s.Clean[0] + 200; math.Abs(m) > lim {
			t.Errorf("seed %d: a bias of %g Pa, more than %g", seed, m, lim)
		}
	}
}
