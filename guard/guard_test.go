package guard

import (
	"reflect"
	"strings"
	"testing"

	"ventward/daq"
	"ventward/detect"
)

// bench is a small bench: two pressures, a supply valve, a dump valve and a
// heartbeat.
func bench() Options {
	chans := []daq.Channel{
		{Name: "p1", Role: daq.RoleSpecimen, Quantity: daq.Pressure, Reference: daq.Gauge},
		{Name: "p2", Role: daq.RoleSpecimen, Quantity: daq.Pressure, Reference: daq.Gauge},
		{Name: "t", Role: daq.RoleGas, Quantity: daq.Temperature},
	}
	return Options{
		Channels:   chans,
		Outputs:    []daq.Output{{Name: "supply", Role: daq.RoleSupplyValve}, {Name: "beat", Heartbeat: true}, {Name: "dump", Role: daq.RoleDumpValve}},
		HeartbeatS: 0.2,
		Rules: []Rule{
			{Name: "high", Kind: LimitHigh, Channels: []daq.ChannelID{0, 1}, Limit: 50e5, Deadband: 1e5, DelayOnS: 0.001, Priority: Critical, Trip: []int{0}, Text: "Shut the supply."},
			{Name: "opened", Kind: OnEvent, Events: []detect.Kind{detect.VentOpening, detect.Rupture}, Priority: High, Trip: []int{0}},
			{Name: "silent", Kind: Stale, Channels: []daq.ChannelID{0, 1}, StaleS: 0.5, Priority: High, Trip: []int{0}},
			{Name: "faulty", Kind: Faulty, Channels: []daq.ChannelID{0}, DelayOnS: 0.02, Priority: High, Trip: []int{0}},
			{Name: "warm", Kind: LimitHigh, Channels: []daq.ChannelID{2}, Limit: 60, Deadband: 2, Priority: Low},
			{Name: "unconfirmed", Kind: Unconfirmed, Priority: Critical, Trip: []int{0}},
			{Name: "lost", Kind: Lost, Priority: Medium},
			{Name: "recording", Kind: Recording, Priority: High},
		},
	}
}

const ms = int64(1e6)

// player drives a guard with a clock of its own and keeps what it said.
type player struct {
	t       *testing.T
	g       *Guard
	now     int64
	demands []daq.Demand
	alarms  []Alarm
}

func play(t *testing.T) *player {
	t.Helper()
	return playWith(t, bench())
}

func playWith(t *testing.T, o Options) *player {
	t.Helper()
	g, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	p := &player{t: t, g: g, now: 10e9}
	p.run(100, 1e5, 1e5)
	p.confirm()
	return p
}

func (p *player) take() {
	r := p.g.Take()
	for _, d := range r.Demands {
		if d.Output != 1 {
			p.demands = append(p.demands, d)
		}
	}
	p.alarms = append(p.alarms, r.Alarms...)
}

// run lets ms milliseconds pass with both pressures and the temperature read.
func (p *player) run(n int, p1, p2 float64) {
	for range n {
		p.now += ms
		p.g.Sample(0, []daq.Sample{{T: p.now, V: p1}}, p.now)
		p.g.Sample(1, []daq.Sample{{T: p.now, V: p2}}, p.now)
		p.g.Sample(2, []daq.Sample{{T: p.now, V: 23}}, p.now)
		p.g.Tick(p.now)
		p.take()
	}
}

// confirm reads every output back as demanded.
func (p *player) confirm() {
	for i := range p.g.o.Outputs {
		o := p.g.s.Outputs[i]
		state := daq.OutputOff
		if o.Want {
			state = daq.OutputOn
		}
		p.g.Readback(daq.Readback{Output: i, State: state, Serial: o.Serial}, p.now)
	}
	p.take()
}

func (p *player) command(verb string) error {
	err := p.g.Command(daq.Command{Verb: verb, Who: "test"}, p.now)
	p.take()
	return err
}

func (p *player) must(verb string) {
	p.t.Helper()
	if err := p.command(verb); err != nil {
		p.t.Fatal(err)
	}
}

// underTest brings the course to where the supply is on.
func (p *player) underTest() {
	p.t.Helper()
	p.must("arm")
	p.must("pressurise")
	if !p.g.s.Outputs[0].Want {
		p.t.Fatal("the supply is not demanded on under test")
	}
	p.confirm()
}

func (p *player) alarm(rule string) Alarm {
	for _, a := range p.g.Alarms() {
		if a.Rule == rule {
			return a
		}
	}
	return Alarm{State: Normal}
}

func TestLimitTripsAndLatches(t *testing.T) {
	p := play(t)
	p.underTest()
	p.run(1, 50.5e5, 1e5)
	if !p.g.s.Outputs[0].Want {
		t.Fatal("one sample beyond the limit tripped although the delay is 1 ms")
	}
	p.run(2, 50.5e5, 1e5)
	if p.g.s.Outputs[0].Want {
		t.Fatal("the limit did not demand the supply off")
	}
	if ph, _ := p.g.Phase(); ph != MakingSafe {
		t.Fatalf("phase %q, want making safe", ph)
	}
	p.confirm()
	if ph, _ := p.g.Phase(); ph != PressureWatch {
		t.Fatalf("phase %q after the read-back, want pressure watch", ph)
	}
	if err := p.command("reset"); err == nil || !strings.Contains(err.Error(), "high") {
		t.Fatalf("reset while the condition stands: %v", err)
	}
	p.run(5, 49.5e5, 1e5) // within the deadband: still stands
	if err := p.command("reset"); err == nil {
		t.Fatal("reset within the deadband was taken")
	}
	p.run(5, 1e5, 1e5)
	p.must("reset")
	if p.g.s.Outputs[0].Want {
		t.Fatal("a reset turned the supply on")
	}
	if a := p.alarm("high"); a.State != ReturnedUnacknowledged || !a.First {
		t.Fatalf("alarm %+v, want returned-unacknowledged and first-out", a)
	}
	p.must("acknowledge")
	if a := p.alarm("high"); a.State != Normal {
		t.Fatalf("alarm %q after acknowledging, want normal", a.State)
	}
}

func TestOpeningTripsUntilReset(t *testing.T) {
	p := play(t)
	p.underTest()
	p.g.Event(detect.Event{ID: 1, Rev: 1, Kind: detect.VentOpening, Feature: "top vent"}, p.now)
	p.take()
	if p.g.s.Outputs[0].Want {
		t.Fatal("an opening did not demand the supply off")
	}
	p.confirm()
	p.must("end")
	if err := p.command("arm"); err == nil || !strings.Contains(err.Error(), "opened") || !strings.Contains(err.Error(), "look at what was seen, then reset") {
		t.Fatalf("arming with a latched trip: %v", err)
	}
	if v := p.g.Trips()[1]; !v.Stands || !v.Past {
		t.Fatalf("an opening that was seen is not told as past, so that nobody could know that it may be reset: %+v", v)
	}
	p.must("reset")
	if v := p.g.Trips()[1]; v.Tripped || v.Stands || v.Past {
		t.Fatalf("after the reset: %+v", v)
	}
	p.must("arm")
}

// An event that a later revision names otherwise no longer stands, but what it
// tripped stays tripped.
func TestRevisedEventKeepsItsTrip(t *testing.T) {
	p := play(t)
	p.underTest()
	p.g.Event(detect.Event{ID: 1, Rev: 1, Kind: detect.VentOpening}, p.now)
	p.g.Event(detect.Event{ID: 1, Rev: 2, Kind: detect.SensorFault, Fault: detect.FaultSpike}, p.now)
	p.take()
	if p.g.s.Outputs[0].Want || !p.g.s.Trips[1].Tripped || p.g.s.Trips[1].Stands {
		t.Fatalf("trip %+v, supply %v", p.g.s.Trips[1], p.g.s.Outputs[0].Want)
	}
}

func TestSilenceTripsAndStopsTheHeartbeat(t *testing.T) {
	p := play(t)
	p.underTest()
	last := p.g.s.Outputs[1].Serial
	for range 3000 {
		p.now += ms
		p.g.Tick(p.now)
	}
	p.take()
	if p.g.s.Outputs[0].Want {
		t.Fatal("silence did not demand the supply off")
	}
	_, at, why := p.g.Heartbeat()
	if why == "" || p.now-at < 500*ms {
		t.Fatalf("edges go on without fresh readings: last %d ms ago, why %q", (p.now-at)/ms, why)
	}
	if p.g.s.Outputs[1].Serial == last {
		t.Fatal("no edge at all in the first two seconds of silence")
	}
	p.run(10, 1e5, 1e5)
	if _, _, why := p.g.Heartbeat(); why != "" {
		t.Fatalf("edges do not come back with the readings: %s", why)
	}
}

func TestHeartbeatIsEdges(t *testing.T) {
	g, err := New(bench())
	if err != nil {
		t.Fatal(err)
	}
	p := &player{t: t, g: g, now: 10e9}
	var levels []bool
	for range 2000 {
		p.now += ms
		p.g.Sample(0, []daq.Sample{{T: p.now}}, p.now)
		p.g.Sample(1, []daq.Sample{{T: p.now}}, p.now)
		p.g.Tick(p.now)
		for _, d := range p.g.Take().Demands {
			if d.Output == 1 {
				levels = append(levels, d.On)
			}
		}
	}
	if len(levels) < 9 || len(levels) > 11 {
		t.Fatalf("%d edges in 2 s, want one each 0.2 s", len(levels))
	}
	for i := 1; i < len(levels); i++ {
		if levels[i] == levels[i-1] {
			t.Fatalf("edge %d repeats the level: no edge", i)
		}
	}
}

func TestFaultySensorTrips(t *testing.T) {
	p := play(t)
	p.underTest()
	for i := range 30 {
		p.now += ms
		p.g.Sample(0, []daq.Sample{{T: p.now, Q: daq.Open}}, p.now)
		p.g.Sample(1, []daq.Sample{{T: p.now}}, p.now)
		p.g.Tick(p.now)
		if i < 19 && p.g.s.Trips[3].Tripped {
			t.Fatalf("tripped after %d ms, delay is 20 ms", i+1)
		}
	}
	p.take()
	if p.g.s.Outputs[0].Want {
		t.Fatal("an open sensor did not demand the supply off")
	}
	if a := p.alarm("faulty"); !strings.Contains(a.Message, "open") {
		t.Fatalf("message %q does not say what is wrong", a.Message)
	}
}

func TestUnconfirmedOutput(t *testing.T) {
	p := play(t)
	p.must("arm")
	p.must("pressurise")
	p.run(400, 1e5, 1e5)
	if p.alarm("unconfirmed").State != Normal {
		t.Fatal("alarm before the time to confirm was over")
	}
	p.run(200, 1e5, 1e5)
	if p.alarm("unconfirmed").State != Unacknowledged || p.g.s.Outputs[0].Want {
		t.Fatal("an output that never confirms raised nothing")
	}
	// A welded output: demanded off, read back on.
	p.g.Readback(daq.Readback{Output: 0, State: daq.OutputOn, Serial: p.g.s.Outputs[0].Serial}, p.now)
	p.take()
	if !p.g.s.Holds[5] {
		t.Fatal("an output read back on though demanded off is not alarmed")
	}
}

func TestAcknowledgeNeverClears(t *testing.T) {
	p := play(t)
	p.run(5, 51e5, 1e5)
	p.must("acknowledge")
	if a := p.alarm("high"); a.State != Acknowledged || a.Who != "test" {
		t.Fatalf("alarm %+v, want acknowledged by test", a)
	}
	if !p.g.s.Trips[0].Tripped {
		t.Fatal("acknowledging reset a trip")
	}
	if err := p.g.Command(daq.Command{Verb: "acknowledge", Args: map[string]string{"id": "x"}}, p.now); err == nil {
		t.Fatal("a bad id was taken")
	}
}

func TestOptionsTellAllThatIsWrong(t *testing.T) {
	o := bench()
	o.HeartbeatS = 0
	o.Rules = append(o.Rules, Rule{Name: "high", Kind: "odd", Trip: []int{1, 9}}, Rule{Name: "s", Kind: Stale, Channels: []daq.ChannelID{7}}, Rule{Name: "e", Kind: OnEvent})
	_, err := New(o)
	if err == nil {
		t.Fatal("taken")
	}
	for _, want := range []string{"heartbeat_s", "rules[8].name", "rules[8].kind", "heartbeat; name", "rules[8].trip = 9", "rules[9].channels", "rules[9].stale_s", "rules[10].events"} {
		if !strings.Contains(err.Error(), want) {
			t.Errorf("%q is missing in:\n%v", want, err)
		}
	}
}

func TestSnapshotKeepsWhatIsLatched(t *testing.T) {
	p := play(t)
	p.underTest()
	p.run(5, 51e5, 1e5)
	g, err := New(bench())
	if err != nil {
		t.Fatal(err)
	}
	if err := g.Restore(p.g.Snapshot()); err != nil {
		t.Fatal(err)
	}
	if !reflect.DeepEqual(g.Trips(), p.g.Trips()) || !reflect.DeepEqual(g.Alarms(), p.g.Alarms()) {
		t.Fatalf("restored %+v %+v", g.Trips(), g.Alarms())
	}
	o := bench()
	o.Rules = o.Rules[1:]
	other, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	if err := other.Restore(p.g.Snapshot()); err == nil {
		t.Fatal("a snapshot of other rules was taken")
	}
}
