package analysis

import (
	"math"
	"testing"
)

// A flat fit can say that it knows the onset to a thousand seconds; the window
// of the samples knows better. What is within it stays as it is.
func TestUncertaintyStaysWithinTheWindow(t *testing.T) {
	flat := seen{onsetU: 1e3, startU: 2e3, level: 28e5, levelU: 1e8, ramp: 1e5}
	flat.withinWindow(0.6, 300)
	u := 0.6 / math.Sqrt(12) // a rectangle of the span: GUM (JCGM 100:2008) 4.3.7
	if flat.onsetU != u || flat.startU != 2*u || math.Abs(flat.levelU-math.Hypot(600, 1e5*u)) > 1e-6 {
		t.Errorf("%+v", flat)
	}
	good := seen{onsetU: 1e-4, startU: 3e-4, level: 28e5, levelU: 120, ramp: 1e5}
	was := good
	if good.withinWindow(0.6, 300); good != was {
		t.Errorf("%+v became %+v", was, good)
	}
}

// TestEmptiedAt integrates Torricelli's law (dp/dt = -k·x·√p in units of the
// initial pressure, x growing straight over the opening time) in small steps.
func TestEmptiedAt(t *testing.T) {
	for _, rate := range []float64{4.5e3, 2e4, 3e5} {
		const width = 2e-3
		p, x := 1.0, 0.0
		for ; p > 0; x += 1e-5 {
			p -= rate * x * math.Sqrt(p) * 1e-5 * width
		}
		if got := emptiedAt(width, rate); math.Abs(got/x-1) > 0.01 {
			t.Errorf("at %g/s the pressure is gone at %.4f of the opening time, want %.4f", rate, got, x)
		}
	}
}
