package guard

import (
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"

	"ventward/daq"
	"ventward/detect"
)

// seed of the random lives; life n is drawn from (seed, n).
const seed = 20261125

// lifeBench has a rule of every kind.
func lifeBench() Options {
	o := bench()
	o.Outputs[2].OpenWhenOff = true
	o.Channels = append(o.Channels, daq.Channel{Name: "shield", Role: daq.RoleShield, Quantity: daq.Digital}, pressure("p3"))
	o.Rules[0].Phases = []Phase{Armed, UnderTest, HoldingPressure}
	o.Rules[4].Latching, o.Rules[4].ReAlarmS = true, 0.3
	both := []daq.ChannelID{0, 1}
	supply := []int{0}
	o.Rules = append(o.Rules,
		Rule{Name: "vote", Kind: LimitHigh, Channels: []daq.ChannelID{0, 1, 4}, Vote: TwoOfThree, Limit: 45e5, DelayOnS: 0.003, DelayOffS: 0.01, Priority: High, Trip: []int{0, 2}, Latching: true},
		Rule{Name: "rate", Kind: Rate, Channels: both, Limit: 4e7, Deadband: 1e7, WindowS: 0.016, Priority: High, Trip: supply},
		Rule{Name: "pair", Kind: Deviation, Channels: both, Limit: 35e5, Deadband: 1e5, Priority: Medium, Latching: true},
		Rule{Name: "shield", Kind: Digital, Channels: []daq.ChannelID{3}, AlarmOn: "0", Priority: Critical, Trip: supply,
			Phases: []Phase{Armed, UnderTest, HoldingPressure}, TripPhases: []Phase{UnderTest, HoldingPressure}},
		Rule{Name: "welded", Kind: Welded, Priority: Critical},
		Rule{Name: "beat", Kind: HeartbeatLost, Priority: Critical, Trip: supply, ProofDue: "2026-11-25"},
		Rule{Name: "bypass", Kind: Bypassed, Priority: High},
		Rule{Name: "proof", Kind: ProofOverdue, Priority: Low},
		Rule{Name: "clock", Kind: ClockStep, StepS: 1, Priority: Low, Trip: supply},
		Rule{Name: "space", Kind: SpaceLow, Limit: 1e9, DelayOnS: 0.2, Priority: Medium},
		Rule{Name: "loop", Kind: LoopLate, Priority: Medium, NeverShelve: true, Trip: supply})
	o.HoldAfterS, o.HoldRisePa = 1, 1e5
	o.BypassMax, o.ShelveMax = 2, 3
	return o
}

// An act is one call, such that it can be made on several guards.
type act struct {
	name string
	rule string // the rule it is about
	call func(g *Guard)
}

// alarmActs are those that may touch no demand.
var alarmActs = []string{"acknowledge", "shelve", "unshelve", "out-of-service", "in-service"}

// life draws acts.
type life struct {
	r    *rand.Rand
	now  int64
	wall int64
	o    Options
}

func (l *life) command(verb string, args ...string) act {
	c := daq.Command{Verb: verb, Who: "x", Args: map[string]string{}}
	a := act{name: verb}
	for i := 0; i+1 < len(args); i += 2 {
		c.Args[args[i]] = args[i+1]
		if args[i] == "rule" {
			a.rule = args[i+1]
		}
	}
	now := l.now
	a.call = func(g *Guard) { g.Command(c, now) }
	return a
}

func (l *life) pick(from ...string) string { return from[l.r.IntN(len(from))] }

func (l *life) anyRule() string { return l.o.Rules[l.r.IntN(len(l.o.Rules))].Name }

func (l *life) draw() []act {
	now := l.now
	switch l.r.IntN(12) {
	case 0:
		return []act{l.command(l.pick("prepare", "arm", "pressurise", "pressurise", "abort", "end", "hold", "make-safe"))}
	case 1:
		return []act{l.command("reset"), l.command(l.pick("arm", "end")), l.command("pressurise")}
	case 2:
		if l.r.IntN(3) == 0 {
			return []act{l.command("exercise", "output", "dump")}
		}
		return []act{l.command("acknowledge"), l.command("reset", "rule", l.anyRule())}
	case 3, 4:
		return []act{l.command(l.pick("shelve", "unshelve", "out-of-service", "in-service", "in-service"), "rule", l.anyRule(), "reason", "r", "for_s", l.pick("0.1", "1", "9"))}
	case 5:
		return []act{l.command(l.pick("bypass", "bypass", "end-bypass"), "rule", l.anyRule(), "reason", "r", "for_s", l.pick("0.05", "0.5", "9"))}
	case 6:
		e := detect.Event{ID: l.r.IntN(5), Kind: []detect.Kind{detect.VentOpening, detect.Leak}[l.r.IntN(2)], Channel: daq.ChannelID(l.r.IntN(2))}
		return []act{{name: "event", call: func(g *Guard) { g.Event(e, now) }}}
	case 7:
		out, state := l.r.IntN(3), []daq.OutputState{daq.OutputOn, daq.OutputOff, daq.OutputUnknown}[l.r.IntN(3)]
		return []act{{name: "readback", call: func(g *Guard) {
			g.Readback(daq.Readback{Output: out, State: state, Serial: g.s.Outputs[out].Serial}, now)
		}}}
	case 8:
		k := daq.LinkState{Instrument: l.r.IntN(2), Up: l.r.IntN(2) == 0}
		return []act{{name: "link", call: func(g *Guard) { g.Link(k, now) }}}
	case 9:
		args := map[string]string{"what": l.pick("recording", "space", "loop", "awake"), "ok": l.pick("true", "true", "false"), "value": l.pick("", "5e8", "2e9")}
		return []act{{name: "notice", call: func(g *Guard) { g.Command(daq.Command{Verb: "notice", Args: args}, now) }}}
	case 10:
		return l.silence()
	}
	return l.samples()
}

// silence lets time go by, now and then with a step of the wall clock.
func (l *life) silence() []act {
	dt := int64(l.r.IntN(900)) * ms
	l.now, l.wall = l.now+dt, l.wall+dt
	if l.r.IntN(8) == 0 {
		l.wall += int64(l.r.IntN(3)-1) * 86400e9
	}
	now, wall := l.now, l.wall
	return []act{{name: "tick", call: func(g *Guard) { g.Wall(now, wall); g.Tick(now) }}}
}

// samples lets 30 ms go by with readings that may be good or bad, and confirms
// the outputs.
func (l *life) samples() []act {
	var out []act
	var q [5]daq.Quality
	if l.r.IntN(4) == 0 {
		q[l.r.IntN(5)] = []daq.Quality{daq.Rail, daq.Open, daq.Frozen, daq.Spike, daq.Reversed}[l.r.IntN(5)]
	}
	level := l.r.Float64() * 50e5
	if l.r.IntN(2) == 0 {
		level = 0
	}
	shield := 1.0
	if l.r.IntN(4) == 0 {
		shield = 0
	}
	for range 6 {
		var s [5][]daq.Sample
		for range 5 {
			l.now, l.wall = l.now+ms, l.wall+ms
			for ch, v := range [5]float64{level + l.r.Float64()*1e5, level + l.r.Float64()*1e5, 23 + 40*float64(l.r.IntN(2)), shield, level + l.r.Float64()*1e5} {
				s[ch] = append(s[ch], daq.Sample{T: l.now, V: v, Q: q[ch]})
			}
		}
		now, wall := l.now, l.wall
		out = append(out, act{name: "samples", call: func(g *Guard) {
			for ch := range s {
				g.Sample(daq.ChannelID(ch), s[ch], now)
			}
			g.Wall(now, wall)
			g.Tick(now)
		}})
	}
	now := l.now
	return append(out, act{name: "confirm", call: func(g *Guard) {
		for i := range g.s.Outputs {
			state := daq.OutputOff
			if g.s.Outputs[i].Want {
				state = daq.OutputOn
			}
			g.Readback(daq.Readback{Output: i, State: state, Serial: g.s.Outputs[i].Serial}, now)
		}
	}})
}

// said is what a guard had ready, as text, and a copy of its demands.
func said(g *Guard) (string, []daq.Demand) {
	r := g.Take()
	return fmt.Sprintf("%v %+v %v %v", r.Demands, r.Alarms, r.Trips, r.Phase), slices.Clone(r.Demands)
}

// before is what must outlast an act.
type before struct {
	wanted     []bool
	tripped    []bool
	unanswered map[int]string // rule by id
}

func (b *before) look(g *Guard) {
	b.wanted, b.tripped, b.unanswered = b.wanted[:0], b.tripped[:0], map[int]string{}
	for i := range g.s.Outputs {
		b.wanted = append(b.wanted, g.s.Outputs[i].Want)
	}
	for i := range g.s.Trips {
		b.tripped = append(b.tripped, g.s.Trips[i].Tripped)
	}
	for _, a := range g.Alarms() {
		if a.State.Unanswered() {
			b.unanswered[a.ID] = a.Rule
		}
	}
}

// judge wants after an act what must always hold.
func (b *before) judge(g *Guard, a act, demands []daq.Demand) error {
	for i := range g.s.Trips {
		if b.tripped[i] && !g.s.Trips[i].Tripped && a.name != "reset" {
			return fmt.Errorf("trip %q ended without a reset", g.s.Trips[i].Rule)
		}
		if g.s.Trips[i].Tripped && g.s.Trips[i].Bypassed && !b.tripped[i] {
			return fmt.Errorf("trip %q latched while bypassed", g.s.Trips[i].Rule)
		}
	}
	for i := range g.s.Outputs {
		if g.o.Outputs[i].Heartbeat {
			continue
		}
		on := g.s.Outputs[i].Want
		switch {
		case on && g.tripped(i):
			return fmt.Errorf("output %d is tripped and demanded on", i)
		case on && !b.wanted[i] && a.name != "pressurise" && (a.name != "exercise" || i != 2):
			return fmt.Errorf("output %d was turned on", i)
		}
	}
	if slices.Contains(alarmActs, a.name) && len(demands) > 0 {
		return fmt.Errorf("an alarm action demands %v", demands)
	}
	if a.name == "acknowledge" {
		return nil
	}
	answered := a.rule
	if a.name != "shelve" && a.name != "out-of-service" {
		answered = ""
	}
	now := map[int]bool{}
	for _, x := range g.Alarms() {
		now[x.ID] = x.State.Unanswered()
	}
	for id, rule := range b.unanswered {
		if !now[id] && rule != answered {
			return fmt.Errorf("unacknowledged alarm %d of %q disappeared", id, rule)
		}
	}
	return nil
}

// Random lives: whatever comes in whatever order, a tripped output never comes
// on without a reset, no alarm action changes a demand, an unacknowledged alarm
// never disappears unless somebody answers it, and a guard that is restored in
// mid-life goes on exactly as the one it was taken from.
func TestRandomLives(t *testing.T) {
	t.Logf("seed %d", seed)
	seen := map[AlarmState]int{}
	phases := map[Phase]int{}
	for n := range uint64(100) {
		l := &life{r: rand.New(rand.NewPCG(seed, n)), now: 10e9, wall: 1795564800e9, o: lifeBench()}
		g := must(t, l.o)
		var twin *Guard
		var b before
		for step := range 250 {
			if step%50 == 25 {
				twin = must(t, l.o)
				if err := twin.Restore(g.Snapshot()); err != nil {
					t.Fatalf("life %d step %d: %v", n, step, err)
				}
			}
			for _, a := range l.draw() {
				b.look(g)
				a.call(g)
				text, demands := said(g)
				if err := b.judge(g, a, demands); err != nil {
					t.Fatalf("life %d step %d (%s %s): %v", n, step, a.name, a.rule, err)
				}
				if twin == nil {
					continue
				}
				a.call(twin)
				if other, _ := said(twin); other != text {
					t.Fatalf("life %d step %d (%s): the restored guard says\n%s\nthe other\n%s", n, step, a.name, other, text)
				}
			}
			for _, v := range g.Rules() {
				seen[v.Alarm]++
			}
			ph, _ := g.Phase()
			phases[ph]++
		}
		if string(g.Snapshot()) != string(twin.Snapshot()) {
			t.Fatalf("life %d: states differ at the end:\n%s\n%s", n, g.Snapshot(), twin.Snapshot())
		}
	}
	for _, s := range AlarmStates() {
		if seen[s] == 0 {
			t.Errorf("no life came to state %s: %v", s, seen)
		}
	}
	for _, p := range Phases() {
		if phases[p] == 0 {
			t.Errorf("no life came to phase %s: %v", p, phases)
		}
	}
}

func must(t *testing.T, o Options) *Guard {
	t.Helper()
	g, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	return g
}

// Alarm and trip are two machines: a guard whose alarms are acknowledged,
// shelved, taken out of service and suppressed demands the same at the same
// time as one where nobody ever touches an alarm and none is suppressed.
func TestAlarmsNeverReachOutputs(t *testing.T) {
	t.Logf("seed %d", seed)
	demanded := 0
	for n := range uint64(60) {
		l := &life{r: rand.New(rand.NewPCG(seed+1, n)), now: 10e9, wall: 1795564800e9, o: lifeBench()}
		bare := lifeBench()
		for i := range bare.Rules {
			bare.Rules[i].Phases, bare.Rules[i].Latching, bare.Rules[i].ReAlarmS, bare.Rules[i].NeverShelve = nil, false, 0, false
		}
		touched, untouched := must(t, l.o), must(t, bare)
		for step := range 250 {
			for _, a := range l.draw() {
				a.call(touched)
				_, got := said(touched)
				if !slices.Contains(alarmActs, a.name) {
					a.call(untouched)
				}
				_, want := said(untouched)
				if !slices.Equal(got, want) {
					t.Fatalf("life %d step %d (%s): demands %v, without alarm actions %v", n, step, a.name, got, want)
				}
				demanded += len(got)
			}
			tt, _ := json.Marshal(touched.Trips())
			ut, _ := json.Marshal(untouched.Trips())
			if string(tt) != string(ut) {
				t.Fatalf("life %d step %d: trips\n%s\nwithout alarm actions\n%s", n, step, tt, ut)
			}
		}
	}
	if demanded < 1000 {
		t.Fatalf("only %d demands were compared", demanded)
	}
}
