package guard

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"ventward/daq"
	"ventward/detect"
)

func one(r Rule, chans ...daq.Channel) Options {
	r.Name, r.Priority = "rule", Low
	o := Options{Channels: chans}
	for i := range chans {
		if r.Kind.ofChannels() {
			r.Channels = append(r.Channels, daq.ChannelID(i))
		}
	}
	o.Rules = []Rule{r}
	return o
}

func pressure(name string) daq.Channel {
	return daq.Channel{Name: name, Role: daq.RoleSpecimen, Quantity: daq.Pressure, Reference: daq.Gauge}
}

func TestDelaysAndDeadband(t *testing.T) {
	h := take(t, one(Rule{Kind: LimitLow, Limit: 10, Deadband: 1, DelayOnS: 0.1, DelayOffS: 0.2}, daq.Channel{Name: "t", Quantity: daq.Temperature}))
	for i, s := range []struct {
		v      float64
		millis int64
		want   bool
	}{
		{20, 10, false}, {10, 50, false}, {20, 10, false}, // too short
		{10, 1, false}, {9, 99, false}, {9, 1, true}, // a tenth of a second
		{10.9, 500, true},              // within the deadband
		{12, 100, true}, {9, 50, true}, // gone for too short a time
		{12, 1, true}, {10.5, 199, true}, {12, 1, false}, // two tenths of a second
	} {
		h.put(0, s.v, s.millis*ms)
		if got := h.g.s.Holds[0]; got != s.want {
			t.Fatalf("%d %+v: holds %v", i, s, got)
		}
	}
}

// The slope of a straight line is its slope, whatever the sampling; noise moves
// it by what least squares allow.
func TestRate(t *testing.T) {
	const seed = 7
	t.Logf("seed %d", seed)
	for _, c := range []struct {
		name         string
		limit, slope float64 // Pa/s
		period       int64
		noise        float64
		want         bool
	}{
		{"rise over", 5e5, 5.05e5, 1e5, 0, true},
		{"rise under", 5e5, 4.95e5, 1e5, 0, false},
		{"rise over, noisy", 5e5, 5.2e5, 1e5, 3e3, true},
		{"rise under, noisy", 5e5, 4.8e5, 1e5, 3e3, false},
		{"fall over", -5e5, -5.05e5, 1e5, 0, true},
		{"fall under", -5e5, -4.95e5, 1e5, 0, false},
		{"a rise is no fall", -5e5, 9e5, 1e5, 0, false},
		{"slow instrument", 5e5, 5.05e5, 1e8, 0, true},
		{"slow instrument under", 5e5, 4.95e5, 1e8, 0, false},
	} {
		r := rand.New(rand.NewPCG(seed, 1))
		h := take(t, one(Rule{Kind: Rate, Limit: c.limit, WindowS: 0.5}, pressure("p1")))
		start := h.now
		for h.now-start < 2e9 {
			h.now += c.period
			v := c.slope*float64(h.now-start)*1e-9 + c.noise*r.NormFloat64()
			h.g.Sample(0, []daq.Sample{{T: h.now, V: v}}, h.now)
		}
		if h.g.s.Holds[0] != c.want {
			t.Errorf("%s: holds %v, want %v", c.name, h.g.s.Holds[0], c.want)
		}
		if c.want && !strings.Contains(h.g.s.Alarms[0].Message, "bar/s over 0.5 s") {
			t.Errorf("%s: %q", c.name, h.g.s.Alarms[0].Message)
		}
	}
}

// After silence the slope is not taken across the hole; bad samples and NaN
// have no part in it.
func TestRateAcrossAHole(t *testing.T) {
	h := take(t, one(Rule{Kind: Rate, Limit: 1e5, WindowS: 0.1}, pressure("p1")))
	give := func(n int, v float64, q daq.Quality) {
		for range n {
			h.now += ms
			h.g.Sample(0, []daq.Sample{{T: h.now, V: v, Q: q}}, h.now)
		}
	}
	give(300, 0, 0)
	h.now += 1e9
	give(300, 5e5, 0)
	give(100, 50e5, daq.Rail)
	give(100, math.NaN(), daq.Missing)
	give(300, 5e5, 0)
	if h.g.s.Alarms[0].ID != 0 {
		t.Fatalf("a hole made a slope: %+v", h.g.s.Alarms[0])
	}
	give(30, 5.2e5, 0) // a step within the window is one
	if h.g.s.Alarms[0].ID == 0 {
		t.Fatal("a step of 0.2 bar in 0.1 s is no rise of 1 bar/s")
	}
}

// A ramp seen by instruments of different speed and lateness is no deviation;
// an offset is.
func TestDeviation(t *testing.T) {
	for _, c := range []struct {
		name   string
		offset float64
		ramp   float64 // Pa/s
		slow   int64   // period of the second channel
		want   bool
	}{
		{"equal", 0, 0, ms, false},
		{"offset", 0.6e5, 0, ms, true},
		{"offset, negative", -0.6e5, 0, ms, true},
		{"below the limit", 0.4e5, 0, ms, false},
		{"ramp of 5 bar/s, slow instrument", 0, 5e5, 100 * ms, false},
		{"ramp and offset", 0.6e5, 5e5, 100 * ms, true},
	} {
		h := take(t, one(Rule{Kind: Deviation, Limit: 0.5e5, Deadband: 0.1e5, DelayOnS: 0.5}, pressure("p1"), pressure("p2")))
		start := h.now
		for h.now-start < 3e9 {
			h.now += ms
			v := c.ramp * float64(h.now-start) * 1e-9
			h.g.Sample(0, []daq.Sample{{T: h.now, V: v}}, h.now)
			if (h.now-start)%c.slow == 0 {
				h.g.Sample(1, []daq.Sample{{T: h.now - 20*ms, V: v - c.ramp*0.02 + c.offset}}, h.now)
			}
		}
		if h.g.s.Holds[0] != c.want {
			t.Errorf("%s: holds %v, want %v", c.name, h.g.s.Holds[0], c.want)
		}
	}
}

// While one of a pair is no measurement or silent the pair is not judged.
func TestDeviationNeedsBoth(t *testing.T) {
	h := take(t, one(Rule{Kind: Deviation, Limit: 0.5e5}, pressure("p1"), pressure("p2")))
	for range 5000 {
		h.now += ms
		h.g.Sample(0, []daq.Sample{{T: h.now, V: 40e5}}, h.now)
		h.g.Sample(1, []daq.Sample{{T: h.now, V: 0, Q: daq.Open}}, h.now)
	}
	if h.g.s.Holds[0] {
		t.Fatal("an open sensor deviates")
	}
	for range 100 {
		h.now += ms
		h.g.Sample(0, []daq.Sample{{T: h.now, V: 40e5}}, h.now)
		h.g.Sample(1, []daq.Sample{{T: h.now, V: 0}}, h.now)
	}
	if !h.g.s.Holds[0] || !strings.Contains(h.g.s.Alarms[0].Message, "p1 and p2 differ by 40 bar") {
		t.Fatalf("%+v", h.g.s.Alarms[0])
	}
}

func TestDigitalInput(t *testing.T) {
	input := daq.Channel{Name: "estop", Role: daq.RoleEStop, Quantity: daq.Digital}
	for _, c := range []struct {
		on   string
		x    daq.Sample
		want bool
	}{
		{"0", daq.Sample{V: 0}, true}, {"0", daq.Sample{V: 1}, false}, {"1", daq.Sample{V: 1}, true}, {"1", daq.Sample{V: 0}, false},
		{"0", daq.Sample{V: 1, Q: daq.Open}, true}, {"1", daq.Sample{V: 0, Q: daq.Open}, true},
		{"0", daq.Sample{V: math.NaN(), Q: daq.Missing}, true}, {"1", daq.Sample{V: math.NaN(), Q: daq.Missing}, true},
	} {
		h := take(t, one(Rule{Kind: Digital, AlarmOn: c.on}, input))
		calm := 1.0
		if c.on == "1" {
			calm = 0
		}
		h.put(0, calm, ms)
		if h.g.s.Holds[0] {
			t.Fatalf("alarm on %s: holds on %g", c.on, calm)
		}
		h.now += ms
		c.x.T = h.now
		h.g.Sample(0, []daq.Sample{c.x}, h.now)
		if h.g.s.Holds[0] != c.want {
			t.Errorf("alarm on %s, sample %+v: holds %v, want %v", c.on, c.x, h.g.s.Holds[0], c.want)
		}
		h.put(0, calm, ms)
		if h.g.s.Holds[0] {
			t.Errorf("alarm on %s: stands on %g", c.on, calm)
		}
	}
}

func TestNotices(t *testing.T) {
	o := one(Rule{Kind: SpaceLow, Limit: 1e9, Deadband: 1e8})
	o.Rules = append(o.Rules, Rule{Name: "forward", Kind: Forwarding, Limit: 60, DelayOnS: 5, Priority: Low}, Rule{Name: "loop", Kind: LoopLate, Priority: Low})
	h := take(t, o)
	notice := func(what, ok, value string) error {
		return h.g.Command(daq.Command{Verb: "notice", Who: "program", Args: map[string]string{"what": what, "ok": ok, "reason": "why", "value": value}}, h.now)
	}
	for i, c := range []struct {
		what, ok, value string
		rule            int
		want            bool
	}{
		{"space", "true", "2e9", 0, false}, {"space", "true", "9e8", 0, true}, {"space", "true", "8e8", 0, true}, {"space", "true", "1.05e9", 0, true},
		{"space", "true", "1.2e9", 0, false}, {"space", "false", "1.2e9", 0, true}, {"space", "true", "NaN", 0, false}, {"space", "false", "", 0, true},
		{"loop", "false", "3", 2, true}, {"loop", "true", "3", 2, false}, {"forwarding", "true", "61", 1, false},
	} {
		if err := notice(c.what, c.ok, c.value); err != nil {
			t.Fatal(err)
		}
		if h.g.s.Holds[c.rule] != c.want {
			t.Errorf("%d %+v: holds %v", i, c, h.g.s.Holds[c.rule])
		}
	}
	h.now += 5e9
	h.g.Tick(h.now)
	if !h.g.s.Holds[1] || h.g.s.Alarms[1].Message != "forwarding: why" {
		t.Fatalf("a delayed notice: %+v", h.g.s.Alarms[1])
	}
	if err := notice("weather", "true", ""); err == nil || !strings.Contains(err.Error(), "is not known") {
		t.Fatalf("an unknown notice: %v", err)
	}
	h.refused("only the program", "notice", "what", "space", "ok", "true")
	h.refused("only the program", "recording", "ok", "true")
}

func TestClockStep(t *testing.T) {
	h := take(t, one(Rule{Kind: ClockStep, StepS: 1}))
	wall := int64(1795564800e9)
	tick := func(jump int64) bool {
		h.now += 33 * ms
		wall += 33*ms + jump
		before := h.g.s.Alarms[0].Count
		h.g.Wall(h.now, wall)
		h.g.Tick(h.now)
		return h.g.s.Alarms[0].Count > before
	}
	for i, c := range []struct {
		jump int64
		want bool
	}{{0, false}, {0.9e9, false}, {-0.9e9, false}, {3600e9, true}, {0, false}, {-3600e9, true}, {0, false}, {1e9, true}} {
		if got := tick(c.jump); got != c.want {
			t.Errorf("%d: a jump of %d ns: alarm %v, want %v", i, c.jump, got, c.want)
		}
	}
	if m := h.g.s.Alarms[0].Message; !strings.Contains(m, "+1.000 s") {
		t.Errorf("message %q", m)
	}
	for range 100 { // a clock that is slewed by 500 ppm steps nowhere
		if tick(16500) {
			t.Fatal("slewing is a step")
		}
	}
}

func TestLostInstruments(t *testing.T) {
	o := one(Rule{Kind: Lost, Instruments: []int{1}})
	o.Instruments = []string{"fast", "valves"}
	h := take(t, o)
	h.g.Link(daq.LinkState{Instrument: 0, Reason: "unplugged"}, h.now)
	if h.g.s.Holds[0] {
		t.Fatal("an instrument that the rule does not name raised it")
	}
	h.g.Link(daq.LinkState{Instrument: 1, Reason: "unplugged"}, h.now)
	if !h.g.s.Holds[0] || h.g.s.Alarms[0].Message != "valves: unplugged" {
		t.Fatalf("%+v", h.g.s.Alarms[0])
	}
	h.g.Link(daq.LinkState{Instrument: 1, Up: true}, h.now)
	if h.g.s.Holds[0] {
		t.Fatal("it came back")
	}
}

func TestEventsOfAFeatureAndAChannel(t *testing.T) {
	o := one(Rule{Kind: OnEvent, Events: []detect.Kind{detect.VentOpening}, Feature: "housing"}, pressure("p1"), pressure("p2"))
	o.Rules[0].Channels = []daq.ChannelID{1}
	h := take(t, o)
	for i, c := range []struct {
		e    detect.Event
		want bool
	}{
		{detect.Event{ID: 1, Kind: detect.VentOpening, Feature: "top vent", Channel: 1}, false},
		{detect.Event{ID: 2, Kind: detect.VentOpening, Feature: "housing", Channel: 0}, false},
		{detect.Event{ID: 3, Kind: detect.Leak, Feature: "housing", Channel: 1}, false},
		{detect.Event{ID: 1, Rev: 2, Kind: detect.VentOpening, Feature: "housing", Channel: 1}, true},
		{detect.Event{ID: 1, Rev: 3, Kind: detect.VentOpening, Feature: "top vent", Channel: 1}, false},
		{detect.Event{ID: 4, Kind: detect.VentOpening, Feature: "housing", Channel: 0, Channels: []daq.ChannelID{0, 1}}, true},
	} {
		h.g.Event(c.e, h.now)
		if h.g.s.Holds[0] != c.want {
			t.Errorf("%d: holds %v", i, h.g.s.Holds[0])
		}
	}
}

// Ids of events begin anew with every monitor: another event with the same id
// ends nothing.
func TestEventsOfAnotherMonitor(t *testing.T) {
	h := take(t, one(Rule{Kind: OnEvent, Events: []detect.Kind{detect.Rupture}}))
	h.g.Event(detect.Event{ID: 1, Kind: detect.Rupture, Decided: 5}, h.now)
	h.g.Event(detect.Event{ID: 1, Kind: detect.Leak, Decided: 7}, h.now)
	if !h.g.s.Holds[0] {
		t.Fatal("a leak with the same id ended a rupture")
	}
	h.g.Event(detect.Event{ID: 1, Rev: 2, Kind: detect.Leak, Decided: 5}, h.now)
	if h.g.s.Holds[0] {
		t.Fatal("the revision ends it")
	}
}

// A condition remembers a bounded number of events; beyond them only a reset
// ends it.
func TestEventsAreBounded(t *testing.T) {
	h := take(t, one(Rule{Kind: OnEvent, Events: []detect.Kind{detect.Rupture}}))
	for i := range 10 * standingMax {
		h.g.Event(detect.Event{ID: i, Kind: detect.Rupture}, h.now)
	}
	if n := len(h.g.conds[0].Standing); n != standingMax {
		t.Fatalf("%d events are remembered", n)
	}
	for i := range 10 * standingMax {
		h.g.Event(detect.Event{ID: i, Kind: detect.Leak}, h.now)
	}
	if !h.g.s.Holds[0] {
		t.Fatal("events that were not remembered ended")
	}
	h.must("reset")
	if h.g.s.Holds[0] {
		t.Fatal("a reset takes note of all")
	}
}

func TestWeldedOutputAndHeartbeat(t *testing.T) {
	o := bench()
	o.Rules = append(o.Rules, Rule{Name: "welded", Kind: Welded, DelayOnS: 0.1, Priority: Critical}, Rule{Name: "beat", Kind: HeartbeatLost, Priority: Critical})
	p := playWith(t, o)
	live := func(n int) {
		for range n {
			p.run(1, 1e5, 1e5)
			b := &p.g.s.Outputs[1]
			state := daq.OutputOff
			if b.Want {
				state = daq.OutputOn
			}
			p.g.Readback(daq.Readback{Output: 1, State: state, Serial: b.Serial}, p.now)
		}
	}
	live(4000)
	if p.alarm("beat").State != Normal {
		t.Fatalf("%+v", p.alarm("beat"))
	}
	p.underTest()
	p.must("make-safe")
	p.g.Readback(daq.Readback{Output: 0, State: daq.OutputOn, Serial: p.g.s.Outputs[0].Serial}, p.now)
	live(50)
	if p.alarm("welded").State != Normal {
		t.Fatal("welded before its delay")
	}
	live(60)
	if a := p.alarm("welded"); a.State != Unacknowledged || !strings.Contains(a.Message, "supply: demanded off, read back on") {
		t.Fatalf("%+v", a)
	}
	if ph, _ := p.g.Phase(); ph != MakingSafe {
		t.Fatalf("phase %s with a welded output", ph)
	}
	p.run(1000, 1e5, 1e5) // edges, but no read-back
	if a := p.alarm("beat"); a.State != Unacknowledged || !strings.Contains(a.Message, "not confirmed") {
		t.Fatalf("%+v", a)
	}
	live(10)
	if a := p.alarm("beat"); a.State != ReturnedUnacknowledged {
		t.Fatalf("%+v", a)
	}
	for range 3000 { // silence: edges are withheld
		p.now += ms
		p.g.Tick(p.now)
	}
	if a := p.alarm("beat"); a.State != Unacknowledged {
		t.Fatalf("%+v", a)
	}
}

// What an unconfirmed output is doubted for ends with a confirmation only, not
// with a new demand.
func TestDoubtNeedsAConfirmation(t *testing.T) {
	p := play(t)
	p.must("arm")
	p.must("pressurise")
	p.run(502, 1e5, 1e5) // trips: the supply is demanded off
	p.run(100, 1e5, 1e5)
	if !p.g.s.Holds[5] {
		t.Fatal("the new demand ended the doubt")
	}
	p.confirm()
	if p.g.s.Holds[5] {
		t.Fatal("confirmed")
	}
}
