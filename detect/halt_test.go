package detect

import (
	"math/rand/v2"
	"testing"
)

// A ramp that may have stopped is an opening where something else opens within a
// second though the pressure rose no further, and stays a stop where that comes
// later, where it is nothing, or where a valve tells. That gas cools by up to
// gamma-1 of the ramp follows from the first law; how long a hold lasts is a
// judgement.
func TestWhatComesAfterAStopTellsWhatItWas(t *testing.T) {
	const seed = 66
	for _, c := range []struct {
		name   string
		next   float64 // s after the stop that the next opening comes; 0: none
		opened int
	}{
		{"nothing", 0, 0},
		{"an opening soon", 0.6, 2},
		{"an opening in the hold", 3, 1},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := cooled(7, 1e5, 2, 0.7)
			if c.next > 0 {
				s.openings = []opening{{t: 2 + c.next, width: 1e-3, k: 30}}
			}
			ev := run(benchOf(&s), s.samples(rand.New(rand.NewPCG(seed, 0))))
			if got := opens(ev); len(got) != c.opened {
				t.Fatalf("seed %d: events %s, want %d openings", seed, kinds(ev), c.opened)
			}
			if len(ev) == 0 || !ev[0].Has(FlagKindUncertain) && c.next > 0 && c.next < 1 {
				t.Errorf("seed %d: events %v, want the first with %s", seed, ev, FlagKindUncertain)
			}
		})
	}
}
