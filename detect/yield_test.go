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
