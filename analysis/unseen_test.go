package analysis

import (
	"math"
	"math/rand/v2"
	"testing"
)

// TestOpeningLongerThanEmptying has holes that still grow when the vessel is empty:
// what they come to afterwards is not seen, and the interval of the effective onset
// must hold it.
func TestOpeningLongerThanEmptying(t *testing.T) {
	for seed, shape := range []int{0, 0, 2} {
		sp := plain()
		sp.shape, sp.volume, sp.area, sp.width, sp.after = shape, 15e-6, 100e-6, 0.05-0.01*float64(seed), 0.1
		w, ch, o, onset, ok := sp.window(rand.New(rand.NewPCG(11, uint64(seed))))
		if !ok {
			t.Fatal("no trigger would fire on the test's own opening")
		}
		f := FitOpening(w, ch, o)
		if e, width := float64(*f.Onset-onset), sp.width*1e9; math.Abs(e) > 1.2*float64(*f.OnsetU) || float64(*f.OnsetU) > 1.5*width {
			t.Errorf("seed 11, %d, shape %d: onset off by %g ns, stated u %d", seed, shape, e, *f.OnsetU)
		}
		if f.AreaM2 != nil || f.AreaLowerM2 == nil || *f.AreaLowerM2 > sp.area {
			t.Errorf("seed 11, %d, shape %d: area %v, at least %v: the hole's end is not seen", seed, shape, f.AreaM2, f.AreaLowerM2)
		}
	}
}

// TestTornAtFirst has a hole that grows with the square root of time, as a line that
// rings slowly would make it look: the effective onset is a third of the opening
// time after the start, the mean time of the growth.
func TestTornAtFirst(t *testing.T) {
	for seed, width := range []float64{5e-3, 7e-3} {
		sp := plain()
		sp.shape, sp.volume, sp.width = 3, 150e-6, width
		w, ch, o, middle, ok := sp.window(rand.New(rand.NewPCG(12, uint64(seed))))
		if !ok {
			t.Fatal("no trigger would fire on the test's own opening")
		}
		f := FitOpening(w, ch, o)
		e := float64(*f.Onset-middle) + width*1e9*(1.0/2-1.0/3)
		if math.Abs(e) > 1.5*float64(*f.OnsetU) || float64(*f.OnsetU) > 0.1*width*1e9 {
			t.Errorf("seed 12, %d: onset off by %g ns, stated u %d", seed, e, *f.OnsetU)
		}
		if f.AreaM2 == nil || math.Abs(*f.AreaM2/sp.area-1) > 0.05 {
			t.Errorf("seed 12, %d: area %g, true %g; %v", seed, *f.AreaM2, sp.area, f.Absent)
		}
	}
}

// TestOpeningLongerThanAllowedAtFirst has holes that take some 0.1 s to open, in a
// vessel that empties as slowly: where only the beginning of the fall is explained
// by an opening of usual length, the whole is by a longer one.
func TestOpeningLongerThanAllowedAtFirst(t *testing.T) {
	for seed, width := range []float64{0.1, 0.08} {
		sp := plain()
		sp.shape, sp.sigma, sp.width, sp.after = 2, 1000, width, 0.3
		sp.area = []float64{1.4e-6, 2.6e-6}[seed]
		w, ch, o, onset, ok := sp.window(rand.New(rand.NewPCG(13, uint64(3+2*seed))))
		if !ok {
			t.Fatal("no trigger would fire on the test's own opening")
		}
		f := FitOpening(w, ch, o)
		if e := float64(*f.Onset - onset); math.Abs(e) > math.Max(0.02*width*1e9, float64(*f.OnsetU)) {
			t.Errorf("seed 13, %d: onset off by %g ns, stated u %d", 3+2*seed, e, *f.OnsetU)
		}
		if f.AreaM2 != nil && math.Abs(*f.AreaM2/sp.area-1) > 0.1 || f.AreaLowerM2 != nil && *f.AreaLowerM2 > sp.area {
			t.Errorf("seed 13, %d: area %v, at least %v, true %g; %v", 3+2*seed, f.AreaM2, f.AreaLowerM2, sp.area, f.Absent)
		}
	}
}
