package sim

import (
	"math"
	"testing"
)

func yes(v bool) *bool { return &v }

func standFor(t *testing.T, f Fixture) *stand {
	t.Helper()
	r, err := newRig(f)
	if err != nil {
		t.Fatal(err)
	}
	return &stand{bench: &Bench{Fixture: f}, rig: r}
}

// run lets the rig go on for s seconds.
func run(r *rig, s float64) {
	const base = 1e-4
	for end := r.t + s; r.t < end; {
		k := r.splits(base)
		dt := base / float64(int(1)<<k)
		r.step(dt)
	}
}

func do(t *testing.T, s *stand, c Command) {
	t.Helper()
	if ok, err := s.operate(&c); !ok || err != nil {
		t.Fatalf("%+v: known %v, %v", c, ok, err)
	}
}

func TestOperatorActions(t *testing.T) {
	for _, liquid := range []bool{false, true} {
		s := standFor(t, Fixture{Liquid: liquid})
		r := s.rig
		r.supply.want = true
		run(r, 3)
		if p := (r.p - r.ambient) / bar; p < 2 || p > 4 {
			t.Errorf("liquid %v: %.2f bar after 3 s at 1 bar/s", liquid, p)
		}
		do(t, s, Command{Do: "supply", Open: yes(false)})
		before := r.p
		run(r, 0.5)
		if math.Abs(r.p-before) > 0.1*bar {
			t.Errorf("liquid %v: the supply is shut by hand and the pressure moves by %.0f Pa", liquid, r.p-before)
		}
		do(t, s, Command{Do: "supply", Open: yes(true)})
		do(t, s, Command{Do: "regulator", Bar: 6})
		run(r, 1)
		if p := (r.p - r.ambient) / bar; math.Abs(p-6) > 0.1 {
			t.Errorf("liquid %v: the regulator is at 6 bar, the fixture at %.3f", liquid, p)
		}
		do(t, s, Command{Do: "fill", Bar: 15})
		run(r, 2)
		if p := (r.p - r.ambient) / bar; p < 13 || p > 16 {
			t.Errorf("liquid %v: filled fast to 15 bar, it is %.2f", liquid, p)
		}
		do(t, s, Command{Do: "dump"})
		r.dump.want = true // no output of this bench drives it
		run(r, 5)
		if p := r.p - r.ambient; math.Abs(p) > 2000 {
			t.Errorf("liquid %v: %.0f Pa are left after the dump", liquid, p)
		}
		if find(r.takeTruth(), "dump") == nil {
			t.Errorf("liquid %v: the dump is not told", liquid)
		}
	}
}

func TestOperatorRefusals(t *testing.T) {
	s := standFor(t, Fixture{})
	for _, c := range []Command{{Do: "ramp"}, {Do: "ramp", BarS: math.NaN()}, {Do: "regulator", Bar: -1}, {Do: "fill"}, {Do: "pump", Bar: -2}, {Do: "pump", Bar: 1, Hz: 1e9}} {
		if ok, err := s.operate(&c); !ok || err == nil {
			t.Errorf("%+v is taken", c)
		}
	}
	if ok, _ := s.operate(&Command{Do: "dance"}); ok {
		t.Error("dance is an action")
	}
}

func TestPumpAndTrigger(t *testing.T) {
	s := standFor(t, Fixture{})
	do(t, s, Command{Do: "pump", Bar: 0.2})
	lo, hi := 0.0, 0.0
	for i := range 2000 {
		s.rig.t = float64(i) * 1e-3
		lo, hi = math.Min(lo, s.rig.driven()), math.Max(hi, s.rig.driven())
	}
	if hi < 0.15*bar || lo > -0.2*bar || hi-lo > 0.6*bar {
		t.Errorf("strokes of 0.2 bar reach %.0f to %.0f Pa", lo, hi)
	}
	do(t, s, Command{Do: "pump"})
	if s.rig.driven() != 0 {
		t.Error("the pump goes on")
	}
	do(t, s, Command{Do: "trigger"})
	if !s.rig.trigger {
		t.Error("the trigger line is not set")
	}
}

// Behind a plugged port the specimen keeps its pressure when the fixture has
// lost it, and gives it back slowly: a zero reading proves nothing.
func TestPluggedPortTrapsPressure(t *testing.T) {
	s := standFor(t, Fixture{})
	r := s.rig
	p := Specimen{ID: "x", PluggedS: 30, Features: []Feature{{Name: "bottom vent", Event: "vent-opening", OpensPa: 28e5, WidthS: 1e-3, AreaM2: 1e-4}}}
	if err := p.Check(); err != nil {
		t.Fatal(err)
	}
	r.take(&p)
	r.supply.want = true
	run(r, 20)
	if r.inside() >= r.p || r.openings[0].state != shut {
		t.Errorf("inside %.2f bar, fixture %.2f", r.inside()/bar, r.p/bar)
	}
	r.supply.want, r.dump.want = false, true
	run(r, 4)
	r.dump.want = false
	run(r, 0.1)
	left, inside := r.p-r.ambient, r.inside()-r.ambient
	if left > 0.2*bar || inside < 3*bar {
		t.Fatalf("after the dump %.2f bar in the fixture, %.2f inside", left/bar, inside/bar)
	}
	run(r, 20)
	if r.p-r.ambient < left+0.05*bar {
		t.Errorf("the trapped gas does not come back: %.0f Pa, was %.0f", r.p-r.ambient, left)
	}
}

func TestThermalShockIsLowAndRecovers(t *testing.T) {
	f := sensorFault{}
	f.start("thermal-shock", 10, 6, 0.5)
	if a, b, c := f.shock(10), f.shock(10.5), f.shock(16); math.Abs(a) > 1e-12 || b < 0.2 || b > 0.5 || math.Abs(c) > 1e-9 {
		t.Errorf("shock %.3g at its begin, %.3g after half a second, %.3g at its end", a, b, c)
	}
}

// A liquid bench never rises at an opening, however small the area is at
// first, and a running supply holds it where inflow and outflow balance.
func TestLiquidOpeningOnlyFalls(t *testing.T) {
	for _, area := range []float64{1e-9, 5e-6, 1.5e-4} {
		s := standFor(t, Fixture{Liquid: true})
		r := s.rig
		r.load([]Feature{{Name: "top vent", Event: "vent-opening", OpensPa: 20e5, WidthS: 3e-3, AreaM2: area}})
		r.set(r.ambient + 19.9e5)
		r.supply.want, r.supply.pos = true, 1
		run(r, 0.5)
		if r.openings[0].state != opened {
			t.Fatalf("area %g: it did not open", area)
		}
		c := area * math.Sqrt(2/r.density) * r.modulus / r.v
		if rest := r.ramp / c * (r.ramp / c); r.p-r.ambient > 20.5e5 || area > 1e-6 && math.Abs(r.p-r.ambient-rest) > 20+0.01*rest {
			t.Errorf("area %g: %.0f Pa, balance at %.0f", area, r.p-r.ambient, rest)
		}
	}
}
