package detect

import (
	"math"
	"math/rand/v2"
	"testing"

	"ventward/daq"
)

// A reading that leaps to the end of the range and is back on the line at once
// is the rail's, however long it stayed; a ramp that grows beyond the range, and
// comes back into it because something opened, is an opening (from memory: what
// a lifted input of a converter does).
func TestLeapToTheEndIsTheRails(t *testing.T) {
	const seed, end = 71, 40e5
	for k, c := range []struct {
		from, to float64 // s, at the end
		opens    float64 // s; 0: nothing does
		want     int
	}{
		{1.4, 1.42, 0, 0},
		{1.4, 1.55, 0, 0},
		{1.4, 2.1, 0, 0},
		{0, 0, 2.5, 1},   // saturated by the ramp itself
		{1.4, 1.5, 2, 1}, // opens later
	} {
		s := bar(4)
		if c.opens > 0 {
			s = bar(4, opening{t: c.opens, width: 1e-3, k: 4})
		}
		top := end
		if c.to == 0 {
			top = s.clean(0)[int(2.4*s.rate)]
		}
		s.post = func(_ int, now, v float64, _ *rand.Rand) (float64, bool) {
			if now > c.from && now < c.to {
				v = end
			}
			return math.Min(v, top), true
		}
		smp := s.samples(rand.New(rand.NewPCG(seed, uint64(k))))
		for i := range smp {
			if smp[i].V >= top-s.lsb {
				smp[i].Q |= daq.Saturated
			}
		}
		ev := run(benchOf(&s), smp)
		if got := opens(ev); len(got) != c.want {
			t.Errorf("case %d, seed %d: events %s, want %d openings", k, seed, kinds(ev), c.want)
		}
		rails := 0
		for _, e := range of(ev, SensorFault) {
			if e.Fault == FaultRail {
				rails++
			}
		}
		if (rails > 0) != (c.to > 0) {
			t.Errorf("case %d, seed %d: events %s with %d of the rail", k, seed, kinds(ev), rails)
		}
	}
}
