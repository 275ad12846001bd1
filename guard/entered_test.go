package guard

import (
	"strings"
	"testing"

	"ventward/daq"
)

func enter(p *player, kv ...string) error { return p.ask("enter", kv...) }

// What a person did and entered cures the guard that asks for it, and grows
// old; an older entry never displaces a newer one.
func TestEnteredCures(t *testing.T) {
	hand := func(o *Options) { // a bench whose dump valve is worked by hand, and of which nothing is stated
		o.Outputs[2].Role = ""
		o.Channels[0].Zeroed, o.Channels[1].Zeroed, o.LeakPaS, o.LeakMaxPaS = false, false, nil, 100
		o.Rules[0].ProofDue = "2026-11-20"
		o.ZeroDays, o.LeakDays, o.DumpDays = 7, 30, 30
	}
	for _, c := range []struct {
		guard string
		cure  [][]string
		old   []string // an entry that counts no more
		why   string
	}{
		{GuardZero, [][]string{{"what", "zero", "subject", "p1", "date", "2026-11-25"}, {"what", "zero", "subject", "p2", "date", "2026-11-18"}},
			[]string{"what", "zero", "subject", "p1", "date", "2026-11-17"}, "zero of p1 is of 2026-11-17, more than 7 days ago"},
		{GuardLeak, [][]string{{"what", "leak", "value", "5", "date", "2026-11-25"}},
			[]string{"what", "leak", "value", "5", "date", "2026-10-01"}, "leak rate of the fixture is of 2026-10-01"},
		{GuardLeak, [][]string{{"what", "leak", "value", "5", "date", "2026-11-25"}},
			[]string{"what", "leak", "value", "200", "date", "2026-11-24"}, "leaks 0.002 bar/s"},
		{GuardDump, [][]string{{"what", "dump", "date", "2026-11-25"}},
			[]string{"what", "dump", "date", "2026-11-24", "until", "2026-11-24x"}, "was not exercised"},
		{GuardProof, [][]string{{"what", "proof", "subject", "high", "date", "2026-11-25", "until", "2027-05-25"}},
			[]string{"what", "proof", "subject", "high", "date", "2026-10-25", "until", "2026-11-24"}, "was due on 2026-11-24"},
	} {
		p := readiedByHand(t, hand)
		if k := find(t, p.g.Guards(), c.guard); k.OK || !strings.Contains(k.Cure, "enter") {
			t.Errorf("%s before: %+v", c.guard, k)
		}
		if err := enter(p, c.old...); (err != nil) != (c.guard == GuardDump) {
			t.Fatalf("%s: %v", c.guard, err)
		}
		if k := find(t, p.g.Guards(), c.guard); k.OK || !strings.Contains(k.Why, c.why) {
			t.Errorf("%s with an old entry: %+v", c.guard, k)
		}
		for _, kv := range c.cure {
			if err := enter(p, kv...); err != nil {
				t.Fatalf("%s: %v", c.guard, err)
			}
		}
		if k := find(t, p.g.Guards(), c.guard); !k.OK {
			t.Errorf("%s cured: %+v", c.guard, k)
		}
		if c.guard != GuardDump {
			if err := enter(p, c.old...); err == nil || !strings.Contains(err.Error(), "is known") {
				t.Errorf("%s: an older entry displaced a newer one: %v", c.guard, err)
			}
		}
		if k := find(t, restored(t, p).Guards(), c.guard); !k.OK { // the record begins with it
			t.Errorf("%s after a restore: %+v", c.guard, k)
		}
	}
}

// readiedByHand is readied on a bench without a dump valve to exercise.
func readiedByHand(t *testing.T, change func(*Options)) *player {
	t.Helper()
	o := readyBench()
	change(&o)
	p := playWith(t, o)
	p.run(10, 0, 0)
	if err := p.ask("prepare", "who1", "A. Rahn", "who2", "B. Okoro", "date", "2026-11-25"); err != nil {
		t.Fatal(err)
	}
	return p
}

func restored(t *testing.T, p *player) *Guard {
	t.Helper()
	g, err := New(p.g.o)
	if err != nil {
		t.Fatal(err)
	}
	if err := g.Restore(p.g.Snapshot()); err != nil {
		t.Fatal(err)
	}
	return g
}

func TestEnterRefuses(t *testing.T) {
	p := readied(t, func(*Options) {})
	for _, c := range []struct {
		kv   []string
		says string
	}{
		{[]string{"what", "volume", "date", "2026-11-25"}, `"volume" can't be entered`},
		{[]string{"what", "leak", "value", "1"}, "is no date"},
		{[]string{"what", "leak", "value", "NaN", "date", "2026-11-25"}, "not a finite number"},
		{[]string{"what", "leak", "date", "2026-11-25"}, "no value"},
		{[]string{"what", "leak", "value", "1", "date", "2026-11-26"}, "still to come"},
		{[]string{"what", "zero", "subject", "t", "date", "2026-11-25"}, "no specimen pressure"},
		{[]string{"what", "dump", "date", "2026-11-25"}, "is an output: exercise it"},
		{[]string{"what", "proof", "subject", "warm", "date", "2026-11-25", "until", "2027-01-01"}, "no rule that trips"},
		{[]string{"what", "proof", "subject", "high", "date", "2026-11-25"}, "until is missing"},
		{[]string{"what", "proof", "subject", "high", "date", "2026-11-25", "until", "2026-11-25"}, "no later date"},
		{[]string{"what", "leak", "value", "1", "date", "2026-11-25", "at", "remote"}, "at the bench only"},
	} {
		if err := enter(p, c.kv...); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%v: %v, want %q", c.kv, err, c.says)
		}
	}
}

// A program that stood still makes a running test safe; the alarm has to be
// answered though the program runs again, and the test armed anew.
func TestStandstillMakesSafe(t *testing.T) {
	for _, course := range [][]string{{"arm"}, {"arm", "pressurise"}, {"arm", "pressurise", "hold"}} {
		o := bench()
		o.Rules = append(o.Rules, Rule{Name: "stood still", Kind: Standstill, Priority: Critical})
		p := playWith(t, o)
		for _, verb := range course {
			p.must(verb)
			p.confirm()
		}
		p.now += 1500 * ms
		for _, ok := range []string{"false", "true"} {
			err := p.g.Command(daq.Command{Verb: "notice", Who: "program",
				Args: map[string]string{"what": NoticeStandstill, "ok": ok, "reason": "stood still for 1.5 s", "value": "1.5"}}, p.now)
			if err != nil {
				t.Fatal(err)
			}
			p.run(1, 1e5, 1e5)
		}
		if p.g.s.Outputs[0].Want {
			t.Fatalf("%v: the supply is still demanded on", course)
		}
		if a := p.alarm("stood still"); a.State != ReturnedUnacknowledged {
			t.Errorf("%v: alarm %+v", course, a)
		}
		p.confirm()
		if ph, _ := p.g.Phase(); ph != PressureWatch {
			t.Errorf("%v: phase %s", course, ph)
		}
		if err := p.command("pressurise"); err == nil {
			t.Errorf("%v: it goes on without being armed anew", course)
		}
	}
}

// A rule that trips on an opening needs the specimen's pressures: no edge is
// sent without them, though no other rule that trips names them.
func TestNoEdgeWithoutWhatEventsNeed(t *testing.T) {
	o := bench()
	o.Rules = []Rule{o.Rules[1]}
	p := playWith(t, o)
	p.run(400, 1e5, 1e5)
	_, last, why := p.g.Heartbeat()
	if why != "" || last == 0 {
		t.Fatalf("no edge though all is fresh: %q", why)
	}
	for range 3000 { // p2 falls silent
		p.now += ms
		p.g.Sample(0, []daq.Sample{{T: p.now, V: 1e5}}, p.now)
		p.g.Tick(p.now)
		p.take()
	}
	_, then, why := p.g.Heartbeat()
	if !strings.Contains(why, "p2") || p.now-then < freshNS/2 {
		t.Errorf("edges go on without p2: %q, last %d ms ago", why, (p.now-then)/ms)
	}
}
