package wire

import (
	"slices"
	"strings"
	"testing"

	"ventward/daq"
)

func TestDemandIsWrittenAndReadBack(t *testing.T) {
	pl := withSensors(newPlant(t, valves()))
	pl.run(500 * ms)
	if r := pl.last(0); r.State != daq.OutputOff || r.Serial != 0 {
		t.Fatalf("before any demand: %+v", r)
	}
	pl.readbacks = nil
	pl.m.Demand(daq.Demand{Output: 0, On: true, Serial: 7})
	at := pl.now
	pl.run(at + 20*ms)
	if r := pl.last(0); r.State != daq.OutputOn || r.Serial != 7 || r.Reason != "" || !pl.coils[9<<16] {
		t.Fatalf("%+v", r)
	}
	for _, r := range pl.readbacks {
		if r.Output != 0 {
			t.Errorf("an output that nobody changed is reported: %+v", r)
		}
	}
	var got []byte
	for _, s := range pl.sent {
		if s.at >= at {
			got = append(got, s.p[1])
		}
	}
	if !slices.Equal(got, []byte{5, 1, 3}) { // written, read back, then the poll
		t.Fatalf("functions sent: %v", got)
	}
}

// A demand waits for the answer under way, never for a poll.
func TestDemandsGoFirst(t *testing.T) {
	pl := withSensors(newPlant(t, valves()))
	pl.run(600*ms - 1)
	pl.m.Demand(daq.Demand{Output: 2, On: true, Serial: 3})  // heartbeat
	pl.m.Demand(daq.Demand{Output: 1, On: true, Serial: 1})  // on
	pl.m.Demand(daq.Demand{Output: 0, On: false, Serial: 2}) // off: the safe direction
	n := len(pl.sent)
	pl.run(650 * ms) // a poll was due at 600 ms too
	var got []string
	for _, s := range pl.sent[n:] {
		got = append(got, string("0123456789"[s.p[1]])+":"+string("0123456789abc"[s.p[3]]))
	}
	// off (coil 0), heartbeat (coil 2), on (coil 1), one read-back for all, then the poll of register 10.
	if want := []string{"5:0", "5:2", "5:1", "1:0", "3:a"}; !slices.Equal(got, want) {
		t.Fatalf("sent %v, want %v", got, want)
	}
}

func TestNewestDemandWins(t *testing.T) {
	pl := withSensors(newPlant(t, valves()))
	pl.m.Demand(daq.Demand{Output: 0, On: true, Serial: 5})
	pl.m.Demand(daq.Demand{Output: 0, On: false, Serial: 6})
	pl.m.Demand(daq.Demand{Output: 0, On: true, Serial: 4}) // old news
	pl.run(500 * ms)
	if w := pl.writes(0); !slices.Equal(w, []bool{false}) {
		t.Fatalf("written %v", w)
	}
	if r := pl.last(0); r.State != daq.OutputOff || r.Serial != 6 {
		t.Fatalf("%+v", r)
	}
}

func TestTimedOutWriteIsUnknownThenReadBack(t *testing.T) {
	pl := withSensors(newPlant(t, valves()))
	pl.run(500 * ms)
	pl.readbacks = nil
	drop := true
	pl.alter = func(req, ans []byte) reply { // the coil acts, its echo is lost once
		if req[1] == 5 && drop {
			drop = false
			return reply{}
		}
		return reply{ans, ms}
	}
	pl.m.Demand(daq.Demand{Output: 0, On: true, Serial: 1})
	pl.run(900 * ms)
	var states []string
	for _, r := range pl.readbacks {
		if r.Output == 0 {
			states = append(states, string(r.State))
		}
	}
	if !slices.Equal(states[:2], []string{"unknown", "on"}) || pl.readbacks[0].Serial != 1 || !strings.Contains(pl.readbacks[0].Reason, "no answer") {
		t.Fatalf("%v: %+v", states, pl.readbacks)
	}
	if w := pl.writes(0); len(w) != 1 {
		t.Fatalf("written %v although it was read back as demanded", w)
	}
}

func TestOffIsRepeatedForEverOnIsGivenUp(t *testing.T) {
	for _, on := range []bool{true, false} {
		pl := withSensors(newPlant(t, valves()))
		pl.run(500 * ms)
		pl.alter = func(req, ans []byte) reply {
			if req[0] == 9 {
				pl.coils[9<<16] = !on // echoes, and doesn't act
			}
			return reply{ans, ms}
		}
		pl.m.Demand(daq.Demand{Output: 0, On: on, Serial: 1})
		pl.run(10_000 * ms)
		w := len(pl.writes(0))
		if on && w != onAttempts {
			t.Errorf("on was written %d times, want %d", w, onAttempts)
		}
		if !on && (w < 8 || w > 13) {
			t.Errorf("off was written %d times in 9.5 s, want about one a second", w)
		}
		if r := pl.last(0); r.State == daq.OutputUnknown || r.Reason == "" {
			t.Errorf("%+v", r)
		}
		if n := len(pl.batches); n < 95 {
			t.Errorf("%d rows beside the repetitions", n)
		}
	}
}

// The unit of the coils is dead: polls of the other unit go on, and the
// outputs are unknown.
func TestDeadRelayDoesNotStarvePolls(t *testing.T) {
	pl := withSensors(newPlant(t, valves()))
	pl.run(500 * ms)
	pl.dead[9] = true
	pl.m.Demand(daq.Demand{Output: 0, On: false, Serial: 1})
	pl.run(10_000 * ms)
	if r := pl.last(0); r.State != daq.OutputUnknown || !strings.Contains(r.Reason, "no answer") {
		t.Fatalf("%+v", r)
	}
	if n := len(pl.batches); n < 15 {
		t.Fatalf("%d rows in 9.5 s", n)
	}
	unknown := 0
	for _, r := range pl.readbacks {
		if r.State == daq.OutputUnknown {
			unknown++
		}
	}
	if unknown != 3 { // each output once, not at every attempt
		t.Fatalf("%d reports of the same ignorance", unknown)
	}
	pl.dead[9] = false
	pl.run(12_500 * ms)
	if r := pl.last(0); r.State != daq.OutputOff || r.Serial != 1 {
		t.Fatalf("when it is back: %+v", r)
	}
}

// A relay that was never there is reported too.
func TestAbsentRelayIsReported(t *testing.T) {
	pl := withSensors(newPlant(t, valves()))
	pl.dead[9] = true
	pl.run(5000 * ms)
	if len(pl.readbacks) != 3 || pl.last(0).State != daq.OutputUnknown || pl.last(0).Reason == "" {
		t.Fatalf("%+v", pl.readbacks)
	}
}

// The sensors' unit is dead: a demand waits for one timeout and one quarantine
// at most.
func TestDeadSensorDelaysDemandsBoundedly(t *testing.T) {
	pl := withSensors(newPlant(t, valves()))
	pl.dead[1] = true
	pl.run(3000 * ms)
	for i := range 20 {
		pl.readbacks = nil
		pl.m.Demand(daq.Demand{Output: 0, On: i%2 == 0, Serial: uint64(i)})
		at := pl.now
		for pl.coils[9<<16] != (i%2 == 0) {
			pl.run(pl.now + ms)
		}
		if d := pl.now - at; d > (50+200+10)*ms || float64(d)/1e9 > pl.m.o.WorstDelayS() {
			t.Fatalf("demand %d waited %d ms, at worst %v s is promised", i, d/ms, pl.m.o.WorstDelayS())
		}
		pl.run(pl.now + int64(137*ms))
	}
}

func TestHeartbeatEdges(t *testing.T) {
	pl := withSensors(newPlant(t, valves()))
	pl.run(500 * ms)
	var want []bool
	for i := range 10 {
		on := i%2 == 0
		want = append(want, on)
		pl.m.Demand(daq.Demand{Output: 2, On: on, Serial: uint64(i)})
		pl.run(pl.now + 200*ms)
	}
	if w := pl.writes(2); !slices.Equal(w, want) {
		t.Fatalf("written %v, want %v", w, want)
	}
	pl.run(pl.now + 5000*ms) // no demand, no edge
	if w := pl.writes(2); len(w) != len(want) {
		t.Fatalf("the line wrote the heartbeat by itself: %v", w)
	}
	pl.alter = func(req, ans []byte) reply { return reply{} } // lost: not repeated
	pl.m.Demand(daq.Demand{Output: 2, On: true, Serial: 99})
	pl.run(pl.now + 5000*ms)
	if w := pl.writes(2); len(w) != len(want)+1 {
		t.Fatalf("a lost edge was repeated: %v", w)
	}
	if r := pl.last(2); r.State != daq.OutputUnknown {
		t.Fatalf("%+v", r)
	}
}

// On that was lost without a demand, as when a watchdog relay opens, is
// reported and left off. Off that became on is switched off again.
func TestChangeWithoutDemand(t *testing.T) {
	pl := withSensors(newPlant(t, valves()))
	pl.m.Demand(daq.Demand{Output: 0, On: true, Serial: 1})
	pl.m.Demand(daq.Demand{Output: 1, On: false, Serial: 2})
	pl.run(1000 * ms)
	pl.coils[9<<16], pl.coils[9<<16|1] = false, true
	pl.run(3500 * ms)
	if r := pl.last(0); r.State != daq.OutputOff || !strings.Contains(r.Reason, "changed without a demand") {
		t.Errorf("%+v", r)
	}
	if w := pl.writes(0); len(w) != 1 {
		t.Errorf("the supply valve was opened again without a demand: %v", w)
	}
	if r := pl.last(1); r.State != daq.OutputOff || len(pl.writes(1)) != 2 {
		t.Errorf("%+v, written %v", r, pl.writes(1))
	}
}

func TestVerification(t *testing.T) {
	pl := withSensors(newPlant(t, valves()))
	pl.run(10_300 * ms)
	n := 0
	for _, s := range pl.sent {
		if s.p[1] == 1 {
			n++
			if s.p[5] != 3 {
				t.Errorf("read back % x: want all three coils at once", s.p)
			}
		}
	}
	if n != 11 { // at the start, then each second
		t.Errorf("%d read-backs in 10.3 s", n)
	}
	if len(pl.readbacks) != 3*n {
		t.Errorf("%d reports of 3 outputs", len(pl.readbacks))
	}
}

func TestResetRewritesDemands(t *testing.T) {
	pl := withSensors(newPlant(t, valves()))
	pl.m.Demand(daq.Demand{Output: 0, On: true, Serial: 1})
	pl.m.Demand(daq.Demand{Output: 2, On: true, Serial: 2})
	pl.run(1000 * ms)
	rows := len(pl.batches)
	pl.coils[9<<16] = false // the relay lost power meanwhile
	pl.now = 3000 * ms
	pl.readbacks, pl.sent = nil, nil
	pl.m.Reset(pl.now)
	pl.run(3010 * ms)
	if len(pl.readbacks) != 3 || len(pl.sent) != 0 {
		t.Fatalf("%+v, sent %v", pl.readbacks, pl.sent)
	}
	for _, r := range pl.readbacks {
		if r.State != daq.OutputUnknown {
			t.Errorf("%+v", r)
		}
	}
	pl.run(3400 * ms)
	if w := pl.writes(0); !slices.Equal(w, []bool{true}) || pl.last(0).State != daq.OutputOn || pl.last(0).Serial != 1 {
		t.Errorf("written %v, %+v", w, pl.last(0))
	}
	if w := pl.writes(2); len(w) != 0 {
		t.Errorf("an edge nobody asked for: %v", w)
	}
	if pl.last(1).State != daq.OutputOff {
		t.Errorf("%+v", pl.last(1))
	}
	b := pl.batches[rows]
	if b.Epoch != 1 || b.Lost < 18 || pl.m.Counters().Resets != 1 {
		t.Errorf("%+v", b)
	}
}

func TestOutputsInRegistersAndBlocks(t *testing.T) {
	o := valves()
	for i, fn := range []int{15, 6, 16} {
		o.Coils = append(o.Coils, Coil{Unit: 8, Address: 20 + i, Output: 10 + i, Function: fn})
	}
	pl := withSensors(newPlant(t, o))
	pl.regs[8<<16|21], pl.regs[8<<16|22] = 0, 0
	for i := range 3 {
		pl.m.Demand(daq.Demand{Output: 10 + i, On: true, Serial: uint64(10 + i)})
	}
	pl.run(500 * ms)
	for i := range 3 {
		if r := pl.last(10 + i); r.State != daq.OutputOn || r.Serial != uint64(10+i) {
			t.Errorf("function %d: %+v", o.Coils[3+i].Function, r)
		}
	}
	if !pl.coils[8<<16|20] || pl.regs[8<<16|21] != 1 || pl.regs[8<<16|22] != 1 {
		t.Errorf("%v %v", pl.coils, pl.regs)
	}
	pl.regs[8<<16|21] = 7 // neither on nor off
	pl.run(2000 * ms)
	if r := pl.last(11); r.State != daq.OutputUnknown {
		t.Errorf("%+v", r)
	}
}

func TestRefusedWrite(t *testing.T) {
	pl := withSensors(newPlant(t, valves()))
	pl.run(500 * ms)
	pl.alter = func(req, ans []byte) reply {
		if req[1] == 5 {
			pl.coils[9<<16] = false
			return reply{bitwiseCRC([]byte{9, 0x85, 2}), ms}
		}
		return reply{ans, ms}
	}
	pl.readbacks = nil
	pl.m.Demand(daq.Demand{Output: 0, On: true, Serial: 1})
	pl.run(1500 * ms)
	if r := pl.readbacks[0]; r.State != daq.OutputUnknown || !strings.Contains(r.Reason, "illegal data address") {
		t.Errorf("%+v", r)
	}
	if r := pl.last(0); r.State != daq.OutputOff || pl.m.Counters().Exception != onAttempts {
		t.Errorf("%+v, %+v", r, pl.m.Counters())
	}
}

// An echo of another coil, or of the other state, is no echo.
func TestWrongEcho(t *testing.T) {
	for name, alter := range map[string]func(a []byte){
		"another coil": func(a []byte) { a[3]++ },
		"other state":  func(a []byte) { a[4] ^= 0xFF },
	} {
		pl := withSensors(newPlant(t, valves()))
		pl.run(500 * ms)
		first := true
		pl.alter = func(req, ans []byte) reply {
			if req[1] == 5 && first {
				first = false
				alter(ans)
				return reply{bitwiseCRC(ans[:6]), ms}
			}
			return reply{ans, ms}
		}
		pl.readbacks = nil
		pl.m.Demand(daq.Demand{Output: 0, On: true, Serial: 1})
		pl.run(1000 * ms)
		if r := pl.readbacks[0]; r.State != daq.OutputUnknown || !strings.Contains(r.Reason, "repeat") {
			t.Errorf("%s: %+v", name, r)
		}
		if r := pl.last(0); r.State != daq.OutputOn || pl.m.Counters().Bad != 1 {
			t.Errorf("%s: %+v", name, r)
		}
	}
}

// A line that babbles without end can't keep a demand from going out.
func TestBabbleDoesNotBlockDemands(t *testing.T) {
	pl := withSensors(newPlant(t, valves()))
	pl.run(500 * ms)
	pl.m.Demand(daq.Demand{Output: 0, On: true, Serial: 1})
	end := pl.now + 3000*ms
	for pl.now < end && len(pl.writes(0)) == 0 {
		pl.m.Feed([]byte{0x55}, pl.now)
		pl.run(pl.now + ms)
	}
	if len(pl.writes(0)) == 0 {
		t.Fatal("the demand never went out")
	}
}

// A line that answers nothing any more while heartbeats come faster than they
// can fail: no read-back is ever its turn, and yet what was known of the valve
// does not stay known.
func TestDeadLineBusyWithHeartbeats(t *testing.T) {
	pl := withSensors(newPlant(t, valves()))
	pl.m.Demand(daq.Demand{Output: 0, On: true, Serial: 1})
	pl.run(1000 * ms)
	if r := pl.last(0); r.State != daq.OutputOn {
		t.Fatalf("before: %+v", r)
	}
	pl.alter = func(_, _ []byte) reply { return reply{} }
	limit := 2*pl.m.verifyNS + 2*(pl.m.timeoutNS+pl.m.quarantineNS)
	pl.readbacks = nil
	for serial, end := uint64(2), pl.now+limit; pl.now < end; serial++ {
		pl.m.Demand(daq.Demand{Output: 2, On: serial%2 == 0, Serial: serial})
		pl.run(pl.now + 50*ms)
	}
	if i := slices.IndexFunc(pl.readbacks, func(r daq.Readback) bool { return r.Output == 0 && r.State == daq.OutputUnknown }); i < 0 {
		t.Errorf("after %d ms without an answer nothing is said of the valve: %+v", limit/ms, pl.readbacks)
	}
	pl.alter = nil
	pl.run(pl.now + 2000*ms)
	if r := pl.last(0); r.State != daq.OutputOn {
		t.Errorf("with answers again: %+v", r)
	}
}
