package sim

import (
	"bufio"
	"context"
	"encoding/binary"
	"encoding/json"
	"io"
	"os"
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
