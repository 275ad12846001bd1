package detect

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"ventward/daq"
)

// ramped is a scene of a ramp in Pa/s that changes its slope at t.
func ramped(length, before, t, after float64) scene {
	s := bar(length)
	s.ramp = func(now float64) float64 {
		if now < t {
			return before
		}
		return after
	}
	return s
}

// cooled is a ramp that stops at t, and gas that cools then with time constant
// tau: at first by (gamma-1)/gamma of the ramp, 0.286 for nitrogen.
func cooled(length, ramp, t, tau float64) scene {
	s := ramped(length, ramp, t, 0)
	s.ramp = func(now float64) float64 {
		if now < t {
			return ramp
		}
		return -0.286 * ramp * math.Exp(-(now-t)/tau)
	}
	return s
}

// withValve adds the supply valve's input, which shuts at t.
func withValve(s *scene, t float64) (Options, func(r *rand.Rand) [][]daq.Sample) {
	o := benchOf(s)
	o.Channels = append(o.Channels, daq.Channel{Name: "supply_valve", Role: daq.RoleSupplyValve, Quantity: daq.Digital})
	o.RateHz = append(o.RateHz, s.rate)
	return o, func(r *rand.Rand) [][]daq.Sample {
		return [][]daq.Sample{s.samples(r), digital(s.rate, s.length, func(now float64) bool { return now < t })}
	}
}

// What only bends the ramp, or comes back, is named for what it is.
func TestGentleFallsAreNamed(t *testing.T) {
	const seed = 61
	for _, c := range []struct {
		name  string
		scene func() scene
		want  Kind
		fault Fault
	}{
		{"bulge: the ramp goes on at three quarters", func() scene { return ramped(5, 1e5, 2, 0.75e5) }, Bulge, ""},
		{"leak: a standing pressure drains", func() scene {
			s := ramped(6, 0, 2, 0)
			s.openings = []opening{{t: 2, width: 1e-3, k: 0.02}}
			return s
		}, Leak, ""},
		{"ramp stop without an input: a level", func() scene { return ramped(5, 1e5, 2, 0) }, SupplyStep, ""},
		{"ramp stop without an input: the gas cools", func() scene { return cooled(5, 0.2e5, 2, 0.5) }, SupplyStep, ""},
		{"ramp stop without an input: the gas cools for long", func() scene { return cooled(6, 1e5, 2, 1) }, SupplyStep, ""},
		{"leak from the ramp's end on", func() scene {
			s := ramped(6, 0.1e5, 2, 0)
			s.openings = []opening{{t: 2, width: 1e-3, k: 0.02}}
			return s
		}, Leak, ""},
		{"thermal shock: a standing pressure falls and comes back", func() scene {
			s := ramped(6, 0, 2, 0)
			s.post = func(_ int, now, v float64, _ *rand.Rand) (float64, bool) {
				if x := now - 2; x > 0 {
					v -= 0.6e5 * (1 - math.Exp(-x/0.1)) * math.Exp(-x/1.2)
				}
				return v, true
			}
			return s
		}, SensorFault, FaultThermalShock},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := c.scene()
			ev := run(benchOf(&s), s.samples(rand.New(rand.NewPCG(seed, 0))))
			if got := opens(ev); len(got) > 0 {
				t.Fatalf("seed %d: opening among %s", seed, kinds(ev))
			}
			if !slices.ContainsFunc(ev, func(e Event) bool { return e.Kind == c.want && e.Fault == c.fault }) {
				t.Errorf("seed %d: events %s, want %s %s", seed, kinds(ev), c.want, c.fault)
			}
			for _, e := range ev {
				p := s.start + 2*s.ramp(0) // when it begins
				if e.Kind == Leak && (e.RatePaS == nil || math.Abs(*e.RatePaS/(0.02*p)-1) > 0.1) {
					t.Errorf("leak rate %v Pa/s, want %g", e.RatePaS, 0.02*p)
				}
				if !e.Opens() && (e.AreaM2 != nil || e.Feature != "") {
					t.Errorf("%s carries an opening's figures: %+v", e.Kind, e)
				}
			}
		})
	}
}

// What takes a little more than the supply brings is no ramp stop: its slope
// eases by 1-1/gamma at most, and not to rest.
func TestSlightlyMoreThanTheSupplyIsAnOpening(t *testing.T) {
	const seed = 64
	s := ramped(5, 1e5, 2, 1e5)
	s.openings = []opening{{t: 2, width: 1e-3, k: 1.25e5 / (s.start + 2e5)}}
	ev := run(benchOf(&s), s.samples(rand.New(rand.NewPCG(seed, 0))))
	if got := opens(ev); len(got) != 1 {
		t.Errorf("seed %d: events %s, want one opening", seed, kinds(ev))
	}
}

// A fit that falls back upon the opening before moves no onset.
func TestFindingKeepsOffTheOpeningBefore(t *testing.T) {
	const seed = 65
	s := bar(4)
	s.openings = []opening{{t: 2, width: 1e-3, k: 0.5}, {t: 2.3, width: 1e-3, k: 5}}
	m, err := New(benchOf(&s))
	if err != nil {
		t.Fatal(err)
	}
	m.Step(0, s.samples(rand.New(rand.NewPCG(seed, 0))))
	var ev []Event
	for _, e := range m.Take().Events {
		if e.Rev == 1 && e.Opens() {
			ev = append(ev, e)
		}
	}
	if len(ev) != 2 {
		t.Fatalf("seed %d: events %s, want two openings", seed, kinds(ev))
	}
	pa := 1e6
	m.Finding(Finding{Event: ev[1].ID, Kind: VentOpening, PressurePa: &pa, Onset: &ev[0].Onset})
	good := ev[1].Onset - 1e5
	for _, onset := range []*int64{nil, &good} {
		if onset != nil {
			m.Finding(Finding{Event: ev[1].ID, Kind: VentOpening, PressurePa: &pa, Onset: onset})
		}
		got := m.book.at(ev[1].ID).ev
		if moved := got.Onset != ev[1].Onset; moved != (onset != nil) {
			t.Errorf("seed %d: onset %d after a finding, was %d", seed, got.Onset, ev[1].Onset)
		}
		if took := *got.PressurePa == pa; took != (onset != nil) {
			t.Errorf("seed %d: pressure %g Pa after a finding at onset %v", seed, *got.PressurePa, onset)
		}
	}
}

// The supply valve's shutting ends a ramp, and cuts off what an open vent was
// fed with: neither is an opening.
func TestSupplyShutIsNoOpening(t *testing.T) {
	const seed = 62
	cooling := ramped(5, 1e5, 2, 0) // and then the gas cools, by a good third of the ramp at first
	cooling.ramp = func(now float64) float64 {
		if now < 2 {
			return 1e5
		}
		return -0.3e5 * math.Exp(-(now-2)/0.8)
	}
	fed := ramped(5, 2e5, 2.4, 0)
	fed.openings = []opening{{t: 2, width: 1e-3, k: 0.3}}
	for _, c := range []struct {
		name     string
		scene    scene
		shut     float64
		openings int
	}{{"ramp stop that cools", cooling, 2, 0}, {"an open vent's supply", fed, 2.4, 1}} {
		o, play := withValve(&c.scene, c.shut)
		ev := feed(t, o, play(rand.New(rand.NewPCG(seed, 0))), 10e6, 10e6)
		if got := opens(ev); len(got) != c.openings {
			t.Errorf("seed %d, %s: events %s, want %d openings", seed, c.name, kinds(ev), c.openings)
		}
	}
}

// A fall that a healthy redundant sensor does not see is the sensor's own.
func TestNeighbourContradicts(t *testing.T) {
	const seed = 63
	for _, blind := range []bool{false, true} {
		sick, well := bar(5), bar(5)
		sick.post = func(_ int, now, v float64, _ *rand.Rand) (float64, bool) {
			if x := now - 2; x > 0 {
				v -= 0.8e5 * (1 - math.Exp(-x/0.05)) // and it stays low
			}
			return v, true
		}
		if blind { // it doesn't follow the ramp, so it can't tell
			well.ramp = func(float64) float64 { return 0 }
		}
		o := benchOf(&sick)
		o.Channels = append(o.Channels, o.Channels[0])
		o.Channels[1].Name, o.RateHz = "p2", []float64{10000, 10000}
		smp := [][]daq.Sample{sick.samples(rand.New(rand.NewPCG(seed, 0))), well.samples(rand.New(rand.NewPCG(seed, 1)))}
		ev := feed(t, o, smp, 10e6, 10e6)
		if got := len(opens(ev)) > 0; got != blind {
			t.Errorf("seed %d: neighbour follows the ramp %v: events %s", seed, !blind, kinds(ev))
		}
	}
}

// Noise and hum that begin suddenly are no opening.
func TestSuddenNoiseIsNoOpening(t *testing.T) {
	for seed := uint64(67); seed < 70; seed++ {
		for _, what := range []string{"noise", "hum"} {
			s := bar(5)
			s.post = func(_ int, now, v float64, r *rand.Rand) (float64, bool) {
				switch {
				case what == "noise" && now > 2 && now < 2.6:
					v += 4 * s.sigma * r.NormFloat64()
				case what == "hum" && now > 2:
					v += 12 * s.sigma * math.Sin(2*math.Pi*50*(now-2))
				}
				return v, true
			}
			if ev := run(benchOf(&s), s.samples(rand.New(rand.NewPCG(seed, 0)))); len(opens(ev)) > 0 {
				t.Errorf("seed %d: sudden %s gives %s", seed, what, kinds(ev))
			}
		}
	}
}

// Two openings 5 ms apart are two events also at 1 kHz, and a second departure
// within a millisecond is the first one's.
func TestSecondOpeningSoonAfter(t *testing.T) {
	for seed := uint64(71); seed < 74; seed++ {
		two := bar(3, opening{t: 2, width: 0.3e-3, k: 10}, opening{t: 2.005, width: 0.3e-3, k: 120})
		two.rate, two.lag = 1000, 0.5e-3
		ev := run(benchOf(&two), two.samples(rand.New(rand.NewPCG(seed, 0))))
		if got := opens(ev); len(got) != 2 {
			t.Errorf("seed %d: 5 ms apart at 1 kHz: events %s, want two openings", seed, kinds(ev))
		}
		one := bar(3, opening{t: 2, width: 0.3e-3, k: 40}, opening{t: 2.0006, width: 0.3e-3, k: 80})
		ev = run(benchOf(&one), one.samples(rand.New(rand.NewPCG(seed, 1))))
		if got := opens(ev); len(got) != 1 {
			t.Errorf("seed %d: 0.6 ms apart: events %s, want one opening", seed, kinds(ev))
		}
	}
}

// A vent that lets little out and shuts at once is no heated sensor, though a
// supply that gives more as the pressure falls takes most of the fall back.
func TestSupplyFillsUpAfterAReseal(t *testing.T) {
	const seed = 66
	s := bar(4, opening{t: 2, width: 0.5e-3, k: 14, shut: 2.003})
	s.ramp = func(now float64) float64 {
		if now < 2 {
			return 0.5e5
		}
		return 0.5e5 + 0.6e5*math.Exp(-(now-2)/0.6)
	}
	o := benchOf(&s)
	o.Fixture.Gas = "Ar"
	ev := run(o, s.samples(rand.New(rand.NewPCG(seed, 0))))
	if got := opens(ev); len(got) != 1 {
		t.Errorf("seed %d: events %s, want one opening", seed, kinds(ev))
	}
}

// Argon that a ramp warmed cools faster, relative to the ramp, than nitrogen
// could, and slower and slower.
func TestRampStopOfArgon(t *testing.T) {
	const seed = 68
	s := ramped(5, 1e5, 2, 0)
	s.ramp = func(now float64) float64 {
		if now < 2 {
			return 1e5
		}
		return -0.56e5 * math.Exp(-(now-2)/0.6)
	}
	o := benchOf(&s)
	o.Fixture.Gas = "Ar"
	ev := run(o, s.samples(rand.New(rand.NewPCG(seed, 0))))
	if len(opens(ev)) > 0 || len(of(ev, SupplyStep)) != 1 {
		t.Errorf("seed %d: events %s, want a supply step", seed, kinds(ev))
	}
}
