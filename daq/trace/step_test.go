package trace

import (
	"math/rand/v2"
	"slices"
	"testing"
)

// The median step is that of the sorted steps, whether they are few or all
// different.
func TestMedianStep(t *testing.T) {
	const seed = 7
	r := rand.New(rand.NewPCG(seed, 1))
	for _, jitter := range []int64{1, 2, 5, 1e6} {
		for _, n := range []int{2, 3, 4, 501, 20000} {
			times, steps := []int64{0}, []int64{}
			for range n - 1 {
				steps = append(steps, 1e6+r.Int64N(jitter))
				times = append(times, times[len(times)-1]+steps[len(steps)-1])
			}
			slices.Sort(steps)
			if got, want := MedianStep(times), steps[(len(steps)-1)/2]; got != want {
				t.Errorf("seed %d, %d times, jitter %d ns: %d, want %d", seed, n, jitter, got, want)
			}
		}
	}
	if got := MedianStep([]int64{5}); got != 0 {
		t.Errorf("one time: %d, want 0", got)
	}
}
