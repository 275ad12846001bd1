package analysis

import (
	"math"
	"math/rand"
	"strings"
	"testing"
)

// stepTrace makes a step through a first-order transducer with noise and, where
// ring > 0, a damped oscillation.
func stepTrace(rng *rand.Rand, rate, tau, noise, ring, hz, damping float64) (t, p []float64) {
	n := int(0.4 * rate)
	onset := 0.1 + 0.3/rate
	for i := range n {
		x := float64(i) / rate
		v := 5e5
		if u := x - onset; u > 0 {
			v = 5e5 * math.Exp(-u/tau)
			w := 2 * math.Pi * hz
			v += ring * math.Exp(-damping*w*u) * math.Sin(w*u)
		}
		t, p = append(t, x), append(p, v+noise*rng.NormFloat64())
	}
	return t, p
}

// The time constant comes back, and its interval (k = 2) holds it.
func TestLagOfAStep(t *testing.T) {
	const seed = 11
	rng := rand.New(rand.NewSource(seed))
	inside, n := 0, 0
	for _, tau := range []float64{0.5e-3, 1e-3, 3e-3, 10e-3} {
		for range 8 {
			ts, p := stepTrace(rng, 10e3, tau, 500, 0, 1, 0)
			l, err := IdentifyLag(ts, p)
			if err != nil {
				t.Fatalf("seed %d, tau %g: %v", seed, tau, err)
			}
			if math.Abs(l.TauS.Value-tau) > 0.02*tau || l.Coarse || l.Ring != nil {
				t.Errorf("seed %d, tau %g s: %+v", seed, tau, l)
			}
			if math.Abs(l.NoisePa-500) > 50 || math.Abs(l.OnsetS-0.10003) > 1e-4 || math.Abs(l.FromPa-5e5) > 200 {
				t.Errorf("seed %d, tau %g s: %+v", seed, tau, l)
			}
			n++
			if math.Abs(l.TauS.Value-tau) <= 2*l.TauS.U {
				inside++
			}
		}
	}
	if part := float64(inside) / float64(n); part < 0.85 {
		t.Errorf("seed %d: %.2f of %d intervals hold the true time constant", seed, part, n)
	}
}

// A line that rings: frequency and damping come back and don't spoil the lag.
func TestLagAndResonance(t *testing.T) {
	const seed = 12
	rng := rand.New(rand.NewSource(seed))
	inside, n := 0, 0
	for _, c := range []struct{ hz, damping float64 }{{300, 0.05}, {820, 0.08}, {1500, 0.03}} {
		for range 8 {
			ts, p := stepTrace(rng, 10e3, 2e-3, 300, 40e3, c.hz, c.damping)
			l, err := IdentifyLag(ts, p)
			if err != nil || l.Ring == nil {
				t.Errorf("seed %d, %g Hz: %+v, %v", seed, c.hz, l, err)
				continue
			}
			if math.Abs(l.Ring.Hz.Value-c.hz) > 0.01*c.hz || math.Abs(l.Ring.Damping-c.damping) > 0.1*c.damping || math.Abs(l.TauS.Value-2e-3) > 0.02e-3 || l.Ring.Explains < 0.9 {
				t.Errorf("seed %d: %+v, %+v; want %g Hz, damping %g, 2 ms", seed, l, *l.Ring, c.hz, c.damping)
			}
			n += 2
			if math.Abs(l.TauS.Value-2e-3) <= 2*l.TauS.U {
				inside++
			}
			if math.Abs(l.Ring.Hz.Value-c.hz) <= 2*l.Ring.Hz.U {
				inside++
			}
		}
	}
	if part := float64(inside) / float64(n); part < 0.85 {
		t.Errorf("seed %d: %.2f of %d intervals hold the true value", seed, part, n)
	}
}

// A step faster than the sampling gives an upper bound and says so; noise and a
// ramp are no step.
func TestLagLimits(t *testing.T) {
	rng := rand.New(rand.NewSource(13))
	ts, p := stepTrace(rng, 1000, 0.2e-3, 100, 0, 1, 0)
	if l, err := IdentifyLag(ts, p); err != nil || !l.Coarse {
		t.Errorf("%+v, %v", l, err)
	}
	for i := range p {
		p[i] = 5e5 + 100*rng.NormFloat64()
	}
	if l, err := IdentifyLag(ts, p); err == nil || !strings.Contains(err.Error(), "stand out") {
		t.Errorf("noise alone: %+v, %v", l, err)
	}
	if _, err := IdentifyLag(ts[:10], p[:10]); err == nil {
		t.Error("ten readings were enough")
	}
	for i := range p {
		p[i] = math.NaN()
	}
	if _, err := IdentifyLag(ts, p); err == nil {
		t.Error("missing readings were enough")
	}
}

func BenchmarkIdentifyLag(b *testing.B) {
	ts, p := stepTrace(rand.New(rand.NewSource(1)), 10e3, 2e-3, 300, 40e3, 820, 0.08)
	b.ReportAllocs()
	for b.Loop() {
		if _, err := IdentifyLag(ts, p); err != nil {
			b.Fatal(err)
		}
	}
}
