package detect

import (
	"math"
	"math/rand/v2"
	"testing"

	"ventward/daq"
)

// A converter that sits at its upper end and comes back is no opening, also
// before anybody knows how long its codes rest (common practice, no source).
func TestFallFromTheConvertersEndIsNone(t *testing.T) {
	const seed = 68
	s := bar(4)
	s.rate, s.lag = 500, 0
	s.post = func(_ int, now, v float64, _ *rand.Rand) (float64, bool) {
		if now > 1.4 && now < 1.7 {
			v = 110e5
		}
		return v, true
	}
	ev := run(benchOf(&s), s.samples(rand.New(rand.NewPCG(seed, 0))))
	if got := opens(ev); len(got) > 0 || len(of(ev, SensorFault)) == 0 {
		t.Errorf("seed %d: events %s, want a sensor-fault and no opening", seed, kinds(ev))
	}
}

// A second sensor whose range ends below the opening pressure leaves its end some
// time after the other has seen the opening: one event (interfaces: one physical
// event is one line).
func TestSensorThatLeavesItsEndLateJoins(t *testing.T) {
	const seed = 69
	s := bar(4, opening{t: 2, width: 1e-3, k: 4})
	small := s
	small.post = func(_ int, _, v float64, _ *rand.Rand) (float64, bool) { return math.Min(v, 10e5), true }
	o := benchOf(&s)
	o.Channels = append(o.Channels, o.Channels[0])
	o.Channels[1].Name = "p2"
	o.RateHz = append(o.RateHz, s.rate)
	smp := [][]daq.Sample{s.samples(rand.New(rand.NewPCG(seed, 0))), small.samples(rand.New(rand.NewPCG(seed, 1)))}
	ev := feed(t, o, smp, 5e6, 0)
	if got := opens(ev); len(got) != 1 || len(got[0].Channels) != 2 {
		t.Errorf("seed %d: events %s, want one opening that both sensors saw", seed, kinds(ev))
	}
}

// The strokes of a pump go on in a blow-down and are no second opening; one that
// doubles what flows out is (outflow at choked flow goes with the area).
func TestPumpInABlowDownOpensNothing(t *testing.T) {
	const seed = 70
	for _, c := range []struct {
		second float64
		want   int
	}{{0, 1}, {5, 2}} {
		s := bar(3, opening{t: 1.5, width: 1e-3, k: 4})
		s.pump, s.pumpHz = 10*s.sigma, 6
		if c.second > 0 {
			s.openings = append(s.openings, opening{t: 1.65, width: 1e-3, k: c.second})
		}
		ev := run(benchOf(&s), s.samples(rand.New(rand.NewPCG(seed, 0))))
		if got := opens(ev); len(got) != c.want {
			t.Errorf("seed %d: events %s, want %d openings", seed, kinds(ev), c.want)
		}
	}
}
