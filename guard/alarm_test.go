package guard

import (
	"encoding/csv"
	"os"
	"regexp"
	"strings"
	"testing"

	"ventward/daq"
)

// published returns the expected column of a row of ../testdata/guard, whose
// README names the sources (ANSI/ISA-18.2-2016, IEC 62682, EEMUA 191; status
// "from memory" where the row says so).
func published(t *testing.T, id string) string {
	t.Helper()
	f, err := os.Open("../testdata/guard/alarms.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range rows {
		if r[0] == id {
			return r[5]
		}
	}
	t.Fatalf("no row %s", id)
	return ""
}

// letters are the published names of the states by letter, in our words.
func letters(t *testing.T) map[string]AlarmState {
	t.Helper()
	out := map[string]AlarmState{}
	for i, part := range strings.Split(published(t, "alarm.states"), "; ") {
		letter, name, _ := strings.Cut(part, " ")
		name = strings.TrimSuffix(strings.ToLower(name), " alarm")
		name = strings.Replace(name, "return-to-normal", "returned", 1)
		s := AlarmState(strings.ReplaceAll(name, " ", "-"))
		if s != AlarmStates()[i] {
			t.Fatalf("state %s is published as %q, ours is %q", letter, s, AlarmStates()[i])
		}
		out[letter] = s
	}
	if len(out) != 9 {
		t.Fatalf("%d states, want nine", len(out))
	}
	return out
}

var inputs = []AlarmInput{Occurs, Clears, ClearsLatched, Acknowledges, Resets, ReAlarms, Shelves, Suppresses, RemovesService, ReleasesStanding, ReleasesQuiet}

// step is one cell of the table.
type step struct {
	from AlarmState
	in   AlarmInput
}

// publishedTable reads the published transitions.
func publishedTable(t *testing.T) map[step]AlarmState {
	t.Helper()
	state := letters(t)
	words := map[string]AlarmInput{"condition": Occurs, "ack": Acknowledges, "clears": Clears, "clears (not latched)": Clears,
		"clears while latched": ClearsLatched, "reset": Resets, "re-alarm": ReAlarms}
	want := map[step]AlarmState{}
	arrow := regexp.MustCompile(`([A-I])->([A-I])`)
	for _, part := range strings.Split(published(t, "alarm.tr"), "; ") {
		if part == "any->G/H/I suppress, return to A or B" {
			for _, s := range state {
				want[step{s, Shelves}], want[step{s, Suppresses}], want[step{s, RemovesService}] = state["G"], state["H"], state["I"]
			}
			for _, l := range []string{"G", "H", "I"} {
				want[step{state[l], ReleasesQuiet}], want[step{state[l], ReleasesStanding}] = state["A"], state["B"]
			}
			continue
		}
		moves := arrow.FindAllStringSubmatch(part, -1)
		in, ok := words[strings.Trim(arrow.ReplaceAllString(part, ""), " /")]
		if !ok || len(moves) == 0 {
			t.Fatalf("transition %q is not understood", part)
		}
		for _, m := range moves {
			if m[1] == "D" && in == ReAlarms { // of a returned alarm: the condition came again
				in = Occurs
			}
			want[step{state[m[1]], in}] = state[m[2]]
		}
	}
	return want
}

// The whole table, every state with every input, against the published one:
// what isn't published changes nothing, but for the two rows that we decided.
func TestTransitionsArePublished(t *testing.T) {
	want := publishedTable(t)
	if len(want) != 10+9*3+3*2+1 {
		t.Fatalf("%d transitions were read", len(want))
	}
	// Common practice, no source: a latched alarm whose condition returns.
	want[step{LatchedUnacknowledged, Occurs}] = Unacknowledged
	want[step{LatchedAcknowledged, Occurs}] = Unacknowledged
	for _, s := range AlarmStates() {
		for _, in := range inputs {
			next, ok := want[step{s, in}]
			if !ok {
				next = s
			}
			if got := s.After(in); got != next {
				t.Errorf("%s on %s: %s, want %s", s, in, got, next)
			}
		}
	}
}

// What must never be: an acknowledgement that ends a condition or a latch.
func TestAcknowledgingEndsNothing(t *testing.T) {
	for s, want := range map[AlarmState]AlarmState{Unacknowledged: Acknowledged, LatchedUnacknowledged: LatchedAcknowledged} {
		if got := s.After(Acknowledges); got != want {
			t.Errorf("%s acknowledged is %s", s, got)
		}
	}
	for _, s := range []AlarmState{LatchedUnacknowledged, Unacknowledged, ReturnedUnacknowledged} {
		if got := s.After(Resets); got != s {
			t.Errorf("a reset alone moved %s to %s", s, got)
		}
	}
}

// alarmBench has one rule on one channel and nothing to trip.
func alarmBench(r Rule) Options {
	r.Name, r.Kind, r.Channels, r.Limit, r.Priority = "warm", LimitHigh, []daq.ChannelID{0}, 60, Low
	return Options{Channels: []daq.Channel{{Name: "t", Quantity: daq.Temperature}}, Rules: []Rule{r}}
}

// hand drives a guard by hand.
type hand struct {
	t   *testing.T
	g   *Guard
	now int64
}

func take(t *testing.T, o Options) *hand {
	t.Helper()
	g, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	return &hand{t, g, 100e9}
}

// put gives channel ch one value after dt and a tick.
func (h *hand) put(ch daq.ChannelID, v float64, dt int64) {
	h.now += dt
	h.g.Sample(ch, []daq.Sample{{T: h.now, V: v}}, h.now)
	h.g.Tick(h.now)
}

func (h *hand) ask(verb string, args ...string) error {
	c := daq.Command{Verb: verb, Who: "A. Rahn", Args: map[string]string{}}
	for i := 0; i+1 < len(args); i += 2 {
		c.Args[args[i]] = args[i+1]
	}
	return h.g.Command(c, h.now)
}

func (h *hand) must(verb string, args ...string) {
	h.t.Helper()
	if err := h.ask(verb, args...); err != nil {
		h.t.Fatal(err)
	}
}

// refused wants a refusal that names what.
func (h *hand) refused(what, verb string, args ...string) {
	h.t.Helper()
	if err := h.ask(verb, args...); err == nil || !strings.Contains(err.Error(), what) {
		h.t.Fatalf("%s %v: %v, want a refusal that says %q", verb, args, err, what)
	}
}

// is wants the first rule's alarm in a state.
func (h *hand) is(want AlarmState) Alarm {
	h.t.Helper()
	a := h.g.s.Alarms[0]
	if a.State != want {
		h.t.Fatalf("alarm is %s, want %s (%+v)", a.State, want, a)
	}
	return a
}

func TestLatchingAlarm(t *testing.T) {
	h := take(t, alarmBench(Rule{Latching: true}))
	h.put(0, 61, 1e9)
	id := h.is(Unacknowledged).ID
	h.put(0, 20, 1e9)
	h.is(LatchedUnacknowledged)
	h.must("reset")
	h.is(LatchedUnacknowledged)
	h.must("acknowledge")
	h.is(LatchedAcknowledged)
	h.put(0, 61, 1e9)
	if a := h.is(Unacknowledged); a.ID != id || a.Count != 2 {
		t.Fatalf("the return of a latched alarm: %+v", a)
	}
	h.must("acknowledge")
	h.must("reset")
	h.is(Acknowledged)
	h.put(0, 20, 1e9)
	h.is(LatchedAcknowledged)
	h.must("reset")
	h.is(Normal)
}

func TestReAlarm(t *testing.T) {
	h := take(t, alarmBench(Rule{ReAlarmS: 60}))
	h.put(0, 61, 1e9)
	h.must("acknowledge")
	h.put(0, 61, 59e9)
	h.is(Acknowledged)
	h.put(0, 61, 2e9)
	if a := h.is(Unacknowledged); a.Who != "" || a.Count != 2 || a.Since >= h.now {
		t.Fatalf("re-alarm: %+v", a)
	}
}

// The published limits: a chattering alarm three times a minute, a flood above
// 10 in 10 min which is over below 5.
func TestLoad(t *testing.T) {
	for id, words := range map[string]string{"alarm.chatter": ">=3 times in 1 minute", "alarm.flood": ">10 alarms in 10 min starts; ends <5 in 10 min", "alarm.stale": ">24 h"} {
		if s := published(t, id); !strings.Contains(s, words) {
			t.Fatalf("row %s says %q", id, s)
		}
	}
	h := take(t, alarmBench(Rule{}))
	flap := func(dt int64) { h.put(0, 61, dt); h.put(0, 20, 1e6) }
	flap(1e9)
	flap(20e9)
	if l := h.g.Load(); len(l.Chattering) != 0 || l.Recent != 2 {
		t.Fatalf("two in a minute: %+v", l)
	}
	flap(20e9)
	if l := h.g.Load(); len(l.Chattering) != 1 || !h.g.s.Alarms[0].Chatter {
		t.Fatalf("three in a minute: %+v", l)
	}
	h.put(0, 20, 61e9)
	if l := h.g.Load(); len(l.Chattering) != 0 {
		t.Fatalf("a minute later: %+v", l)
	}
	for range 7 {
		flap(1e9)
	}
	if l := h.g.Load(); l.Flood || l.Recent != 10 {
		t.Fatalf("10 in 10 min: %+v", l)
	}
	flap(1e9)
	if l := h.g.Load(); !l.Flood {
		t.Fatalf("11 in 10 min: %+v", l)
	}
	h.put(0, 20, 550e9) // the newest eight are still within 10 min
	if l := h.g.Load(); !l.Flood || l.Recent != 8 {
		t.Fatalf("8 in 10 min: %+v", l)
	}
	h.put(0, 20, 45e9) // the newest five
	if l := h.g.Load(); !l.Flood || l.Recent != 5 {
		t.Fatalf("5 in 10 min: %+v", l)
	}
	h.put(0, 20, 1e9) // the newest four
	if l := h.g.Load(); l.Flood || l.Recent >= 5 || l.FloodS < 590 || l.FloodS > 600 {
		t.Fatalf("below 5 in 10 min: %+v", l)
	}
	h.put(0, 61, 1e9)
	h.put(0, 61, 24*3600e9+1)
	if l := h.g.Load(); l.Stale != 1 {
		t.Fatalf("standing for a day: %+v", l)
	}
}

func TestFirstOut(t *testing.T) {
	p := play(t)
	p.run(5, 51e5, 1e5)
	for range 700 { // then both fall silent
		p.now += ms
		p.g.Tick(p.now)
	}
	if a, b := p.alarm("high"), p.alarm("silent"); !a.First || b.First || b.State != Unacknowledged {
		t.Fatalf("first-out: %+v %+v", a, b)
	}
	if ts := p.g.Trips(); !ts[0].First || ts[2].First || !ts[2].Tripped {
		t.Fatalf("first trip: %+v", ts)
	}
}

// A value that flaps within one batch gives one change and no flood of text.
func TestFlapWithinABatch(t *testing.T) {
	h := take(t, alarmBench(Rule{}))
	s := make([]daq.Sample, 1000)
	for round := range 3 {
		for i := range s {
			h.now += 1e5
			s[i] = daq.Sample{T: h.now, V: 61 - float64(i%2)*10}
		}
		h.g.Sample(0, s, h.now)
		if r := h.g.Take(); len(r.Alarms) != 1 || r.Alarms[0].State != ReturnedUnacknowledged || r.Alarms[0].Count != round+1 {
			t.Fatalf("round %d: %+v", round, r.Alarms)
		}
	}
}
