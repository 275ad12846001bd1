package detect

import (
	"math"
	"math/rand/v2"
	"testing"
)

// openingsOf is how many openings a scene is told to have.
func openingsOf(s *scene, seed uint64) (n int, told string) {
	ev := run(benchOf(s), s.samples(rand.New(rand.NewPCG(*goalSeed, seed))))
	for _, e := range ev {
		if e.Opens() {
			n++
		}
	}
	return n, kinds(ev)
}

// TestSecondOpening has a second hole open while the first one still opens,
// rings or blows down, and single ones that take their time, which are one.
func TestSecondOpening(t *testing.T) {
	for i, c := range []struct {
		what            string
		rate, sigma     float64
		lag             float64
		openings        []opening
		ring, ringHz, q float64
	}{
		{what: "one opens for 12 ms", rate: 10000, sigma: 400, lag: 0.2e-3, openings: []opening{{t: 1, width: 12e-3, k: 20}}},
		{what: "one opens for 40 ms", rate: 1000, sigma: 1500, lag: 0.5e-3, openings: []opening{{t: 1.5, width: 40e-3, k: 8}}},
		{what: "one behind a long lag", rate: 5000, sigma: 800, lag: 3e-3, openings: []opening{{t: 1, width: 4e-3, k: 30}}},
		{what: "one that rings", rate: 10000, sigma: 500, openings: []opening{{t: 1, width: 1e-3, k: 5}}, ring: 8000, ringHz: 600, q: 8e-3},
		{what: "the second as the first has opened", rate: 2000, sigma: 800, openings: []opening{{t: 1, width: 10e-3, k: 2}, {t: 1.018, width: 2e-3, k: 6}}},
		{what: "the second behind a lag", rate: 10000, sigma: 140, lag: 1.2e-3, openings: []opening{{t: 1, width: 0.9e-3, k: 11}, {t: 1.012, width: 1e-3, k: 11}}},
		{what: "the second drains the vessel at once", rate: 10000, sigma: 120, lag: 0.2e-3, openings: []opening{{t: 1, width: 2e-3, k: 40}, {t: 1.018, width: 0.5e-3, k: 90}}},
		{what: "the second in the last hundredths", rate: 10000, sigma: 225, lag: 1.6e-3, openings: []opening{{t: 1, width: 0.3e-3, k: 36}, {t: 1.06, width: 0.2e-3, k: 176}}},
		{what: "the second empties the vessel soon", rate: 10000, sigma: 2500, lag: 1e-3, openings: []opening{{t: 1, width: 2e-3, k: 26}, {t: 1.037, width: 0.8e-3, k: 31}}},
		{what: "one to the very end", rate: 10000, sigma: 225, lag: 1.6e-3, openings: []opening{{t: 1, width: 0.3e-3, k: 36}}},
		{what: "the second late in a blow-down", rate: 1000, sigma: 200, openings: []opening{{t: 1, width: 10e-3, k: 0.75}, {t: 1.7, width: 0.3e-3, k: 0.9}}},
	} {
		s := scene{rate: c.rate, length: 2.5, start: ambientPa + 9e5, ramp: func(float64) float64 { return 2e4 }, sigma: c.sigma, lag: c.lag,
			openings: c.openings, ring: c.ring, ringHz: c.ringHz, ringTau: c.q}
		if n, told := openingsOf(&s, uint64(i)); n != len(c.openings) {
			t.Errorf("%s (seed %d, %d): told %s", c.what, *goalSeed, i, told)
		}
	}
}

// TestBlowDown compares with the textbook's nozzle (J. D. Anderson, Modern
// Compressible Flow), integrated in small steps.
func TestBlowDown(t *testing.T) {
	for _, c := range [][2]float64{{20e5, 10e5}, {5e5, 1.5e5}, {2e5, 1.2e5}, {1.5e5, 1.05e5}} {
		want, steps := 0.0, 20000
		step := math.Log(c[0]/c[1]) / float64(steps)
		for i := range steps {
			want += step / nozzle(c[1]*math.Exp((float64(i)+0.5)*step), ambientPa)
		}
		if got := blowDown(c[0], c[1], ambientPa); math.Abs(got/want-1) > 0.04 {
			t.Errorf("from %g to %g Pa: %g emptying times, the nozzle takes %g", c[0], c[1], got, want)
		}
	}
}
