package detect

import (
	"math"
	"math/rand/v2"
	"testing"

	"ventward/daq"
)

// Siegmund's rule nu(x) = exp(-0.583 x) holds for small x (D. Siegmund,
// Sequential Analysis, Springer 1985, equation 4.37).
func TestOvershootNearSiegmundsRule(t *testing.T) {
	for _, x := range []float64{0.1, 0.5, 1, 1.5, 2} {
		got, want := overshoot(x), math.Exp(-0.583*x)
		if math.Abs(got-want) > 0.02 {
			t.Errorf("overshoot(%g) = %.4f, the rule gives %.4f", x, got, want)
		}
	}
	if overshoot(0) != 1 {
		t.Errorf("overshoot(0) = %g, want 1", overshoot(0))
	}
}

func TestThresholdInvertsTheRate(t *testing.T) {
	for _, n := range []int{4, 8, 16, 32} {
		for _, rate := range []float64{1e-4, 1e-6, 1e-9, 1e-12} {
			z := thresholdFor(rate, n)
			if got := exceedances(z, n); math.Abs(got/rate-1) > 1e-6 {
				t.Errorf("n %d: exceedances(%.4f) = %g, want %g", n, z, got, rate)
			}
		}
	}
}

// The rate formula is checked against white noise itself.
func TestExceedancesOnWhiteNoise(t *testing.T) {
	const seed, z, total = 11, 3.3, 1_500_000
	for _, n := range []int{4, 16} {
		r := rand.New(rand.NewPCG(seed, uint64(n)))
		ring := make([]float64, n)
		sum, count, quiet := 0.0, 0, 0
		for i := range total {
			x := r.NormFloat64()
			sum += x - ring[i%n]
			ring[i%n] = x
			quiet--
			if sum > z*math.Sqrt(float64(n)) && quiet < 0 {
				count++
				quiet = 2 * n
			}
		}
		want := exceedances(z, n) * total
		if ratio := float64(count) / want; ratio < 0.8 || ratio > 1.2 {
			t.Errorf("seed %d, n %d: %d exceedances, the formula gives %.0f", seed, n, count, want)
		}
	}
}

// The mean number of samples between false alarms on white noise is within a
// factor of two of what was stated, also where alarms follow each other within
// the longest baseline, 1e5 samples, and each makes it begin anew.
func TestFalseAlarmsAreAsStated(t *testing.T) {
	const seed = 12
	for _, c := range []struct {
		stated float64 // samples
		total  int
	}{{1e4, 500_000}, {1e5, 3_000_000}, {1e6, 8_000_000}} {
		got := falseAlarms(t, seed, c.stated, c.total)
		want := float64(c.total) / c.stated
		if r := float64(got) / want; r < 0.5 || r > 2 {
			t.Errorf("seed %d, stated %.0g samples: %d alarms, %.1f stated, want half to twice as many", seed, c.stated, got, want)
		}
	}
}

// falseAlarms counts what is called on white noise.
func falseAlarms(t *testing.T, seed uint64, stated float64, total int) (n int) {
	t.Helper()
	r := rand.New(rand.NewPCG(seed, uint64(stated)))
	o := benchOf(&scene{rate: 10000})
	o.FalseAlarmS = stated / 10000
	m, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	var buf [500]daq.Sample
	for i := 0; i < total; i += len(buf) {
		for k := range buf {
			x := r.NormFloat64()
			buf[k] = daq.Sample{T: int64(i+k) * 1e5, V: 1e6 + 1000*x, Raw: x}
		}
		m.Step(0, buf[:])
		for _, e := range m.Take().Events {
			if e.Rev == 1 && e.Kind != SensorFault {
				n++
			}
		}
	}
	return n
}

func TestQuantBound(t *testing.T) {
	cases := []struct{ s, q, want, tol float64 }{
		{0, 10, 4.77, 0.01},   // first harmonic of a sawtooth, with half as much again: 1.5 q/pi
		{5, 10, 0.0344, 1e-3}, // half a step of noise linearises the converter
		{100, 10, 0, 1e-12},
		{1, 0, 0, 0},
	}
	for _, c := range cases {
		if got := quantBound(c.s, c.q); math.Abs(got-c.want) > c.tol {
			t.Errorf("quantBound(%g, %g) = %g, want %g", c.s, c.q, got, c.want)
		}
	}
}
