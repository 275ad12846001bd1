package sim

import (
	"bufio"
	"bytes"
	"context"
	"encoding/binary"
	"encoding/json"
	"io"
	"math"
	"os"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"ventward/daq"
	"ventward/daq/wire"
)

// running is a simulator under test.
type running struct {
	t       *testing.T
	in      io.WriteCloser
	reports chan Report
	ready   Ready
	done    chan error
}

func serve(t *testing.T, o Options) *running {
	t.Helper()
	ir, iw := io.Pipe()
	or, ow := io.Pipe()
	r := &running{t: t, in: iw, reports: make(chan Report, 1000), done: make(chan error, 1)}
	ctx, cancel := context.WithCancel(context.Background())
	go func() { r.done <- Serve(ctx, o, ir, ow); ow.Close() }()
	go func() {
		defer close(r.reports)
		sc := bufio.NewScanner(or)
		sc.Buffer(nil, 1<<20)
		for sc.Scan() {
			var x Report
			if err := json.Unmarshal(sc.Bytes(), &x); err != nil {
				t.Errorf("report %q: %v", sc.Text(), err)
			}
			r.reports <- x
		}
	}()
	t.Cleanup(func() {
		iw.Close()
		cancel()
		for range r.reports {
		}
		if err := <-r.done; err != nil {
			t.Errorf("Serve: %v", err)
		}
	})
	r.ready = *r.wait(func(x *Report) bool { return x.Ready != nil }).Ready
	return r
}

// wait returns the next report that fits.
func (r *running) wait(fits func(*Report) bool) *Report {
	r.t.Helper()
	end := time.After(20 * time.Second)
	for {
		select {
		case x, ok := <-r.reports:
			if !ok {
				r.t.Fatal("the simulator ended")
			}
			if fits(&x) {
				return &x
			}
		case <-end:
			r.t.Fatal("no such report in 20 s")
		}
	}
}

func (r *running) do(c Command) {
	r.t.Helper()
	b, _ := json.Marshal(c)
	if _, err := r.in.Write(append(b, '\n')); err != nil {
		r.t.Fatal(err)
	}
}

// open opens a terminal as a daemon would.
func (r *running) open(name string) *os.File {
	r.t.Helper()
	f, err := os.OpenFile(r.ready.Ports[name], os.O_RDWR|0x100 /* O_NOCTTY */, 0)
	if err != nil {
		r.t.Fatal(err)
	}
	r.t.Cleanup(func() { f.Close() })
	return f
}

// TestServeSpeaks opens the three terminals as a daemon would: what they say
// decodes without a loss.
func TestServeSpeaks(t *testing.T) {
	r := serve(t, Options{Bench: testBench(), World: DefaultWorld(1), Seed: 1, Links: t.TempDir()})
	fast, room, relay := r.open("fast"), r.open("room"), r.open("relay")
	bench := testBench()
	frames, err := wire.NewFrame(*bench.Instruments[0].Frame, bench.Instruments[0].Instrument, 0)
	if err != nil {
		t.Fatal(err)
	}
	lines, err := wire.NewLine(*bench.Instruments[1].Line, bench.Instruments[1].Instrument, 1)
	if err != nil {
		t.Fatal(err)
	}
	buf := make([]byte, 1<<16)
	for d, f := range map[daq.Decoder]*os.File{frames: fast, lines: room} {
		var got []*daq.Batch
		for range 200 {
			n, err := f.Read(buf)
			if err != nil {
				t.Fatal(err)
			}
			got = d.Feed(buf[:n], Monotonic(), got)
		}
		if c := d.Counters(); c.Rows < 100 || c.LostRows != 0 || c.Bad > 1 {
			t.Errorf("%T: %+v", d, c)
		}
		if b := got[len(got)-1]; !b.HasSeq || !b.HasTick || b.Tick == 0 {
			t.Errorf("%T: last batch %+v", d, b)
		}
	}
	a := ask(t, relay, 13, 1, 4, 0, 0, 0, 4)
	if v := math.Float32frombits(binary.BigEndian.Uint32(a[3:])); v < 22 || v > 24 {
		t.Errorf("the gas is at %g °C, want about 23", v)
	}
}

// ask sends a Modbus request and reads n bytes of answer.
func ask(t *testing.T, f *os.File, n int, req ...byte) []byte {
	t.Helper()
	if _, err := f.Write(binary.LittleEndian.AppendUint16(req, crc16(req))); err != nil {
		t.Fatal(err)
	}
	b := make([]byte, n)
	f.SetReadDeadline(time.Now().Add(5 * time.Second))
	if _, err := io.ReadFull(f, b); err != nil {
		t.Fatalf("no answer to % x: %v", req, err)
	}
	if c := binary.LittleEndian.Uint16(b[n-2:]); c != crc16(b[:n-2]) {
		t.Fatalf("answer % x: CRC %04x, want %04x", b, c, crc16(b[:n-2]))
	}
	return b
}

// beat switches the heartbeat coil (unit 2, coil 1) until stop is closed.
func beat(t *testing.T, f *os.File, edges int, pause time.Duration) {
	t.Helper()
	for i := range edges {
		on := byte(0xff)
		if i%2 == 1 {
			on = 0
		}
		ask(t, f, 8, 2, 5, 0, 1, on, 0)
		time.Sleep(pause)
	}
}

// TestObeysOutputs runs the ramp only while coil and heartbeat want it: the
// relay opens when the edges stop, though the level stays, and latches.
func TestObeysOutputs(t *testing.T) {
	b := testBench()
	r := serve(t, Options{Bench: b, World: DefaultWorld(1), Seed: 1, Links: t.TempDir()})
	relay := r.open("relay")
	r.do(Command{Do: "ramp", BarS: 50})
	ask(t, relay, 8, 2, 5, 0, 0, 0xff, 0) // without a heartbeat the coil alone does nothing
	if got := ask(t, relay, 6, 2, 1, 0, 0, 0, 1); got[3] != 0 {
		t.Error("the supply valve reads on without a heartbeat")
	}
	beat(t, relay, 3, 20*time.Millisecond)
	r.wait(func(x *Report) bool { return x.Watchdog != nil && !x.Watchdog.Open })
	r.wait(func(x *Report) bool { return x.Supply != nil && x.Supply.Open })
	beat(t, relay, 8, 50*time.Millisecond)
	r.do(Command{Do: "status"})
	if p := r.wait(func(x *Report) bool { return x.State != nil }).State.PressurePa; p < 5e5 {
		t.Errorf("after 0.4 s at 50 bar/s the pressure is %g Pa, want more than 5 bar", p)
	}
	// No more edges: the level stays where it is.
	if x := r.wait(func(x *Report) bool { return x.Supply != nil }); x.Supply.Open || x.Supply.Why != "watchdog" {
		t.Errorf("supply %+v, want it shut by the watchdog", x.Supply)
	}
	beat(t, relay, 4, 20*time.Millisecond) // latched: a heartbeat alone does not bring it back
	if got := ask(t, relay, 6, 2, 1, 0, 0, 0, 1); got[3] != 0 {
		t.Error("the latched relay lets the supply valve read on")
	}
	r.do(Command{Do: "reset-watchdog"})
	time.Sleep(20 * time.Millisecond)
	beat(t, relay, 4, 20*time.Millisecond)
	if x := r.wait(func(x *Report) bool { return x.Supply != nil }); !x.Supply.Open {
		t.Errorf("after the reset the supply is %+v, want it open", x.Supply)
	}
}

// TestMaxSpeed plays a whole shot on the clock page: a daemon that keeps up
// sees every row, and time does not outrun it.
func TestMaxSpeed(t *testing.T) {
	page, err := Create(t.TempDir() + "/clock")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { page.Close() }) // after the simulator has ended
	r := serve(t, Options{Bench: testBench(), World: DefaultWorld(3), Seed: 3, Links: t.TempDir(), Speed: math.Inf(1), Page: page})
	fast, room, relay := r.open("fast"), r.open("room"), r.open("relay")
	var frames, lines atomic.Int64
	count := func(f *os.File, sep byte, n *atomic.Int64) {
		buf := make([]byte, 1<<16)
		for {
			k, err := f.Read(buf)
			if err != nil {
				return
			}
			n.Add(int64(bytes.Count(buf[:k], []byte{sep})))
		}
	}
	go count(fast, 0, &frames)
	go count(room, '\n', &lines)
	stop, stopped := make(chan struct{}), make(chan struct{})
	go func() { // the daemon's work: it keeps up
		defer close(stopped)
		for {
			select {
			case <-stop:
				return
			default:
				page.SetProgress(page.Now())
				time.Sleep(50 * time.Microsecond)
			}
		}
	}()
	piece := DefaultWorld(3).Shots(1)[0]
	r.do(Command{Do: "load", Specimen: piece.ID})
	if got := r.wait(func(x *Report) bool { return x.Loaded != nil }); got.Loaded.ID != piece.ID {
		t.Fatalf("loaded %q, want %q", got.Loaded.ID, piece.ID)
	}
	r.do(Command{Do: "ramp", BarS: 5})
	begin := page.Now()
	real := time.Now()
	level := byte(0)
	var truth *Truth
	for last := int64(0); truth == nil; {
		if now := page.Now(); now-last > 2e8 {
			last = now
			level ^= 0xff
			ask(t, relay, 8, 2, 5, 0, 1, level, 0)
			ask(t, relay, 8, 2, 5, 0, 0, 0xff, 0)
		}
		select {
		case <-time.After(200 * time.Microsecond):
		case x := <-r.reports:
			if x.Truth != nil && x.Truth.Opens() {
				truth = x.Truth
			}
			if x.Watchdog != nil && x.Watchdog.Open {
				t.Fatal("the watchdog opened although its edges came")
			}
		}
	}
	f := piece.Features[0]
	if d := truth.PressurePa - f.OpensPa; d < 0 || d > 5e5*(f.WidthS+2e-4) {
		t.Errorf("it opened at %g Pa on a ramp of 5 bar/s, the piece says %g", truth.PressurePa, f.OpensPa)
	}
	if truth.Specimen != piece.ID || truth.Feature != piece.Under || truth.AreaM2 != f.AreaM2 {
		t.Errorf("truth %+v does not fit the piece %+v", truth, piece)
	}
	t.Logf("%.1f s of bench time in %v", float64(page.Now()-begin)*1e-9, time.Since(real))
	close(stop) // no progress: simulated time stands after the lead
	<-stopped
	time.Sleep(100 * time.Millisecond)
	if ahead := page.Now() - page.Progress(); ahead > 21e6 {
		t.Errorf("simulated time runs %d ns ahead of the daemon", ahead)
	}
	r.do(Command{Do: "status"})
	r.wait(func(x *Report) bool { return x.State != nil })
	sent := r.wait(func(x *Report) bool { return x.Sent != nil }).Sent
	if s := sent["fast"]; s.Overrun != 0 || frames.Load() != int64(s.Messages) {
		t.Errorf("fast: %d frames came of %+v", frames.Load(), s)
	}
	if s := sent["room"]; s.Overrun != 0 || lines.Load() != int64(s.Messages) {
		t.Errorf("room: %d lines came of %+v", lines.Load(), s)
	}
}

// TestUnplug: the terminal goes away and comes back under its name, and the
// sequence tells what was lost meanwhile.
func TestUnplug(t *testing.T) {
	r := serve(t, Options{Bench: testBench(), Seed: 1, Links: t.TempDir()})
	f := r.open("fast")
	r.do(Command{Do: "fault", Fault: Fault{Name: "unplug", Instrument: "fast", Seconds: 0.2}})
	if x := r.wait(func(x *Report) bool { return x.Port != nil }); x.Port.Up || x.Port.Instrument != "fast" {
		t.Errorf("first %+v", x.Port)
	}
	if _, err := io.Copy(io.Discard, f); err == nil {
		t.Log("the reader saw the end of the line")
	}
	x := r.wait(func(x *Report) bool { return x.Port != nil })
	if !x.Port.Up {
		t.Errorf("then %+v", x.Port)
	}
	g := r.open("fast")
	buf := make([]byte, 2000)
	if _, err := io.ReadFull(g, buf); err != nil {
		t.Fatal(err)
	}
	r.do(Command{Do: "status"})
	if s := r.wait(func(x *Report) bool { return x.Sent != nil }).Sent["fast"]; s.Lost < 1500 {
		t.Errorf("%+v, want about 2000 rows lost", s)
	}
}

// TestStall: the link holds back for a while, then everything comes at once.
func TestStall(t *testing.T) {
	r := serve(t, Options{Bench: testBench(), Seed: 1})
	f := r.open("room")
	r.do(Command{Do: "fault", Fault: Fault{Name: "stall", Instrument: "room", Seconds: 0.3}})
	r.wait(func(x *Report) bool { return x.Fault != nil })
	buf := make([]byte, 1<<16)
	longest, last := time.Duration(0), time.Now()
	for lines := 0; lines < 600; {
		n, err := f.Read(buf)
		if err != nil {
			t.Fatal(err)
		}
		longest = max(longest, time.Since(last))
		last = time.Now()
		lines += bytes.Count(buf[:n], []byte{'\n'})
	}
	if longest < 250*time.Millisecond {
		t.Errorf("the longest silence is %v, want about 0.3 s", longest)
	}
	r.do(Command{Do: "status"})
	if s := r.wait(func(x *Report) bool { return x.Sent != nil }).Sent["room"]; s.Lost+s.Overrun+s.Cut != 0 {
		t.Errorf("rows were lost in the stall: %+v", s)
	}
}

// TestControl: what can't be done is said, and the simulator goes on.
func TestControl(t *testing.T) {
	r := serve(t, Options{Bench: testBench(), World: DefaultWorld(1), Seed: 1})
	for _, c := range []struct{ line, want string }{
		{`{"do":"load","specimen":"nobody"}`, "no such specimen"},
		{`{"do":"load","piece":{"id":"x","features":[{"name":"top vent","event":"vent-opening"}]}}`, "give a positive"},
		{`{"do":"ramp","bar_s":-1}`, "give a rate"},
		{`{"do":"fault","name":"earthquake"}`, "unknown"},
		{`{"do":"dance"}`, "unknown"},
		{`not json`, "is no command"},
	} {
		if _, err := r.in.Write([]byte(c.line + "\n")); err != nil {
			t.Fatal(err)
		}
		if x := r.wait(func(x *Report) bool { return x.Error != "" }); !strings.Contains(x.Error, c.want) {
			t.Errorf("%s: %q, want %q in it", c.line, x.Error, c.want)
		}
	}
	r.do(Command{Do: "dump"})
	if x := r.wait(func(x *Report) bool { return x.Dump != nil }); !x.Dump.Open || x.Dump.Why != "hand" {
		t.Errorf("dump %+v", x.Dump)
	}
	r.do(Command{Do: "stop"})
	r.wait(func(x *Report) bool { return x.Stopped })
}

// TestServeErrors: what Serve can't begin with.
func TestServeErrors(t *testing.T) {
	for name, o := range map[string]Options{
		"no instruments":   {},
		"speed, no page":   {Bench: testBench(), Speed: 10},
		"backward":         {Bench: testBench(), Speed: -1},
		"no such folder":   {Bench: testBench(), Links: "/proc/none"},
		"unknown protocol": {Bench: Bench{Instruments: []Instrument{{}}}},
	} {
		if err := Serve(context.Background(), o, strings.NewReader(""), io.Discard); err == nil {
			t.Errorf("%s: no error", name)
		}
	}
}

// TestDaemonGone: when the daemon makes no progress for a second, time goes on
// as on the wall, so that the watchdog relay opens; when he is back, time
// follows him again.
func TestDaemonGone(t *testing.T) {
	page, err := Create(t.TempDir() + "/clock")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { page.Close() })
	r := serve(t, Options{Bench: testBench(), Seed: 1, Speed: math.Inf(1), Page: page})
	relay := r.open("relay")
	follow := func(ns int64) { // the daemon lives for so long of bench time
		for end := page.Now() + ns; page.Now() < end; {
			page.SetProgress(page.Now())
			time.Sleep(50 * time.Microsecond)
		}
	}
	for i := range 4 {
		if _, err := relay.Write(request(2, 5, 0, 1, 0xff*byte(1-i%2), 0)); err != nil {
			t.Fatal(err)
		}
		follow(100e6)
	}
	r.wait(func(x *Report) bool { return x.Watchdog != nil && !x.Watchdog.Open })
	stood := page.Now()
	r.wait(func(x *Report) bool { return x.Watchdog != nil && x.Watchdog.Open })
	if d := page.Now() - stood; d < 500e6 {
		t.Errorf("the relay opened after %d ns of bench time", d)
	}
	follow(100e6)
	time.Sleep(20 * time.Millisecond)
	if ahead := page.Now() - page.Progress(); ahead > 22e6 {
		t.Errorf("with the daemon back, simulated time runs %d ns ahead of it", ahead)
	}
}

// TestFixedSpeed: at 4x a second of bench time takes a quarter of one.
func TestFixedSpeed(t *testing.T) {
	page, err := Create(t.TempDir() + "/clock")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { page.Close() })
	serve(t, Options{Bench: testBench(), Seed: 1, Speed: 4, Page: page})
	first, begin := page.Now(), time.Now()
	for time.Since(begin) < 500*time.Millisecond {
		page.SetProgress(page.Now())
		time.Sleep(200 * time.Microsecond)
	}
	if x := float64(page.Now()-first) / float64(time.Since(begin)); x > 4.3 || x < 1 {
		t.Errorf("the speed was %.2f, want at most 4", x)
	}
}
