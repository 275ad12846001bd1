package detect

import (
	"math"
	"math/rand/v2"
	"testing"

	"ventward/daq"
)

// A liquid's drop makes the impulse line swing far below ambient before it
// settles there: an opening. A wire that falls to the low rail and comes back
// is none.
func TestSwingBelowAmbientIsNoRail(t *testing.T) {
	for _, c := range []struct {
		name  string
		after func(s float64) float64 // gauge pressure s seconds after the drop, Pa
		opens bool
	}{
		{"rings", func(s float64) float64 {
			return 46e5*math.Exp(-s/2.5e-4) - 9e5*math.Exp(-s/8e-4)*math.Sin(2*math.Pi*800*(s-4e-4))*math.Min(1, s/4e-4)
		}, true},
		{"rail and back", func(s float64) float64 {
			if s < 0.01 {
				return -61e5
			}
			return 46e5 + 1e5*s
		}, false},
	} {
		const seed = 5
		rng := rand.New(rand.NewPCG(seed, 2))
		o := Options{Medium: Liquid, Fixture: Fixture{VolumeM3: 50e-6, AmbientPa: 101325},
			Channels: []daq.Channel{{Name: "p1", Role: daq.RoleSpecimen, Quantity: daq.Pressure, Reference: daq.Gauge, High: 60e5}}, RateHz: []float64{10000}}
		m, err := New(o)
		if err != nil {
			t.Fatal(err)
		}
		last := map[int]Event{}
		const drop = 3.0
		for i := 0; i < 60000; i += 100 {
			s := make([]daq.Sample, 100)
			for k := range s {
				at := float64(i+k) * 1e-4
				v := 43e5 + 1e5*at
				if at >= drop {
					v = c.after(at - drop)
				}
				s[k] = daq.Sample{T: int64(i+k) * 100000, V: v + 2000*rng.NormFloat64()}
			}
			m.Step(0, s)
			m.Tick(s[99].T)
			for _, e := range m.Take().Events {
				last[e.ID] = e
			}
		}
		m.Close()
		for _, e := range m.Take().Events {
			last[e.ID] = e
		}
		opens := 0
		for _, e := range last {
			if e.Opens() {
				opens++
			}
		}
		if (opens == 1) != c.opens || opens > 1 {
			t.Errorf("seed %d, %s: %d openings: %+v", seed, c.name, opens, last)
		}
	}
}
