package detect

import (
	"math"
	"math/rand/v2"
	"testing"
)

// TestFirstPressureHoldsCalibration asks that the pressure told before a fit is
// known holds what its transducer's certificate says (GUM, JCGM 100, 5.1.2: the
// parts in quadrature), so that nobody reads a few mbar beside a wrong zero.
func TestFirstPressureHoldsCalibration(t *testing.T) {
	const seed, off = 71, 4e3 // Pa
	for _, u := range []float64{0, off / 1.5} {
		s := bar(3, opening{t: 2, width: 0.5e-3, k: 10})
		o := benchOf(&s)
		o.Channels[0].Curve.UOffset = u
		smp := s.samples(rand.New(rand.NewPCG(seed, 0)))
		truth := s.clean(0)[20000]
		for i := range smp {
			smp[i].V += off
		}
		ev := run(o, smp)
		if len(ev) != 1 || ev[0].PressurePa == nil || ev[0].PressureUPa == nil {
			t.Fatalf("seed %d: told %s, want an opening with its pressure", seed, kinds(ev))
		}
		if holds := math.Abs(*ev[0].PressurePa-truth) < *ev[0].PressureUPa; holds != (u > 0) {
			t.Errorf("seed %d, certificate ± %g Pa: %g ± %g Pa, true %g", seed, 2*u, *ev[0].PressurePa, *ev[0].PressureUPa, truth)
		}
	}
}
