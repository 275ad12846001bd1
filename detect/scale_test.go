package detect

import (
	"math"
	"math/rand/v2"
	"testing"
)

// E[min(z^2, c^2)] for a standard normal z, by its closed form.
func TestClipBias(t *testing.T) {
	q := 1 - normalCDF(clipSigma)
	want := 1 - 2*q - 2*clipSigma*normalPDF(clipSigma) + 2*clipSigma*clipSigma*q
	if math.Abs(clipBias-want) > 1e-4 {
		t.Errorf("clipBias = %g, the closed form gives %g", clipBias, want)
	}
}

// detection.md asks for the noise to 2 %.
func TestNoiseWithinTwoPercent(t *testing.T) {
	for seed := uint64(1); seed <= 3; seed++ {
		r := rand.New(rand.NewPCG(seed, 1))
		var n noise
		for i := range 80000 {
			n.push(250*r.NormFloat64() + 10*float64(i)) // on a ramp of 0.04 sigma a sample
		}
		if got := n.sigma() / 250; got < 0.98 || got > 1.02 {
			t.Errorf("seed %d: sigma = %.4f of the truth on a ramp", seed, got)
		}
		n = noise{}
		for range 80000 {
			n.push(250 * r.NormFloat64())
		}
		if got := n.sigma() / 250; got < 0.98 || got > 1.02 {
			t.Errorf("seed %d: sigma = %.4f of the truth", seed, got)
		}
	}
}

func TestNoiseFollowsAChange(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 3))
	var n noise
	for range 70000 {
		n.push(r.NormFloat64())
	}
	for range 20000 {
		n.push(5 * r.NormFloat64())
	}
	if s := n.sigma(); s < 4.5 || s > 5.5 {
		t.Errorf("sigma = %.2f after the noise grew to 5", s)
	}
}

func TestEnvelopeLeavesTheNewestOut(t *testing.T) {
	e := envelope{block: 4}
	for range 64 {
		e.push(1)
	}
	for range 4 {
		e.push(9)
	}
	if e.max != 1 {
		t.Errorf("max = %g while the excursion is four values old, want 1", e.max)
	}
	e.push(1)
	if e.max != 9 {
		t.Errorf("max = %g afterwards, want 9", e.max)
	}
}

// A converter whose step is coarse beside the noise, told in decimals of
// another unit: the scale never collapses, and the step is learned.
func TestNoiseOfFewCodes(t *testing.T) {
	const q = 91.55 // Pa
	for _, sigma := range []float64{0.02, 0.1, 0.35} {
		r := rand.New(rand.NewPCG(6, uint64(1000*sigma)))
		var n noise
		for range 40000 {
			v := q * math.Round(2000.45+sigma*r.NormFloat64())
			n.push(math.Round(v) / 1e3 * 1e3) // as written with three decimals of a kPa
		}
		if s := n.sigma(); s < 0.98*q/math.Sqrt(12) || s > q*(sigma+0.5) {
			t.Errorf("noise of %g steps: sigma = %.3g Pa with steps of %g Pa", sigma, s, q)
		}
		if got := n.code(); math.Abs(got-q) > 1 {
			t.Errorf("noise of %g steps: step of %g Pa learned, it is %g", sigma, got, q)
		}
	}
	var fine noise
	r := rand.New(rand.NewPCG(6, 1))
	for range 4096 {
		fine.push(250 * r.NormFloat64())
	}
	if fine.code() != 0 {
		t.Errorf("a step of %g Pa where there is none", fine.code())
	}
}
