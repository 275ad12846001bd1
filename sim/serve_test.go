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
	"sync/atomic"
	"testing"
	"time"

	"ventward/daq"
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

// TestServeSpeaks opens the three terminals and finds well-formed messages.
func TestServeSpeaks(t *testing.T) {
	r := serve(t, Options{Bench: testBench(), World: DefaultWorld(1), Seed: 1, Links: t.TempDir()})
	fast, room, relay := r.open("fast"), r.open("room"), r.open("relay")
	buf := make([]byte, 1<<16)
	n, err := io.ReadAtLeast(fast, buf, 8000)
	t.Log(n, err, buf[:60])
	n, err = io.ReadAtLeast(room, buf, 200)
	t.Logf("%d %v %q", n, err, buf[:200])
	q := []byte{1, 4, 0, 0, 0, 4}
	relay.Write(binary.LittleEndian.AppendUint16(q, crc16(q)))
	n, err = io.ReadAtLeast(relay, buf, 13)
	t.Log(n, err, buf[:13])
	r.do(Command{Do: "status"})
	t.Logf("%+v", r.wait(func(x *Report) bool { return x.Sent != nil }).Sent)
	_ = daq.Gauge
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
	b.WatchdogS = 0.3
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
	defer page.Close()
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
	stop := make(chan struct{})
	defer close(stop)
	go func() { // the daemon's work: it keeps up
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
		case x := <-r.reports:
			if x.Truth != nil && x.Truth.Opens() {
				truth = x.Truth
			}
			if x.Watchdog != nil && x.Watchdog.Open {
				t.Fatal("the watchdog opened although its edges came")
			}
		default:
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
	r.do(Command{Do: "stop"})
	sent := r.wait(func(x *Report) bool { return x.Sent != nil && x.Stopped == false && x.AtNS > truth.StartNS }).Sent
	time.Sleep(50 * time.Millisecond)
	if s := sent["fast"]; s.Overrun != 0 || frames.Load() != int64(s.Messages) {
		t.Errorf("fast: %d frames came of %+v", frames.Load(), s)
	}
	if s := sent["room"]; s.Overrun != 0 || lines.Load() != int64(s.Messages) {
		t.Errorf("room: %d lines came of %+v", lines.Load(), s)
	}
}
