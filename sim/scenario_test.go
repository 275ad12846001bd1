package sim

import (
	"math"
	"testing"
)

// TestScenarios plays every kind: the openings it promises are in its truth
// and in its clean trace, and the same seed gives the same trace.
func TestScenarios(t *testing.T) {
	for _, k := range Scenarios() {
		t.Run(k.Name, func(t *testing.T) {
			for seed := uint64(1); seed <= uint64(1+min(1, k.Openings)); seed++ {
				tr, err := Play(Scenario{Kind: k.Name, Seed: seed})
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
