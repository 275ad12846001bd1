package main

import (
	"errors"
	"math"
	"testing"

	"ventward/dashboard"
	"ventward/store"
)

// A ramp of 1 bar/s that dips for one sample: each stretch holds its least and
// its greatest sample however coarse it is, and the first and last reading are
// told.
func TestCurvesOfAStoredRun(t *testing.T) {
	const rate, n = 200.0, 1600
	file := writeTrace(t, "t_s,p_barg", rate, n, func(s float64) []float64 {
		if math.Abs(s-3.3) < 0.1/rate {
			return []float64{1.5}
		}
		return []float64{s}
	})
	data := t.TempDir()
	id := imported(t, data, file)
	st, err := store.Open(data, store.Options{BallastBytes: -1})
	if err != nil {
		t.Fatal(err)
	}
	defer st.Close()
	all, err := curvesOf(t.Context(), st, id, math.NaN(), math.NaN(), 8)
	if err != nil {
		t.Fatal(err)
	}
	shift := all.First // of the trace's time zero
	if d := all.Last - all.First; math.Abs(d-(n-1)/rate) > 2/rate {
		t.Errorf("recorded for %g s, want %g", d, (n-1)/rate)
	}
	for _, x := range []struct{ from, to, lo, hi float64 }{{3, 4, 1.5, 4}, {3.31, 3.81, 3.31, 3.81}} {
		c, err := curvesOf(t.Context(), st, id, shift+x.from, shift+x.to, 1)
		if err != nil {
			t.Fatal(err)
		}
		lo, hi := c.Traces[0].Bounds(0)
		if math.Abs(lo/1e5-x.lo) > 2/rate || math.Abs(hi/1e5-x.hi) > 2/rate {
			t.Errorf("from %g to %g s: %g to %g bar, want %g to %g", x.from, x.to, lo/1e5, hi/1e5, x.lo, x.hi)
		}
	}
	var no *dashboard.Refusal
	if _, err := curvesOf(t.Context(), st, id, math.NaN(), shift-5, 8); !errors.As(err, &no) {
		t.Errorf("before the run: %v", err)
	}
}
