package guard

import (
	"strings"
	"testing"

	"ventward/daq"
	"ventward/detect"
)

// What each verb does in each phase: the phase that follows, or a refusal. The
// outputs are read back as demanded after each step, so making safe goes on to
// the pressure watch.
func TestCourse(t *testing.T) {
	const no = Phase("refused")
	want := map[string]map[Phase]Phase{
		"prepare":    {AtRest: Preparing, Preparing: Preparing, Armed: no, UnderTest: no, HoldingPressure: no, MakingSafe: no, PressureWatch: no},
		"arm":        {AtRest: Armed, Preparing: Armed, Armed: no, UnderTest: no, HoldingPressure: no, MakingSafe: no, PressureWatch: no},
		"pressurise": {AtRest: no, Preparing: no, Armed: UnderTest, UnderTest: no, HoldingPressure: UnderTest, MakingSafe: no, PressureWatch: no},
		"hold":       {AtRest: no, Preparing: no, Armed: no, UnderTest: HoldingPressure, HoldingPressure: no, MakingSafe: no, PressureWatch: no},
		"abort":      {AtRest: AtRest, Preparing: AtRest, Armed: PressureWatch, UnderTest: PressureWatch, HoldingPressure: PressureWatch, MakingSafe: PressureWatch, PressureWatch: PressureWatch},
		"make-safe":  {AtRest: AtRest, Preparing: AtRest, Armed: PressureWatch, UnderTest: PressureWatch, HoldingPressure: PressureWatch, MakingSafe: PressureWatch, PressureWatch: PressureWatch},
		"end":        {AtRest: AtRest, Preparing: AtRest, Armed: AtRest, UnderTest: no, HoldingPressure: no, MakingSafe: no, PressureWatch: AtRest},
	}
	for verb, row := range want {
		for _, from := range Phases() {
			p := play(t)
			p.reach(from)
			wanted := p.g.s.Outputs[0].Want
			err := p.command(verb)
			if err == nil {
				p.confirm()
			}
			got, _ := p.g.Phase()
			switch {
			case row[from] == no && (err == nil || got != from || p.g.s.Outputs[0].Want != wanted):
				t.Errorf("%s while %s: %v, phase %s", verb, from, err, got)
			case row[from] == no && !strings.Contains(err.Error(), string(from)):
				t.Errorf("%s while %s: the refusal does not say so: %v", verb, from, err)
			case row[from] != no && (err != nil || got != row[from]):
				t.Errorf("%s while %s: %v, phase %s, want %s", verb, from, err, got, row[from])
			}
			if on := p.g.s.Outputs[0].Want; on != (got == UnderTest) {
				t.Errorf("%s while %s: in phase %s the supply is demanded on: %v", verb, from, got, on)
			}
		}
	}
}

// reach brings the course to a phase.
func (p *player) reach(ph Phase) {
	p.t.Helper()
	for _, verb := range map[Phase][]string{Preparing: {"prepare"}, Armed: {"arm"}, UnderTest: {"arm", "pressurise"},
		HoldingPressure: {"arm", "pressurise", "hold"}, MakingSafe: {"arm", "pressurise", "make-safe"}, PressureWatch: {"arm", "make-safe"}}[ph] {
		p.must(verb)
	}
	if got, _ := p.g.Phase(); got != ph && ph != PressureWatch {
		p.t.Fatalf("phase %s, want %s", got, ph)
	}
}

// Arming, starting, resetting and what takes a safeguard away are done at the
// bench only; aborting and acknowledging from anywhere.
func TestAtTheBenchOnly(t *testing.T) {
	for _, verb := range benchOnly {
		p := play(t)
		if verb == "pressurise" {
			p.must("arm")
		}
		before := string(p.g.Snapshot())
		if err := p.ask(verb, "at", "remote", "rule", "high", "reason", "r", "for_s", "5"); err == nil || !strings.Contains(err.Error(), "at the bench only") {
			t.Errorf("%s from afar: %v", verb, err)
		}
		if string(p.g.Snapshot()) != before {
			t.Errorf("%s from afar changed something", verb)
		}
	}
	held := play(t)
	held.reach(PressureWatch)
	if err := held.ask("end", "at", "remote", "override", "looks fine from here"); err == nil || !strings.Contains(err.Error(), "at the bench only") {
		t.Errorf("the watch is overridden from afar: %v", err)
	}
	for _, verb := range []string{"abort", "make-safe", "hold", "acknowledge"} {
		p := play(t)
		p.underTest()
		if err := p.ask(verb, "at", "remote"); err != nil {
			t.Errorf("%s from afar: %v", verb, err)
		}
	}
}

// An abort needs a read-back before the pressure watch begins.
func TestMakingSafeWaitsForTheReadback(t *testing.T) {
	p := play(t)
	p.underTest()
	p.must("abort")
	p.run(100, 1e5, 1e5)
	if ph, _ := p.g.Phase(); ph != MakingSafe {
		t.Fatalf("phase %s before the read-back", ph)
	}
	p.g.Readback(daq.Readback{Output: 0, State: daq.OutputUnknown, Serial: p.g.s.Outputs[0].Serial, Reason: "timeout"}, p.now)
	if ph, _ := p.g.Phase(); ph != MakingSafe {
		t.Fatalf("phase %s although the state is unknown", ph)
	}
	p.confirm()
	if ph, _ := p.g.Phase(); ph != PressureWatch {
		t.Fatalf("phase %s after the read-back", ph)
	}
}

func TestHoldsWhenNothingRises(t *testing.T) {
	o := bench()
	o.HoldAfterS, o.HoldRisePa = 2, 0.1e5
	p := playWith(t, o)
	p.underTest()
	for i := range 40 { // 0.5 bar/s
		p.run(100, 1e5+float64(i)*0.05e5, 1e5)
	}
	if ph, _ := p.g.Phase(); ph != UnderTest {
		t.Fatalf("phase %s while the pressure rises", ph)
	}
	p.run(1500, 2.95e5, 1e5)
	if ph, _ := p.g.Phase(); ph != UnderTest {
		t.Fatalf("phase %s too early", ph)
	}
	p.run(700, 2.95e5, 1e5)
	if ph, _ := p.g.Phase(); ph != HoldingPressure || p.g.s.Outputs[0].Want {
		t.Fatalf("phase %s, supply wanted %v", ph, p.g.s.Outputs[0].Want)
	}
}

// A specimen that did not open is held to at least the lower of two
// transducers' highest, and is still pressurised until both show ambient.
func TestHeld(t *testing.T) {
	p := play(t)
	if _, ok := p.g.Held(); ok {
		t.Fatal("held before any test")
	}
	p.underTest()
	p.run(100, 30e5, 29.8e5)
	p.run(100, 28e5, 28e5)
	h, ok := p.g.Held()
	if !ok || h.AtLeastPa != 29.8e5 || !h.Pressurised || h.Reference != daq.Gauge {
		t.Fatalf("held %+v %v", h, ok)
	}
	p.must("make-safe")
	p.confirm()
	p.run(100, 0, 28e5) // trapped gas behind one of them
	if h, _ = p.g.Held(); !h.Pressurised {
		t.Fatal("one transducer still shows pressure")
	}
	p.run(100, 0, 0)
	if h, _ = p.g.Held(); h.Pressurised || h.AtLeastPa != 29.8e5 {
		t.Fatalf("both show ambient: %+v", h)
	}
	p.now += 3e9
	p.g.Tick(p.now)
	if h, _ = p.g.Held(); !h.Pressurised {
		t.Fatal("silence is no proof of anything")
	}
	if err := p.ask("end"); err == nil || !strings.Contains(err.Error(), "still shows pressure") {
		t.Fatalf("the watch of a specimen under pressure ends, and nothing speaks of it any more: %v", err)
	}
	if err := p.ask("end", "override", "vented by hand, gauge read"); err != nil {
		t.Fatal(err)
	}
	if _, ok := p.g.Held(); ok {
		t.Fatal("held after the end")
	}
}

func TestOpenedIsNotHeld(t *testing.T) {
	p := play(t)
	p.underTest()
	p.run(100, 30e5, 29.8e5)
	p.g.Event(detect.Event{ID: 1, Kind: detect.VentOpening}, p.now)
	if _, ok := p.g.Held(); ok {
		t.Fatal("an opening was seen")
	}
	p.g.Event(detect.Event{ID: 1, Rev: 2, Kind: detect.SupplyStep}, p.now)
	if _, ok := p.g.Held(); !ok {
		t.Fatal("it was none")
	}
}

// A dump valve that opens with power is no part of pressurising; one that
// opens without is held shut under test.
func TestDumpValveUnderTest(t *testing.T) {
	for _, opensWhenOff := range []bool{false, true} {
		o := bench()
		o.Outputs[2].OpenWhenOff = opensWhenOff
		p := playWith(t, o)
		p.underTest()
		if p.g.s.Outputs[2].Want != opensWhenOff {
			t.Errorf("opens when off %v: energised %v", opensWhenOff, p.g.s.Outputs[2].Want)
		}
		p.must("hold")
		if p.g.s.Outputs[2].Want != opensWhenOff || p.g.s.Outputs[0].Want {
			t.Errorf("opens when off %v: holding, dump %v, supply %v", opensWhenOff, p.g.s.Outputs[2].Want, p.g.s.Outputs[0].Want)
		}
	}
}

func TestExercise(t *testing.T) {
	p := play(t)
	for _, c := range []struct{ what, output string }{{"is no dump valve", "supply"}, {"is no dump valve", "beat"}, {"is no dump valve", ""}} {
		if err := p.ask("exercise", "output", c.output); err == nil || !strings.Contains(err.Error(), c.what) {
			t.Errorf("exercise %q: %v", c.output, err)
		}
	}
	check := func() bool { return find(t, p.g.Guards(), GuardDump).OK }
	if check() {
		t.Fatal("nothing was exercised")
	}
	if err := p.ask("exercise", "output", "dump"); err != nil || !p.g.s.Outputs[2].Want {
		t.Fatalf("exercise: %v", err)
	}
	p.confirm()
	p.run(1999, 0, 0)
	if !p.g.s.Outputs[2].Want || check() {
		t.Fatal("over too early")
	}
	p.run(2, 0, 0)
	if p.g.s.Outputs[2].Want || check() {
		t.Fatal("still energised, or proved before the read-back")
	}
	p.confirm()
	if !check() {
		t.Fatalf("exercised and read back: %+v", find(t, p.g.Guards(), GuardDump))
	}
	if err := p.ask("exercise", "output", "dump"); err != nil || check() {
		t.Fatalf("again: %v, proved %v", err, check())
	}
	p.must("arm")
	if p.g.s.Outputs[2].Want {
		t.Fatal("armed with the dump valve energised")
	}
	if err := p.ask("exercise", "output", "dump"); err == nil {
		t.Fatal("exercised while armed")
	}
}

func find(t *testing.T, cs []Check, name string) Check {
	t.Helper()
	for _, c := range cs {
		if c.Name == name {
			return c
		}
	}
	t.Fatalf("no check %q", name)
	return Check{}
}
