package detect

import (
	"math"
	"math/rand/v2"
	"testing"
)

// A volume that grows like t² takes more and more of the ramp, an opening its
// full share at once, of which 1-1/gamma comes back as the wall warms the gas
// (both from the balance of the gas).
func TestWhatYieldsIsToldFromWhatOpens(t *testing.T) {
	const seed = 67
	yields := func(now float64) float64 {
		if now < 2 {
			return 1e5
		}
		return 1e5 * (1 - 0.8*(now-2)/0.6)
	}
	opens := func(now float64) float64 {
		if now < 2 {
			return 1e5
		}
		return 1e5 - 0.3e5*(1/1.4+(1-1/1.4)*math.Exp(-(now-2)/0.5)) // the wall warms what has cooled
	}
	for _, c := range []struct {
		name  string
		ramp  func(float64) float64
		first Kind
	}{
		{"yields", yields, Bulge},
		{"opens", opens, VentOpening},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := bar(4)
			s.ramp = c.ramp
			s.openings = []opening{{t: 2.6, width: 1e-3, k: 50}}
			ev := run(benchOf(&s), s.samples(rand.New(rand.NewPCG(seed, 0))))
			if len(ev) < 2 || ev[0].Kind != c.first || !ev[1].Opens() {
				t.Errorf("seed %d: events %s, want %s and an opening", seed, kinds(ev), c.first)
			}
		})
	}
}

// A bottom that begins to give within tenths of a second and goes on as it does, or
// comes to rest, lets the pressure rise on, only slower; a vent takes what it
// takes within milliseconds.
func TestWhatGivesLittleByLittleIsABulge(t *testing.T) {
	const seed = 68
	loses := func(over, rests float64) func(float64) float64 {
		return func(now float64) float64 {
			share := math.Min(math.Max(0, (now-2)/over), 1)
			if rests > 0 {
				share *= 1 - math.Min(math.Max(0, (now-rests)/0.3), 1)
			}
			return 1e5 * (1 - 0.5*share)
		}
	}
	for i, c := range []struct {
		name string
		ramp func(float64) float64
		rate float64
		want Kind
	}{
		{"goes on", loses(0.3, 0), 10000, Bulge},
		{"goes on, few samples", loses(0.3, 0), 1000, Bulge},
		{"comes to rest", loses(0.25, 2.8), 10000, Bulge},
		{"at once", loses(0.004, 0), 10000, VentOpening},
		{"at once, few samples", loses(0.004, 0), 1000, VentOpening},
	} {
		s := scene{rate: c.rate, length: 4, start: 20e5, sigma: 300, ramp: c.ramp, lag: 0.3e-3}
		ev := run(benchOf(&s), s.samples(rand.New(rand.NewPCG(seed, uint64(i)))))
		if len(ev) == 0 || ev[0].Kind != c.want {
			t.Errorf("%s (seed %d, %d): events %s, want %s", c.name, seed, i, kinds(ev), c.want)
		}
	}
}
