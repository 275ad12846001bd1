package detect

import (
	"math/rand/v2"
	"testing"
)

// TestGapOnOnset has samples missing on an opening's first moments, after which
// the pressure is still above what it was before the gap, and gaps in which only
// the ramp changes.
func TestGapOnOnset(t *testing.T) {
	for i, c := range []struct {
		what             string
		rate, sigma, lag float64
		lost             int     // samples
		after            float64 // s from the opening to the end of the gap
		ramp, then       float64 // Pa/s, before and after the gap
		k                float64
		want             int
	}{
		{what: "10 ms lost", rate: 2000, sigma: 4400, lag: 1.6e-3, lost: 20, after: 2e-3, ramp: 1e5, then: 1e5, k: 2.4, want: 1},
		{what: "behind a lag", rate: 20000, sigma: 300, lag: 2e-3, lost: 28, after: 0.7e-3, ramp: 2e5, then: 2e5, k: 4, want: 1},
		{what: "a steep ramp", rate: 5000, sigma: 1000, lag: 0.5e-3, lost: 40, after: 1e-3, ramp: 5e5, then: 5e5, k: 3, want: 1},
		{what: "the ramp stops", rate: 2000, sigma: 1000, lag: 0.5e-3, lost: 40, ramp: 4e5, then: 0},
		{what: "the ramp halves", rate: 10000, sigma: 500, lag: 0.5e-3, lost: 400, ramp: 4e5, then: 2e5},
	} {
		const open = 1.5
		end := open + c.after
		s := scene{rate: c.rate, length: 3, start: ambientPa + 14e5, sigma: c.sigma, lag: c.lag}
		s.ramp = func(t float64) float64 {
			if t < end-float64(c.lost)/c.rate/2 {
				return c.ramp
			}
			return c.then
		}
		if c.k > 0 {
			s.openings = []opening{{t: open, k: c.k, width: 0.3e-3}}
		}
		s.post = func(_ int, t, v float64, _ *rand.Rand) (float64, bool) {
			return v, t < end-float64(c.lost)/c.rate || t >= end
		}
		if n, told := openingsOf(&s, 500+uint64(i)); n != c.want {
			t.Errorf("%s (seed %d, %d): told %s", c.what, *goalSeed, 500+i, told)
		}
	}
}
