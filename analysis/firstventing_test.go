package analysis

import (
	"math"
	"math/rand/v2"
	"testing"

	"ventward/daq"
	"ventward/detect"
)

// TestFirstVentingOnset: the interval stated for a first venting's onset holds
// the true one about as often as it says, for rises that the fit's own model
// (an exponential) does and does not describe.
func TestFirstVentingOnset(t *testing.T) {
	const seed, traces = 20263, 30
	t.Logf("seed %d", seed)
	rises := map[string]func(x float64) float64{
		"exponential":       func(x float64) float64 { return -math.Expm1(-x / 0.2) },
		"two parts":         func(x float64) float64 { return -0.7*math.Expm1(-x/0.05) - 0.3*math.Expm1(-x/0.6) },
		"straight, then on": func(x float64) float64 { return math.Min(x/0.3, 1) },
	}
	for name, rise := range rises {
		rng := rand.New(rand.NewPCG(seed, 0))
		in, wide := 0, 0.0
		for range traces {
			w, ch, onset := ventedVessel(rng, rise)
			f := FitFirstVenting(w, ch)
			if f.Onset == nil {
				t.Fatalf("%s: %v", name, f.Absent)
			}
			if math.Abs(float64(*f.Onset-onset)) <= float64(*f.OnsetU) {
				in++
			}
			wide += float64(*f.OnsetU) * 1e-9 / traces
		}
		t.Logf("%s: %d of %d hold the onset, ± %.4f s on average", name, in, traces, wide)
		if in < traces*85/100 || wide > 0.02 {
			t.Errorf("%s: %d of %d intervals of ± %.4f s hold the onset", name, in, traces, wide)
		}
	}
}

// ventedVessel is the window of a vessel's slow warming and a rise of 0.4 bar
// at a random time between two samples at 200 Hz, with noise of 1 mbar.
func ventedVessel(rng *rand.Rand, rise func(float64) float64) (detect.Window, daq.Channel, int64) {
	const rate, noise, step = 200.0, 100.0, 0.4e5
	ch := daq.Channel{LagS: 2e-3, LagUS: 2e-4, Quantity: daq.Pressure}
	start := 2 + rng.Float64()/rate
	w := detect.Window{Event: 1, Serial: 1, Final: true, Rise: true}
	p := 0.0
	for i := range int(3.2 * rate) {
		x := float64(i) / rate
		const parts = 50
		for k := 1; k <= parts; k++ { // the lag, in steps far shorter than it
			y := x + (float64(k)/parts-1)/rate
			now := 50 * y
			if y > start {
				now += step * rise(y-start)
			}
			p += (now - p) * -math.Expm1(-1/rate/parts/ch.LagS)
		}
		w.T, w.V, w.Q = append(w.T, int64(x*1e9)), append(w.V, 1.1e5+p+noise*rng.NormFloat64()), append(w.Q, 0)
		if x < start+0.015 {
			w.Decided = i
		}
	}
	w.Until = len(w.T)
	return w, ch, int64(start * 1e9)
}

// Too little on either side of the rise, and no rise at all, give no onset and
// a reason.
func TestFirstVentingReasons(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 0))
	w, ch, _ := ventedVessel(rng, func(x float64) float64 { return 1 })
	short := w
	short.T, short.V, short.Q, short.Decided, short.Until = w.T[:8], w.V[:8], w.Q[:8], 4, 8
	flat := w
	flat.V = make([]float64, len(w.V))
	for i := range flat.V {
		flat.V[i] = 1e5 + 100*rng.NormFloat64()
	}
	for name, x := range map[string]detect.Window{"short": short, "flat": flat} {
		if f := FitFirstVenting(x, ch); f.Onset != nil || f.Absent["onset_u"] == "" {
			t.Errorf("%s: %+v", name, f)
		}
	}
}
