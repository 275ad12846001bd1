package guard

import "testing"

func TestShelving(t *testing.T) {
	h := take(t, alarmBench(Rule{}))
	h.put(0, 61, 1e9)
	id := h.is(Unacknowledged).ID
	h.refused("no reason", "shelve", "rule", "warm", "for_s", "60")
	h.refused("at most 3600", "shelve", "rule", "warm", "for_s", "3601", "reason", "r")
	h.refused("at most 3600", "shelve", "rule", "warm", "for_s", "NaN", "reason", "r")
	h.refused("at most 3600", "shelve", "rule", "warm", "reason", "r")
	h.refused("no rule \"cold\"", "shelve", "rule", "cold", "for_s", "60", "reason", "r")
	h.refused("no alarm 99", "shelve", "id", "99", "for_s", "60", "reason", "r")
	h.refused("state rule or id", "shelve", "for_s", "60", "reason", "r")
	h.must("shelve", "id", "1", "for_s", "60", "reason", "its probe is being moved")
	a := h.is(Shelved)
	if a.ID != id || a.Who != "A. Rahn" || a.Reason != "its probe is being moved" || a.Until != h.now+60e9 {
		t.Fatalf("shelved: %+v", a)
	}
	if as := h.g.Alarms(); len(as) != 1 || as[0].State != Shelved {
		t.Fatalf("a shelved alarm is not listed: %+v", as)
	}
	h.must("acknowledge")
	h.is(Shelved)
	h.put(0, 20, 1e9)
	h.put(0, 61, 1e9)
	h.is(Shelved)
	h.put(0, 61, 59e9)
	if a := h.is(Unacknowledged); a.ID != id || a.Until != 0 || a.Reason != "" || a.Who != "" {
		t.Fatalf("after its time: %+v", a)
	}
	h.must("shelve", "rule", "warm", "for_s", "60", "reason", "again")
	h.put(0, 20, 1e9)
	h.must("unshelve", "rule", "warm")
	h.is(Normal)
	h.refused("is not shelved", "unshelve", "rule", "warm")
}

func TestShelvingIsLimited(t *testing.T) {
	o := alarmBench(Rule{})
	for _, name := range []string{"a", "b", "c"} {
		r := o.Rules[0]
		r.Name = name
		o.Rules = append(o.Rules, r)
	}
	o.Rules[3].NeverShelve = true
	o.ShelveMax, o.ShelveMaxS = 2, 10
	h := take(t, o)
	h.must("shelve", "rule", "warm", "for_s", "10", "reason", "r")
	h.must("shelve", "rule", "a", "for_s", "5", "reason", "r")
	h.refused("which is the limit", "shelve", "rule", "b", "for_s", "5", "reason", "r")
	h.must("shelve", "rule", "a", "for_s", "10", "reason", "longer")
	h.refused("may not be shelved", "shelve", "rule", "c", "for_s", "5", "reason", "r")
	h.refused("at most 10", "shelve", "rule", "a", "for_s", "11", "reason", "r")
	h.put(0, 20, 10e9)
	h.must("shelve", "rule", "b", "for_s", "5", "reason", "r")
}

func TestOutOfService(t *testing.T) {
	h := take(t, alarmBench(Rule{}))
	h.refused("no reason", "out-of-service", "rule", "warm")
	h.refused("at the bench only", "out-of-service", "rule", "warm", "reason", "r", "at", "remote")
	h.must("shelve", "rule", "warm", "for_s", "60", "reason", "r")
	h.must("out-of-service", "rule", "warm", "reason", "probe is away", "at", "bench")
	h.is(OutOfService)
	h.put(0, 61, 1e6)
	h.put(0, 61, 100e9) // the shelving's time goes by
	h.is(OutOfService)
	h.refused("is out of service", "shelve", "rule", "warm", "for_s", "60", "reason", "r")
	h.must("in-service", "rule", "warm")
	h.is(Unacknowledged)
	h.refused("is in service", "in-service", "rule", "warm")
}

// phased is the bench of the first tests with the high limit's alarm active
// under test only.
func phased() Options {
	o := bench()
	o.Rules[0].Phases = []Phase{Armed, UnderTest, HoldingPressure}
	return o
}

// Suppression by design silences the alarm, never the trip, and waits until
// nobody has to answer.
func TestSuppressedByDesign(t *testing.T) {
	p := playWith(t, phased())
	if s := p.g.Rules()[0].Alarm; s != SuppressedByDesign || len(p.g.Alarms()) != 0 {
		t.Fatalf("at rest the alarm is %s, listed %v", s, p.g.Alarms())
	}
	p.run(5, 51e5, 1e5)
	if len(p.g.Alarms()) != 0 || !p.g.s.Trips[0].Tripped {
		t.Fatalf("suppressed at rest: alarms %v, tripped %v", p.g.Alarms(), p.g.s.Trips[0].Tripped)
	}
	p.run(5, 1e5, 1e5)
	p.must("reset")
	p.underTest()
	if s := p.g.Rules()[0].Alarm; s != Normal {
		t.Fatalf("under test the alarm is %s", s)
	}
	p.run(5, 51e5, 1e5)
	p.confirm() // trips, and so to the pressure watch, where it is not active
	if a := p.alarm("high"); a.State != Unacknowledged {
		t.Fatalf("an unacknowledged alarm was suppressed: %+v", a)
	}
	p.must("acknowledge")
	if a := p.alarm("high"); a.State != SuppressedByDesign || a.ID == 0 {
		t.Fatalf("acknowledged, it should be suppressed: %+v", a)
	}
	p.run(5, 1e5, 1e5)
	if err := p.ask("end", "override", "test"); err != nil {
		t.Fatal(err)
	}
	p.must("reset")
	p.must("arm")
	if a := p.g.s.Alarms[0]; a.State != Normal {
		t.Fatalf("active again without a condition: %+v", a)
	}
	if len(p.g.Alarms()) != 0 {
		t.Fatalf("alarms %+v", p.g.Alarms())
	}
}

// A condition that stands when its phase begins calls at once.
func TestReleasedStanding(t *testing.T) {
	o := phased()
	o.Rules[0].Trip = nil
	p := playWith(t, o)
	p.run(5, 51e5, 1e5)
	p.must("arm")
	if a := p.alarm("high"); a.State != Unacknowledged || a.Message == "" || a.Count != 1 {
		t.Fatalf("alarm %+v", a)
	}
}
