package guard

import (
	"strings"
	"testing"

	"ventward/daq"
	"ventward/detect"
)

// A transient within one batch trips, however short (delay 0).
func TestTransientWithinABatchTrips(t *testing.T) {
	o := bench()
	o.Rules[0].DelayOnS = 0
	p := playWith(t, o)
	p.underTest()
	s := make([]daq.Sample, 50)
	for i := range s {
		p.now += ms / 10
		s[i] = daq.Sample{T: p.now, V: 1e5}
	}
	s[20].V = 50e5
	p.g.Sample(0, s, p.now)
	p.take()
	if p.g.s.Outputs[0].Want || !p.g.s.Trips[0].Tripped || p.g.s.Trips[0].Stands {
		t.Fatalf("trip %+v, supply wanted %v", p.g.s.Trips[0], p.g.s.Outputs[0].Want)
	}
	if a := p.alarm("high"); a.State != ReturnedUnacknowledged || a.Value != 50e5 {
		t.Fatalf("alarm %+v", a)
	}
}

func (p *player) ask(verb string, args ...string) error {
	h := hand{p.t, p.g, p.now}
	err := h.ask(verb, args...)
	p.take()
	return err
}

func TestBypass(t *testing.T) {
	o := bench()
	o.Rules = append(o.Rules, Rule{Name: "a bypass", Kind: Bypassed, Priority: High})
	p := playWith(t, o)
	for _, c := range []struct{ what, rule, reason, s, at string }{
		{"no reason", "high", "", "60", "bench"}, {"trips nothing", "warm", "r", "60", "bench"}, {"at most 1800", "high", "r", "1801", "bench"},
		{"at most 1800", "high", "r", "-1", "bench"}, {"at the bench only", "high", "r", "60", "remote"}, {"no rule", "odd", "r", "60", "bench"},
	} {
		if err := p.ask("bypass", "rule", c.rule, "reason", c.reason, "for_s", c.s, "at", c.at); err == nil || !strings.Contains(err.Error(), c.what) {
			t.Errorf("bypass %+v: %v", c, err)
		}
	}
	p.underTest()
	if err := p.ask("bypass", "rule", "high", "reason", "proof test", "for_s", "2"); err != nil {
		t.Fatal(err)
	}
	if err := p.ask("bypass", "rule", "silent", "reason", "another", "for_s", "2"); err == nil || !strings.Contains(err.Error(), "limit") {
		t.Fatalf("a second bypass: %v", err)
	}
	p.run(1000, 51e5, 1e5)
	v := p.g.Trips()[0]
	if v.Tripped || !v.Stands || !v.Bypassed || v.BypassReason != "proof test" || v.BypassWho != "A. Rahn" || v.BypassUntil == 0 {
		t.Fatalf("bypassed trip %+v", v)
	}
	if p.alarm("high").State != Unacknowledged || p.alarm("a bypass").State != Unacknowledged {
		t.Fatal("a bypass silences no alarm and is one itself")
	}
	p.run(1001, 51e5, 1e5)
	if v := p.g.Trips()[0]; !v.Tripped || v.Bypassed || p.g.s.Outputs[0].Want {
		t.Fatalf("after its time a bypassed trip does not trip: %+v", v)
	}
	if a := p.alarm("a bypass"); a.State != ReturnedUnacknowledged {
		t.Fatalf("%+v", a)
	}
}

// A bypass neither resets a latched trip nor lets it be reset while its
// condition stands.
func TestBypassIsNoReset(t *testing.T) {
	p := play(t)
	p.underTest()
	p.run(5, 51e5, 1e5)
	if err := p.ask("bypass", "rule", "high", "reason", "r", "for_s", "60"); err != nil {
		t.Fatal(err)
	}
	if err := p.command("reset"); err == nil || !p.g.s.Trips[0].Tripped {
		t.Fatalf("reset of a standing, bypassed trip: %v", err)
	}
	if err := p.ask("end-bypass", "rule", "high"); err != nil || p.g.s.Trips[0].Bypassed {
		t.Fatalf("end-bypass: %v", err)
	}
	if err := p.ask("end-bypass", "rule", "high"); err == nil {
		t.Fatal("a bypass that is over was ended")
	}
}

func TestResetOfOneRuleAndFromAfar(t *testing.T) {
	p := play(t)
	p.underTest()
	p.g.Event(detect.Event{ID: 1, Kind: detect.VentOpening}, p.now)
	p.run(5, 51e5, 1e5)
	p.run(5, 1e5, 1e5)
	if err := p.ask("reset", "at", "remote"); err == nil || !strings.Contains(err.Error(), "bench only") {
		t.Fatalf("reset from afar: %v", err)
	}
	if err := p.ask("reset", "rule", "high"); err != nil || p.g.s.Trips[0].Tripped || !p.g.s.Trips[1].Tripped {
		t.Fatalf("reset of one: %v %+v", err, p.g.Trips())
	}
	if err := p.ask("reset", "rule", "odd"); err == nil {
		t.Fatal("reset of an unknown rule")
	}
}

// A trip that is not active at rest stands there without latching, keeps the
// bench from being armed, and trips at once where it becomes active.
func TestTripPhases(t *testing.T) {
	o := bench()
	o.Channels = append(o.Channels, daq.Channel{Name: "shield", Role: daq.RoleShield, Quantity: daq.Digital})
	o.Rules = append(o.Rules, Rule{Name: "shield open", Kind: Digital, Channels: []daq.ChannelID{3}, AlarmOn: "0", Priority: Critical, Trip: []int{0},
		Phases: []Phase{Armed, UnderTest, HoldingPressure}, TripPhases: []Phase{UnderTest, HoldingPressure}})
	p := playWith(t, o)
	shield := func(v float64) {
		p.now += ms
		p.g.Sample(3, []daq.Sample{{T: p.now, V: v}}, p.now)
		p.run(1, 1e5, 1e5)
	}
	shield(0)
	v := p.g.Trips()[len(p.g.Trips())-1]
	if v.Tripped || !v.Stands || len(p.g.Alarms()) != 0 {
		t.Fatalf("an open shield at rest: %+v, alarms %v", v, p.g.Alarms())
	}
	if err := p.command("arm"); err == nil || !strings.Contains(err.Error(), "shield open") {
		t.Fatalf("armed with the shield open: %v", err)
	}
	shield(1)
	p.must("arm")
	shield(0) // armed: alarms, does not trip
	if a := p.alarm("shield open"); a.State != Unacknowledged || !strings.Contains(a.Message, "it reads 0") || p.g.anyTrip() != "" {
		t.Fatalf("%+v", a)
	}
	p.must("pressurise") // trips on the way in: the supply never comes on
	for _, d := range p.demands {
		if d.Output == 0 && d.On {
			t.Fatalf("the supply was demanded on: %+v", p.demands)
		}
	}
	if ph, _ := p.g.Phase(); p.g.anyTrip() != "shield open" || ph != MakingSafe {
		t.Fatalf("phase %s, trip %q", ph, p.g.anyTrip())
	}
	shield(1)
	p.must("reset")
	if p.g.s.Outputs[0].Want {
		t.Fatal("the reset turned the supply on")
	}
}

func TestProofTests(t *testing.T) {
	o := bench()
	o.Rules[0].ProofDue = "2026-11-25"
	o.Rules = append(o.Rules, Rule{Name: "proof", Kind: ProofOverdue, Priority: Low})
	o.Arming = []string{GuardProof}
	p := playWith(t, o)
	if err := p.ask("arm"); err == nil || !strings.Contains(err.Error(), "date is not known") {
		t.Fatalf("arming without a date: %v", err)
	}
	const day = int64(86400e9)
	wall := int64(1795564800e9) // 2026-11-25T00:00:00Z
	p.g.Wall(p.now, wall)
	p.take()
	if v := p.g.Trips()[0]; v.Overdue || v.ProofDue != "2026-11-25" || p.g.s.Date != "2026-11-25" {
		t.Fatalf("on the day itself: %+v, date %s", v, p.g.s.Date)
	}
	p.g.Wall(p.now, wall+day)
	p.take()
	if v := p.g.Trips()[0]; !v.Overdue || p.alarm("proof").State != Unacknowledged || !strings.Contains(p.alarm("proof").Message, "2026-11-25") {
		t.Fatalf("the day after: %+v %+v", v, p.alarm("proof"))
	}
	if err := p.ask("arm"); err == nil || !strings.Contains(err.Error(), "proof test of trip \"high\"") {
		t.Fatalf("arming: %v", err)
	}
	if err := p.ask("arm", "date", "tomorrow"); err == nil || !strings.Contains(err.Error(), "2031-05-24") {
		t.Fatalf("arming with a bad date: %v", err)
	}
}
