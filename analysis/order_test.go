package analysis

import (
	"math"
	"math/rand/v2"
	"testing"
)

// TestSecondOrderTransducer has transducers of second order whose stated lag is
// their delay of a ramp, 2d/w: taken for first order with a line besides, the onset
// would be the lag too early.
func TestSecondOrderTransducer(t *testing.T) {
	const lag = 1.5e-3
	for i, damping := range []float64{0.6, 0.8, 0.95} {
		sp := plain()
		sp.lag, sp.ringHz, sp.ringDamping, sp.sigma, sp.step = 0, damping/(math.Pi*lag), damping, 300, 20
		w, ch, o, onset, ok := sp.window(rand.New(rand.NewPCG(5, uint64(i))))
		if !ok {
			t.Fatal("no trigger would fire on the test's own opening")
		}
		ch.LagS = lag
		f := FitOpening(w, ch, o)
		if e := float64(*f.Onset - onset); math.Abs(e) > 1.5*float64(*f.OnsetU) || math.Abs(e) > 60e3 {
			t.Errorf("seed 5, %d, damping %g: onset off by %g ns, stated u %d", i, damping, e, *f.OnsetU)
		}
		if f.AreaM2 == nil || math.Abs(*f.AreaM2/sp.area-1) > 0.04 {
			t.Errorf("seed 5, %d, damping %g: area %v, true %g; %v", i, damping, f.AreaM2, sp.area, f.Absent)
		}
	}
}

// TestLineLikeASecondOrder has a line that is damped as a transducer of second order
// may be, before one of first order: taken for that, the onset would be the line's
// delay, 2d/w, late with an interval of a twentieth of it.
func TestLineLikeASecondOrder(t *testing.T) {
	for i, line := range []struct{ hz, damping, width float64 }{{794, 0.44, 0.05e-3}, {419, 0.46, 0.7e-3}} {
		sp := plain()
		sp.rate, sp.lag, sp.ringHz, sp.ringDamping, sp.width, sp.area = 20000, 0.2e-3, line.hz, line.damping, line.width, 22e-6
		sp.sigma, sp.step = 600, 20
		w, ch, o, onset, ok := sp.window(rand.New(rand.NewPCG(6, uint64(i))))
		if !ok {
			t.Fatal("no trigger would fire on the test's own opening")
		}
		ch.LagUS = 0.05 * sp.lag
		f := FitOpening(w, ch, o)
		if e := float64(*f.Onset - onset); math.Abs(e) > 1.5*float64(*f.OnsetU) {
			t.Errorf("seed 6, %d, %g Hz: onset off by %g ns, stated u %d", i, line.hz, e, *f.OnsetU)
		}
	}
}

// TestMirrorImageOfALine has a line that rings near half of the sample rate: the
// samples tell its resonance from its mirror image hardly, or not at all where the
// pressure is gone within two of them, and its delay of the onset is another.
func TestMirrorImageOfALine(t *testing.T) {
	for _, c := range []struct {
		seed, phase uint64
		area        float64
	}{{20273, 1, 220e-6}, {20273, 3, 220e-6}, {1, 1, 400e-6}, {2, 0, 400e-6}} {
		sp := plain()
		sp.rate, sp.lag, sp.ringHz, sp.ringDamping, sp.width, sp.shape = 1000, 0.1e-3, 458, 0.26, 0.5e-3, 2
		sp.area, sp.sigma, sp.step, sp.before = c.area, 1500, 50, 0.5
		sp.phase = float64(c.phase) / 8
		w, ch, o, onset, ok := sp.window(rand.New(rand.NewPCG(c.seed, c.phase)))
		if !ok {
			t.Fatal("no trigger would fire on the test's own opening")
		}
		ch.LagUS = 0.02 * sp.lag
		f := FitOpening(w, ch, o)
		if e, u := float64(*f.Onset-onset), float64(*f.OnsetU); math.Abs(e) > 1.5*u || u > 1e6 {
			t.Errorf("seed %d, %d: onset off by %g ns, stated u %g", c.seed, c.phase, e, u)
		}
	}
}
