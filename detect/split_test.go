package detect

import (
	"math"
	"math/rand/v2"
	"testing"
)

// Hum that begins while the pressure rises is no opening once it is known, however
// much it swings at first; an opening soon after it has begun still is one.
func TestHumThatBeginsIsNoOpening(t *testing.T) {
	const seed, trials = 31, 40
	for i := range trials {
		for _, rate := range []float64{10000, 2000} {
			r := rand.New(rand.NewPCG(seed, uint64(i)))
			began, opens := 1+0.5*r.Float64(), i%2 == 1
			amp, hz := 5e3*(3+10*r.Float64()), []float64{50, 60}[r.IntN(2)]
			s := scene{rate: rate, length: 3.5, start: 1e6, sigma: 5e3, lag: 0.3e-3}
			s.ramp = func(float64) float64 { return 2e4 }
			s.post = func(_ int, t, v float64, _ *rand.Rand) (float64, bool) {
				return v + amp*math.Sin(2*math.Pi*hz*math.Max(0, t-began)), true
			}
			at := began + 0.2 + 0.6*r.Float64()
			if opens {
				s.openings = []opening{{t: at, width: 1e-3, k: 5}}
			}
			found := false
			for _, e := range run(benchOf(&s), s.samples(r)) {
				if d := float64(e.Decided) * 1e-9; e.Opens() && !opens {
					t.Errorf("seed %d, trial %d at %g Hz: hum that begins at %.4f s is called %s at %.4f s", seed, i, rate, began, e.Kind, d)
				} else if e.Opens() && d >= at {
					found = true
				}
			}
			if opens && !found {
				t.Errorf("seed %d, trial %d at %g Hz: the opening at %.4f s under hum from %.4f s on is lost", seed, i, rate, at, began)
			}
		}
	}
}

// The sample from which a tone is there is found to a small part of its period.
func TestToneBegins(t *testing.T) {
	const seed, trials, n = 32, 40, 2000
	r := rand.New(rand.NewPCG(seed, 0))
	for range trials {
		o := tone{hz: 50, h: 1}
		o.a[1] = 6
		o.tabulate(1, 5000)
		p := &pressure{cap: newCapture(5000), rate: 5000}
		began := 700 + r.IntN(600)
		for i := range n {
			k := i & p.cap.mask
			p.cap.t[k], p.cap.v[k] = int64(i)*200000, 1e6+0.01*float64(i)+r.NormFloat64()
			if i >= began {
				p.cap.v[k] += o.at(p.cap.t[k])
			}
		}
		p.cap.n = n
		if got := p.begins(&o, n-200); got < began-18 || got > began+18 {
			t.Errorf("seed %d: tone begins at sample %d, want %d", seed, got, began)
		}
	}
}
