package guard

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"ventward/daq"
)

// ready is a bench for which every arming guard is met, and that requires all
// of them.
func readyBench() Options {
	o := bench()
	for i := range 2 {
		c := &o.Channels[i]
		c.Low, c.High, c.Zeroed, c.Certificate, c.CalDue, c.LagS = 0, 60e5, true, "C-1", "2027-01-31", 1e-3
	}
	o.Outputs[2].OpenWhenOff = true
	leak := 10.0
	o.RateHz, o.RampPaS = []float64{10e3, 10e3, 10}, 1e5
	o.VolumeM3, o.LeakPaS, o.LeakMaxPaS = 50e-6, &leak, 100
	o.Arming = ArmingGuards()
	for i := range o.Rules {
		o.Rules[i].ProofDue = "2027-05-25"
	}
	return o
}

// readied plays the bench to where it may be armed.
func readied(t *testing.T, change func(o *Options)) *player {
	t.Helper()
	o := readyBench()
	change(&o)
	p := playWith(t, o)
	p.g.Clock(0, true)
	for _, what := range []string{"recording", "space", "awake"} {
		if err := p.g.Command(daq.Command{Verb: "notice", Who: "program", Args: map[string]string{"what": what, "ok": "true"}}, p.now); err != nil {
			t.Fatal(err)
		}
	}
	if err := p.ask("exercise", "output", "dump"); err != nil {
		t.Fatal(err)
	}
	for range 30 {
		p.run(100, 0.01e5, 0)
		p.confirm()
	}
	if err := p.ask("prepare", "who1", "A. Rahn", "who2", "B. Okoro", "date", "2026-11-25"); err != nil {
		t.Fatal(err)
	}
	return p
}

// A run that the program began by itself, such as of a dump by hand, ends when
// somebody arms: the names that were given for the arming stay.
func TestProgramsEndKeepsThePreparation(t *testing.T) {
	p := readied(t, func(*Options) {})
	if err := p.g.Command(daq.Command{Verb: "end", Who: "program"}, p.now); err != nil {
		t.Fatal(err)
	}
	if ph, _ := p.g.Phase(); ph != Preparing {
		t.Fatalf("phase %s, want it to stay preparing", ph)
	}
	if err := p.ask("arm"); err != nil {
		t.Fatalf("two persons were named: %v", err)
	}
}

// One name typed twice is said to be that, not to be missing.
func TestOnePersonNamedTwice(t *testing.T) {
	p := readied(t, func(*Options) {})
	if err := p.ask("prepare", "who1", "A. Rahn", "who2", "A. Rahn", "date", "2026-11-25"); err != nil {
		t.Fatal(err)
	}
	if err := p.ask("arm"); err == nil || !strings.Contains(err.Error(), "one person is named twice") {
		t.Fatalf("armed by one person: %v", err)
	}
}

// Each guard refuses arming when it is required and not met, and says what is
// missing and how to cure it; waived, it is shown and refuses nothing.
func TestArmingGuards(t *testing.T) {
	none := func(*Options) {}
	for _, c := range []struct {
		guard, why string
		change     func(o *Options)
		do         func(p *player)
	}{
		{"", "", none, nil},
		{GuardRange, "p1 saturates at 49 bar and 50 bar may come", func(o *Options) { o.Channels[0].High = 50e5 }, nil},
		{GuardRange, "p1 saturates at 58.8 bar and 59 bar", func(o *Options) { o.ExpectPa = 59e5 }, nil},
		{GuardRange, "no peak pressure", func(o *Options) { o.Rules = o.Rules[1:] }, nil},
		{GuardCalibration, "p2 has no calibration certificate", func(o *Options) { o.Channels[1].Certificate = "" }, nil},
		{GuardCalibration, "ran out on 2026-11-24", func(o *Options) { o.Channels[0].CalDue = "2026-11-24" }, nil},
		{GuardZero, "zero of p1", func(o *Options) { o.Channels[0].Zeroed = false }, nil},
		{GuardRate, "may miss 1 bar of a peak at 1 bar/s", func(o *Options) { o.Channels[1].LagS = 1 }, nil},
		{GuardRate, "may miss 0.1 bar", func(o *Options) { o.RateHz[0], o.PeakLossPa, o.Channels[0].LagS = 10, 0.05e5, 0 }, nil},
		{GuardRate, "ramp is not stated", func(o *Options) { o.RampPaS = 0 }, nil},
		{GuardRate, "rate of p1 is not stated", func(o *Options) { o.RateHz = nil }, nil},
		{GuardPlausible, "p1 shows 0.6 bar from ambient", none, func(p *player) { p.run(10, 0.6e5, 0.3e5) }},
		{GuardPlausible, "p1 shows -1 bar", func(o *Options) { o.Channels[0].Reference, o.Channels[1].Reference = daq.Absolute, daq.Absolute }, nil},
		{GuardPlausible, "differ by 0.3 bar", func(o *Options) { o.AgreePa = 0.2e5 }, func(p *player) { p.run(10, 0.3e5, 0) }},
		{GuardClock, "clock of instrument 0 is not settled", none, func(p *player) { p.g.Clock(0, false) }},
		{GuardRecording, "whether the record can be written: disk", none, func(p *player) { p.note("recording", "disk") }},
		{GuardSpace, "whether there is space for the run: full", none, func(p *player) { p.note("space", "full") }},
		{GuardAwake, "whether the computer stays awake: no inhibitor", none, func(p *player) { p.note("awake", "no inhibitor") }},
		{GuardLeak, "leak rate of the fixture is not known", func(o *Options) { o.LeakPaS = nil }, nil},
		{GuardLeak, "leaks 0.0001 bar/s, more than 5e-05", func(o *Options) { o.LeakMaxPaS = 5 }, nil},
		{GuardVolume, "volume of the fixture", func(o *Options) { o.VolumeM3 = 0 }, nil},
		{GuardDump, "dump was not exercised", none, func(p *player) { p.g.s.Outputs[2].Off = false }},
		{GuardWatchdog, "no edge for the watchdog relay was read back", none, func(p *player) {
			p.g.Readback(daq.Readback{Output: 1, State: daq.OutputUnknown}, p.now)
		}},
		{GuardNames, "one person is named twice", none, func(p *player) { p.g.s.Names[1] = "A. Rahn" }},
		{GuardProof, "proof test of trip \"high\" was due on 2026-11-24", func(o *Options) { o.Rules[0].ProofDue = "2026-11-24" }, nil},
		{GuardProof, "no date is known until which the proof test of trip \"silent\" is good", func(o *Options) { o.Rules[2].ProofDue = "" }, nil},
		{GuardBypass, "trip \"silent\" is bypassed", none, func(p *player) {
			if err := p.ask("bypass", "rule", "silent", "reason", "r", "for_s", "60"); err != nil {
				p.t.Fatal(err)
			}
		}},
		{GuardDescription, "is not the one in its file: it was changed", none, func(p *player) { p.note("description", "it was changed") }},
	} {
		for _, waived := range []bool{false, true} {
			p := readied(t, func(o *Options) {
				c.change(o)
				if waived {
					o.Arming = nil
				}
			})
			if c.do != nil {
				c.do(p)
			}
			name := fmt.Sprintf("%s, %s, waived %v", c.guard, c.why, waived)
			for _, k := range p.g.Guards() {
				if k.OK != (k.Name != c.guard) || !k.OK && (k.Why == "" || k.Cure == "") {
					t.Errorf("%s: guard %+v", name, k)
				}
			}
			may := p.g.MayArm(daq.Command{Verb: "arm", Args: map[string]string{"who1": "C. Third"}})
			before := string(p.g.Snapshot())
			if again := p.g.MayArm(daq.Command{Verb: "arm"}); fmt.Sprint(again) != fmt.Sprint(may) && c.guard != GuardNames || string(p.g.Snapshot()) != before {
				t.Errorf("%s: asking whether it may be armed: %v, then %v, or the guard moved", name, may, again)
			}
			err := p.ask("arm")
			if c.guard != GuardNames && fmt.Sprint(err) != fmt.Sprint(may) {
				t.Errorf("%s: arm: %v, asked before: %v", name, err, may)
			}
			refused := err != nil && strings.Contains(err.Error(), c.why) && c.why != ""
			if refused != (c.guard != "" && !waived) {
				t.Errorf("%s: arm: %v", name, err)
			}
		}
	}
}

func (p *player) note(what, bad string) {
	p.t.Helper()
	if err := p.g.Command(daq.Command{Verb: "notice", Who: "program", Args: map[string]string{"what": what, "ok": "false", "reason": bad}}, p.now); err != nil {
		p.t.Fatal(err)
	}
	p.g.Command(daq.Command{Verb: "acknowledge", Who: "x"}, p.now)
}

// One refusal names everything that is missing.
func TestArmTellsAllThatIsMissing(t *testing.T) {
	p := readied(t, func(o *Options) { o.VolumeM3, o.LeakPaS = 0, nil })
	err := p.ask("arm")
	if err == nil || !strings.Contains(err.Error(), "leak check") || !strings.Contains(err.Error(), "expansion") {
		t.Fatalf("arm: %v", err)
	}
}

// The barometer serves absolute transducers.
func TestPlausibleWithBarometer(t *testing.T) {
	p := readied(t, func(o *Options) {
		o.Channels[0].Reference, o.Channels[1].Reference = daq.Absolute, daq.Absolute
		o.Channels[2] = daq.Channel{Name: "baro", Role: daq.RoleBarometer, Quantity: daq.Pressure, Reference: daq.Absolute}
		o.Rules = o.Rules[:4]
	})
	for range 10 {
		p.now += ms
		p.g.Sample(2, []daq.Sample{{T: p.now, V: 0.3e5}}, p.now)
		p.g.Sample(0, []daq.Sample{{T: p.now, V: 0.31e5}}, p.now)
		p.g.Sample(1, []daq.Sample{{T: p.now, V: 0.3e5}}, p.now)
	}
	if k := find(t, p.g.Guards(), GuardPlausible); !k.OK {
		t.Fatalf("%+v", k)
	}
}

func TestGuardsOfABareBench(t *testing.T) {
	g, err := New(Options{})
	if err != nil {
		t.Fatal(err)
	}
	for _, k := range g.Guards() {
		if k.Name == GuardRange && k.OK || k.Name == GuardPlausible && k.OK || k.Name == GuardClock && k.OK || k.Name == GuardWatchdog && k.OK {
			t.Errorf("nothing is measured, and yet %+v", k)
		}
	}
}

func watchBench() Options {
	o := bench()
	o.Channels = append(o.Channels, daq.Channel{Name: "co", Quantity: daq.Digital})
	o.Rules = append(o.Rules, Rule{Name: "gas", Kind: Digital, Channels: []daq.ChannelID{3}, AlarmOn: "1", EndsWatch: true, Priority: High})
	o.SafePa, o.SafeS, o.WatchMaxC, o.WatchWaitS, o.WatchBinds = 0.5e5, 10, 60, 60, true
	return o
}

// The watch waits for every condition, and a person who knows better gives a
// reason.
func TestPressureWatch(t *testing.T) {
	p := playWith(t, watchBench())
	temperature, gas := 23.0, 0.0
	pass := func(s int, p1, p2 float64) {
		for range s * 10 {
			p.now += 100 * ms
			p.g.Sample(0, []daq.Sample{{T: p.now, V: p1}}, p.now)
			p.g.Sample(1, []daq.Sample{{T: p.now, V: p2}}, p.now)
			p.g.Sample(2, []daq.Sample{{T: p.now, V: temperature}}, p.now)
			p.g.Sample(3, []daq.Sample{{T: p.now, V: gas}}, p.now)
			p.g.Tick(p.now)
			p.take()
		}
	}
	pass(1, 0, 0)
	p.underTest()
	pass(1, 20e5, 20e5)
	if err := p.ask("end"); err == nil || !strings.Contains(err.Error(), "make safe first") {
		t.Fatalf("end under test: %v", err)
	}
	p.must("make-safe")
	p.confirm()
	open := func(want ...string) {
		t.Helper()
		var got []string
		for _, k := range p.g.Watch() {
			if !k.Required || k.OK == (k.Why != "") {
				t.Fatalf("%+v", k)
			}
			if !k.OK {
				got = append(got, k.Name)
			}
		}
		if strings.Join(got, ",") != strings.Join(want, ",") {
			t.Fatalf("open: %v, want %v", got, want)
		}
		err := p.ask("end")
		if (err == nil) != (len(want) == 0) {
			t.Fatalf("end: %v", err)
		}
	}
	left := func(name string) float64 {
		for _, k := range p.g.Watch() {
			if k.Name == name {
				return k.LeftS
			}
		}
		t.Fatalf("no condition %q", name)
		return 0
	}
	temperature, gas = 80, 1
	pass(9, 0.49e5, -0.49e5)
	open("pressure of p1", "pressure of p2", "temperature of t", "waiting time", "gas")
	// The bench waits for 10 s of low pressure and for 60 s in all.
	if a, b := left("pressure of p1"), left("waiting time"); math.Abs(a-1) > 0.2 || math.Abs(b-51) > 0.2 || left("temperature of t") != 0 {
		t.Fatalf("left: pressure %g s, watch %g s, temperature %g s", a, b, left("temperature of t"))
	}
	pass(2, 0.49e5, 0.1e5)
	if left("pressure of p1") != 0 {
		t.Fatalf("left of a condition that is met: %g s", left("pressure of p1"))
	}
	open("temperature of t", "waiting time", "gas")
	temperature, gas = 60, 0
	pass(1, 0.49e5, 0.51e5)
	open("pressure of p2", "waiting time")
	pass(48, 0, 0)
	open()
	if ph, _ := p.g.Phase(); ph != AtRest {
		t.Fatalf("phase %s", ph)
	}
}

func TestWatchOverriddenBySilence(t *testing.T) {
	p := playWith(t, watchBench())
	p.must("arm")
	p.must("make-safe")
	p.confirm()
	p.now += 100e9
	p.g.Tick(p.now)
	if err := p.ask("end"); err == nil || !strings.Contains(err.Error(), "override") {
		t.Fatalf("nothing is known of the pressure, and the watch ends: %v", err)
	}
	if err := p.ask("end", "override", "read on the local gauge by two"); err != nil {
		t.Fatal(err)
	}
}
