package calib

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"
)

// readings returns n readings at 100 Hz about level, drifting, with noise.
func readings(seed uint64, n int, level, slope, noise float64) (t, v []float64) {
	r := rand.New(rand.NewPCG(seed, 0))
	for i := range n {
		at := float64(i) / 100
		t, v = append(t, at), append(v, level+slope*at+noise*r.NormFloat64())
	}
	return t, v
}

var zeroable = Curve{Kind: Linear, Gain: 1, ZeroLimit: 20e3, ZeroSlopeLimit: 200}

func TestTakeZero(t *testing.T) {
	const seed = 5
	t.Logf("seed %d", seed)
	ts, vs := readings(seed, 500, 1500, 0, 300)
	c := zeroable
	c.Zero = 700 // what is subtracted already belongs to the new zero
	z, err := c.TakeZero(ts, vs, 0)
	if err != nil {
		t.Fatal(err)
	}
	if math.Abs(z.Value-2200) > 4*z.U || math.Abs(z.U-300/math.Sqrt(500)) > 2 || math.Abs(z.Noise-300) > 30 || z.N != 500 {
		t.Errorf("zero %+v, want 2200 +- %.1f", z, 300/math.Sqrt(500))
	}
	// An absolute transducer open to air reads the barometer.
	ts, vs = readings(seed, 500, 99000, 0, 30)
	if z, err = zeroable.TakeZero(ts, vs, 98500); err != nil || math.Abs(z.Value-500) > 8 {
		t.Errorf("absolute: %+v (%v), want 500", z, err)
	}
	// Readings that are missing are skipped.
	vs[3], vs[77] = math.NaN(), math.Inf(1)
	if z, err = zeroable.TakeZero(ts, vs, 98500); err != nil || z.N != 498 {
		t.Errorf("with gaps: %+v (%v)", z, err)
	}
}

// Repeated zeros scatter as U and SlopeU say (statistical check: over 400 seeds
// the mean squared ratio is 1 within 4 of its own standard deviations).
func TestZeroStatesItsScatter(t *testing.T) {
	var a, b float64
	const trials = 400
	for s := range uint64(trials) {
		ts, vs := readings(1000+s, 200, 0, 0, 50)
		z, err := zeroable.TakeZero(ts, vs, 0)
		if err != nil {
			t.Fatal(err)
		}
		a += z.Value * z.Value / (z.U * z.U) / trials
		b += z.Slope * z.Slope / (z.SlopeU * z.SlopeU) / trials
	}
	t.Logf("seeds 1000 to %d: value %.3f, slope %.3f of the stated variance", 999+trials, a, b)
	if limit := 4 * math.Sqrt(2.0/trials); math.Abs(a-1) > limit || math.Abs(b-1) > limit {
		t.Errorf("value %.3f, slope %.3f of the stated variance, want 1 within %.2f", a, b, limit)
	}
}

func TestZeroIsRefused(t *testing.T) {
	good := func() ([]float64, []float64) { return readings(9, 500, 1000, 0, 100) }
	ts, vs := good()
	pressT, pressV := readings(9, 500, 50e3, 0, 100)
	slopeT, slopeV := readings(9, 500, 0, 900, 100)
	shortT, shortV := readings(9, ZeroMinSamples-1, 0, 0, 100)
	noisyT, noisyV := readings(9, 20, 0, 0, 3000)
	nanV := make([]float64, len(ts))
	for i := range nanV {
		nanV[i] = math.NaN()
	}
	limitless := Curve{Kind: Linear, Gain: 1}
	for _, c := range []struct {
		name  string
		curve Curve
		t, v  []float64
		want  float64
		says  string
	}{
		{"under pressure", zeroable, pressT, pressV, 0, "zero_limit = 20000"},
		{"drifting", zeroable, slopeT, slopeV, 0, "zero_slope_limit = 200"},
		{"drift not known", zeroable, noisyT, noisyV, 0, "longer time"},
		{"too short", zeroable, shortT, shortV, 0, "at least 16"},
		{"all missing", zeroable, ts, nanV, 0, "0 sound readings"},
		{"no limits", limitless, ts, vs, 0, "state both"},
		{"no barometer", zeroable, ts, vs, math.NaN(), "barometer"},
		{"one time", zeroable, make([]float64, len(vs)), vs, 0, "same time"},
		{"uneven", zeroable, ts[1:], vs, 0, "one each"},
	} {
		if _, err := c.curve.TakeZero(c.t, c.v, c.want); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v, want an error with %q", c.name, err, c.says)
		}
	}
}
