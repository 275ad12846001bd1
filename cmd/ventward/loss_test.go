package main

import (
	"fmt"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"ventward/daq"
	"ventward/sim"
	"ventward/store"
)

// fourProtocols is the example bench (frame, line, modbus) with an instrument
// more that is asked in text.
func fourProtocols(example string) string {
	_, after, _ := strings.Cut(example, `port = "`)
	port, _, _ := strings.Cut(after, `"`)
	return example + fmt.Sprintf(`
[[instrument]]
name = "meter"
protocol = "query"
port = "%s/meter"
baud = 115200
rate_hz = 20
timeout_ms = 100
quarantine_ms = 300
checksum = "xor"
[[instrument.question]]
ask = "READ?"
decimals = [3]
[[channel]]
name = "spare"
quantity = "voltage"
instrument = "meter"
column = 1
range_V = [0.0, 10.0]
reads = "V"
`, filepath.Dir(port))
}

// lossRig is a bench on both sides of whose lines what is lost is counted.
type lossRig struct {
	*rig
	t *testing.T
}

// counters are what the daemon has counted of an instrument.
func (r *lossRig) counters(name string) map[string]uint64 {
	out := map[string]uint64{}
	for k, v := range counters(r.state(), name) {
		if x, ok := v.(float64); ok {
			out[k] = uint64(x)
		}
	}
	return out
}

// sent asks the simulator what its devices have sent, and when that was.
func (r *lossRig) sent() (map[string]sim.Sent, int64) {
	r.t.Helper()
	if err := r.sim.do(sim.Command{Do: "status"}); err != nil {
		r.t.Fatal(err)
	}
	r.sim.await(r.t, 20*time.Second, func(rep *sim.Report) bool { return rep.State != nil })
	rep := r.sim.await(r.t, 20*time.Second, func(rep *sim.Report) bool { return rep.Sent != nil })
	return rep.Sent, rep.AtNS
}

// numbered is how many rows a streaming device has given a number.
func numbered(s sim.Sent) uint64 { return s.Rows + s.Unheard + s.Overrun + s.Lost + s.Cut }

// account is what both sides have counted.
type account struct {
	sent     map[string]sim.Sent
	received map[string]map[string]uint64
	during   map[string]int // questions that ended between the look at received and one after that at sent
}

// ended is how many questions of an instrument have ended, one way or another.
func ended(c map[string]uint64) int { return int(c["frames"] + c["bad"] + c["timeouts"]) }

// still lets the streaming devices restart and looks at both sides while they are
// silent and nothing is on its way: then both accounts are of the same rows. On a
// machine so busy that the daemon has not yet read what was sent, it looks again:
// a row that is really missing stays missing.
func (r *lossRig) still(was *account) account {
	r.t.Helper()
	var found *account
	for end := time.Now().Add(60 * time.Second); time.Now().Before(end); {
		for _, name := range []string{"fast", "ambient"} {
			r.fault(sim.Fault{Name: "device-reset", Instrument: name, Seconds: 2.5})
		}
		a, _ := r.sent()
		before, quiet := r.received(), 0
		for range 10 {
			time.Sleep(200 * time.Millisecond)
			after := r.received()
			b, _ := r.sent()
			if quiet++; !fixed(a, b, before, after) {
				quiet = 0
			}
			a, before = b, after
			if quiet < 4 {
				continue
			}
			found = &account{sent: b, received: after, during: map[string]int{}}
			for name, c := range r.received() {
				found.during[name] = ended(c) - ended(after[name])
			}
			if was == nil || found.balances(was) {
				return *found
			}
		}
	}
	if found == nil {
		r.t.Fatal("the streams never stood still")
	}
	return *found
}

// balances tells whether what the streams numbered since was either came or was
// counted as lost.
func (a *account) balances(was *account) bool {
	for _, name := range []string{"fast", "ambient"} {
		c, d := a.received[name], was.received[name]
		if numbered(a.sent[name])-numbered(was.sent[name]) != c["rows"]+c["lost_rows"]-d["rows"]-d["lost_rows"] {
			return false
		}
	}
	return true
}

func (r *lossRig) received() map[string]map[string]uint64 {
	out := map[string]map[string]uint64{}
	for _, name := range []string{"fast", "ambient", "relay", "meter"} {
		out[name] = r.counters(name)
	}
	return out
}

// fixed tells that neither side of a stream has moved.
func fixed(a, b map[string]sim.Sent, before, after map[string]map[string]uint64) bool {
	for _, name := range []string{"fast", "ambient"} {
		if numbered(a[name]) != numbered(b[name]) || before[name]["bytes"] != after[name]["bytes"] || after[name]["rows"] == 0 {
			return false
		}
	}
	return true
}

func (r *lossRig) fault(f sim.Fault) {
	r.t.Helper()
	if err := r.sim.do(sim.Command{Do: "fault", Fault: f}); err != nil {
		r.t.Fatal(err)
	}
}

// suffer lets the instruments have their faults and waits until those are over
// by the simulator's own time, every port is back and every stream goes on.
func (r *lossRig) suffer(fs []sim.Fault) {
	r.t.Helper()
	rows := r.received()
	for _, name := range []string{"fast", "ambient"} {
		r.await(name+" to go on", 30*time.Second, func(map[string]any) bool { return r.counters(name)["rows"] > rows[name]["rows"] })
	}
	longest := 0.0
	for _, f := range fs {
		r.fault(f)
		longest = max(longest, f.Seconds)
	}
	_, from := r.sent()
	for end := time.Now().Add(60 * time.Second); ; time.Sleep(50 * time.Millisecond) {
		if _, now := r.sent(); seconds(now-from) > longest+0.5 {
			break
		}
		if time.Now().After(end) {
			r.t.Fatal("the faults never end")
		}
	}
	rows = r.received()
	for _, name := range []string{"fast", "ambient", "relay", "meter"} {
		r.await(name+" to go on after the faults", 30*time.Second, func(s map[string]any) bool {
			return instrument(s, name)["up"] == true && r.counters(name)["rows"] > rows[name]["rows"]
		})
	}
}

// Flipped bits, lost bytes, a stall, a silent line, an unplugged port and
// restarts, on an instrument of each protocol at once, through the real program.
// Of a stream, what was received and what was counted as lost together are what
// the device numbered, to the row. Of an instrument that is asked, each question
// it heard has an answer that was taken, one that was refused, or a timeout. The
// run keeps it all and verifies.
func TestLossIsCountedAgainstTheDevice(t *testing.T) {
	t.Parallel()
	r := &lossRig{rig: newRig(t, 37, fourProtocols), t: t}
	r.serve()
	r.await("fresh sensors and a beating watchdog", 30*time.Second, ready)
	r.must("record", map[string]string{"specimen": "none"})
	r.await("the run to record", 20*time.Second, func(s map[string]any) bool { return s["run"] != nil })
	run := text(r.state()["run"].(map[string]any)["id"])
	was := r.still(nil)
	for _, c := range []struct {
		name   string
		faults []sim.Fault
		loses  bool // readings of the streams
	}{
		{"flipped bits and lost bytes", []sim.Fault{{Name: "bit-flips", Instrument: "fast", Seconds: 1, Size: 50}, {Name: "lost-bytes", Instrument: "ambient", Seconds: 1},
			{Name: "bit-flips", Instrument: "relay", Seconds: 1, Size: 500}, {Name: "lost-bytes", Instrument: "meter", Seconds: 1, Size: 500}}, true},
		{"stall", []sim.Fault{{Name: "stall", Instrument: "fast", Seconds: 0.2}, {Name: "stall", Instrument: "ambient", Seconds: 0.2},
			{Name: "stall", Instrument: "relay", Seconds: 0.2}, {Name: "late-answers", Instrument: "meter", Seconds: 0.5, Size: 0.25}}, false},
		{"unplug", []sim.Fault{{Name: "unplug", Instrument: "fast", Seconds: 0.4}, {Name: "unplug", Instrument: "ambient", Seconds: 0.4},
			{Name: "unplug", Instrument: "relay", Seconds: 0.4}, {Name: "unplug", Instrument: "meter", Seconds: 0.4}}, true},
		{"silent line", []sim.Fault{{Name: "dropout", Instrument: "fast", Seconds: 0.3}, {Name: "dropout", Instrument: "ambient", Seconds: 0.3},
			{Name: "device-reset", Instrument: "relay", Seconds: 0.4}, {Name: "device-reset", Instrument: "meter", Seconds: 0.4}}, true},
	} {
		r.suffer(c.faults)
		now := r.still(&was)
		for _, name := range []string{"fast", "ambient"} {
			judgeStream(t, c.name, name, was, now, c.loses)
		}
		for _, name := range []string{"relay", "meter"} {
			judgeAsked(t, c.name, name, was, now)
		}
		was = now
	}
	r.must("end", map[string]string{"reason": "test", "override": "test"})
	r.await("the run's end", 30*time.Second, func(s map[string]any) bool { return s["run"] == nil })
	r.verify(run)
	storedAccount(t, r.data, run)
}

func judgeStream(t *testing.T, what, name string, was, now account, loses bool) {
	t.Helper()
	d, c := was.received[name], now.received[name]
	made := numbered(now.sent[name]) - numbered(was.sent[name])
	rows, lost, bad := c["rows"]-d["rows"], c["lost_rows"]-d["lost_rows"], c["bad"]-d["bad"]
	dropped := now.sent[name].Lost + now.sent[name].Overrun + now.sent[name].Cut + now.sent[name].Unheard - was.sent[name].Lost - was.sent[name].Overrun - was.sent[name].Cut - was.sent[name].Unheard
	damaged := now.sent[name].Damaged - was.sent[name].Damaged
	t.Logf("%s, %s: numbered by the device %d = received %d + lost %d; never handed over %d rows, spoilt %d messages, refused %d", what, name, made, rows, lost, dropped, damaged, bad)
	if made != rows+lost {
		t.Errorf("%s, %s: the device numbered %d rows, %d were received and %d counted as lost", what, name, made, rows, lost)
	}
	if lost < dropped || loses && lost == 0 || !loses && dropped == 0 && lost != 0 {
		t.Errorf("%s, %s: %d rows counted as lost, %d were never handed over", what, name, lost, dropped)
	}
	if c["resets"] == d["resets"] {
		t.Errorf("%s, %s: the restart was not counted", what, name)
	}
}

func judgeAsked(t *testing.T, what, name string, was, now account) {
	t.Helper()
	d, c := was.received[name], now.received[name]
	part := func(k string) int { return int(c[k]) - int(d[k]) }
	asked := int(now.sent[name].Asked) - int(was.sent[name].Asked)
	answers := int(now.sent[name].Messages) - int(was.sent[name].Messages)
	t.Logf("%s, %s: %d questions came, %d answers went; taken %d, refused %d, timeouts %d, late %d; rows %d, lost %d", what, name, asked, answers,
		part("frames"), part("bad"), part("timeouts"), part("late_reply"), part("rows"), part("lost_rows"))
	const onTheWay = 4 // one question, or its end, on either side of each look, and one at the unplug
	over := ended(c) - ended(d)
	deaf := 0
	if what == "silent line" { // a device that restarts hears no question
		deaf = part("timeouts")
	}
	if off := over - asked; off < -onTheWay-now.during[name] || off > deaf+onTheWay+was.during[name] {
		t.Errorf("%s, %s: %d questions came to the device, %d ended, %d and %d while it was looked", what, name, asked, over, was.during[name], now.during[name])
	}
	if part("frames") > answers+onTheWay+was.during[name] || part("lost_rows") == 0 && what != "stall" {
		t.Errorf("%s, %s: %d answers taken of %d, %d rows lost", what, name, part("frames"), answers, part("lost_rows"))
	}
	if part("frames") == 0 || part("bad")+part("timeouts") == 0 && what != "stall" && what != "unplug" {
		t.Errorf("%s, %s: %v after %v", what, name, c, d)
	}
}

// storedAccount follows each stream's sequence through the stored run: a batch
// begins where the one before ended and what was lost between ended, but for
// restarts of the device's count.
func storedAccount(t *testing.T, data, run string) {
	t.Helper()
	st, err := store.Open(data, store.Options{Access: store.Read})
	if err != nil {
		t.Fatal(err)
	}
	defer st.Close()
	rd, err := st.Reader(run)
	if err != nil {
		t.Fatal(err)
	}
	defer rd.Close()
	type place struct {
		next  uint64
		epoch uint32
		begun bool
	}
	at, followed, lost := map[uint16]place{}, 0, uint64(0)
	if _, err := play(rd, nil, func(en *daq.Entry, _ *outcome, _ *engine) error {
		b := en.Batch
		if en.Kind != daq.EntryBatch || !b.HasSeq {
			return nil
		}
		p := at[b.Instrument]
		if p.begun && p.epoch == b.Epoch {
			followed++
			lost += uint64(b.Lost)
			if gap := b.Seq - p.next; gap != uint64(b.Lost)+uint64(b.Refused) {
				t.Errorf("instrument %d, row %d: %d rows are missing, %d + %d are told", b.Instrument, b.Seq, gap, b.Lost, b.Refused)
			}
		}
		at[b.Instrument] = place{b.Seq + uint64(b.K), b.Epoch, true}
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	t.Logf("%d batches follow one another in the stored run, %d rows lost between them", followed, lost)
	if followed < 100 || lost == 0 {
		t.Errorf("%d batches followed, %d rows lost: nothing is shown", followed, lost)
	}
}
