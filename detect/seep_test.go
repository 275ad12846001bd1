package detect

import (
	"math"
	"math/rand/v2"
	"testing"
)

// A leak that shows as a ramp ends, before anything is known of the channel's
// noise, is told later on, and with its rate; gas that cools and
// a standing pressure are no leak.
func TestSeepIsALeak(t *testing.T) {
	const seed, end = 81, 0.05
	for _, c := range []struct {
		name string
		rate float64 // Pa/s after the ramp's end
		tau  float64 // s; the rate dies away with it; 0: it stays
		leak bool
	}{{"steady", 3e3, 0, true}, {"steady and small", 1.2e3, 0, true}, {"cools", 2e4, 1.2, false}, {"stands", 0, 0, false}} {
		t.Run(c.name, func(t *testing.T) {
			s := bar(5)
			s.ramp = func(now float64) float64 {
				switch {
				case now < end:
					return 2e4
				case c.tau > 0:
					return -c.rate * math.Exp(-(now-end)/c.tau)
				}
				return -c.rate
			}
			ev := run(benchOf(&s), s.samples(rand.New(rand.NewPCG(seed, 0))))
			leaks := of(ev, Leak)
			if (len(leaks) == 1) != c.leak || len(leaks) > 1 || len(opens(ev)) > 0 {
				t.Fatalf("seed %d: events %s, leak wanted: %v", seed, kinds(ev), c.leak)
			}
			if c.leak && (math.Abs(*leaks[0].RatePaS/c.rate-1) > 0.1 || math.Abs(seconds(leaks[0].Onset)-end) > 0.5) {
				t.Errorf("seed %d: leak of %.0f Pa/s from %.2f s on, truth %.0f from %.2f s on", seed, *leaks[0].RatePaS, seconds(leaks[0].Onset), c.rate, end)
			}
		})
	}
}
