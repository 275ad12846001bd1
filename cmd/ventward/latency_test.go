package main

import (
	"context"
	"encoding/binary"
	"fmt"
	"math"
	"os"
	"slices"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/creack/pty"
	"github.com/rs/zerolog"
	"golang.org/x/sys/unix"

	"ventward/config"
	"ventward/daq"
	"ventward/daq/wire"
	"ventward/store"
)

// demandTrips is how often the benchmark trips, however long it is asked to run:
// nearly all of its time goes by between trips.
const demandTrips = 60

// BenchmarkDemand is the way from a frame's bytes written to a terminal to the
// bytes of the coil write that shuts the supply on another: read, decode,
// stamp, condition, watch, judge, demand, line. Figures are of this machine
// under whatever load it has; on a bench the serial line's own time comes on
// top. "poll" is one poll of the outputs' line that may be in flight: the floor.
func BenchmarkDemand(b *testing.B) {
	s := newStandIn(b)
	var took []time.Duration
	for range demandTrips {
		took = append(took, s.trip(b))
	}
	slices.Sort(took)
	at := func(q float64) float64 { return float64(took[int(math.Ceil(q*demandTrips))-1].Microseconds()) }
	b.ReportMetric(at(0.5), "p50-µs")
	b.ReportMetric(at(0.99), "p99-µs")
	b.ReportMetric(at(1), "max-µs")
	b.ReportMetric(0, "ns/op")
}

// standIn is a daemon in this process with two terminals: frames go in at one,
// coils are written at the other.
type standIn struct {
	d      *daemon
	frames *os.File
	level  atomic.Int32 // counts of the pressure columns
	shut   chan time.Time
	ended  chan error
	open   chan struct{}
	sent   atomic.Int64 // when the first frame at the high level was written
	high   atomic.Bool
	coils  [16]atomic.Bool
	wg     sync.WaitGroup
	stop   context.CancelFunc
}

func newStandIn(b testing.TB) *standIn {
	b.Helper()
	bench := exampleBench(b)
	s := &standIn{shut: make(chan time.Time, 64), open: make(chan struct{}, 64), ended: make(chan error, 1)}
	s.level.Store(5333) // about 10 bar
	fast, fastSlave := terminalPair(b)
	relay, relaySlave := terminalPair(b)
	fastPath, relayPath := fastSlave.Name(), relaySlave.Name()
	s.frames = fast
	if err := unix.SetNonblock(int(fast.Fd()), true); err != nil { // a device goes on though nobody reads
		b.Fatal(err)
	}
	keepInstruments(bench, fastPath, relayPath)
	st, err := store.Open(b.TempDir(), store.Options{})
	if err != nil {
		b.Fatal(err)
	}
	if s.d, err = newDaemon(daemonOptions{Bench: bench, Store: st, Time: machineTime(), Simulated: true, Log: zerolog.Nop()}); err != nil {
		b.Fatal(err)
	}
	ctx, stop := context.WithCancel(context.Background())
	s.stop = stop
	for _, f := range []func(){func() { s.play(ctx) }, func() { s.serve(relay) }, func() { s.ended <- s.d.run(ctx) }} {
		s.wg.Add(1)
		go func() { defer s.wg.Done(); f() }()
	}
	b.Cleanup(func() {
		stop()
		<-s.ended
		fastSlave.Close() // frees the readers of the other ends
		relaySlave.Close()
		fast.Close()
		relay.Close()
		s.wg.Wait()
		st.Close()
	})
	return s
}

// keepInstruments leaves the frame instrument and the relay with its outputs,
// and only the limit rule.
func keepInstruments(b *config.Bench, fast, relay string) {
	var channels []daq.Channel
	for _, c := range b.Channels {
		if b.Instruments[c.Instrument].Frame != nil {
			c.Instrument = 0
			channels = append(channels, c)
		}
	}
	var ins []config.Instrument
	for _, in := range b.Instruments {
		switch {
		case in.Frame != nil:
			in.Port.Path = fast
			ins = append([]config.Instrument{in}, ins...)
		case in.Modbus != nil:
			in.Port.Path = relay
			in.Modbus.Registers, in.Columns = nil, 0
			ins = append(ins, in)
		}
	}
	for i := range b.Outputs {
		b.Outputs[i].Instrument = 1
	}
	b.Instruments, b.Channels = ins, channels
	b.Detect.Channels, b.Guard.Channels = channels, channels
	b.Detect.RateHz = b.Detect.RateHz[:len(channels)]
	b.Guard.Rules, b.Guard.Arming = b.Guard.Rules[:1], nil
}

func terminalPair(b testing.TB) (master, slave *os.File) {
	b.Helper()
	m, t, err := pty.Open()
	if err != nil {
		b.Fatal(err)
	}
	termios, err := unix.IoctlGetTermios(int(t.Fd()), unix.TCGETS)
	if err != nil {
		b.Fatal(err)
	}
	termios.Lflag, termios.Iflag, termios.Oflag = 0, 0, 0
	if err := unix.IoctlSetTermios(int(t.Fd()), unix.TCSETS, termios); err != nil {
		b.Fatal(err)
	}
	return m, t
}

// play sends frames of 10 rows at 10 kHz.
func (s *standIn) play(ctx context.Context) {
	const rows, columns = 10, 4
	seq := uint32(0)
	var buf []byte
	for next := time.Now(); ctx.Err() == nil; next = next.Add(time.Millisecond) {
		time.Sleep(time.Until(next))
		f := wire.Frame{Columns: columns, Seq: seq, Tick: uint64(seq) * 100, Counts: make([]int32, rows*columns)}
		level := s.level.Load()
		for i := range f.Counts {
			f.Counts[i] = level + int32(i*7%5)
			if i%columns == 1 && level < 20000 { // the second transducer is a current loop: its zero lies higher
				f.Counts[i] += 5333
			}
		}
		seq += rows
		buf, _ = wire.AppendFrame(buf[:0], &f)
		if level > 20000 && s.high.CompareAndSwap(false, true) {
			s.sent.Store(time.Now().UnixNano())
		}
		s.frames.Write(buf)
	}
}

// serve answers coil writes and coil reads as a Modbus slave would.
func (s *standIn) serve(f *os.File) {
	buf := make([]byte, 256)
	var in []byte
	for {
		n, err := f.Read(buf)
		if err != nil {
			return
		}
		at := time.Now()
		in = append(in, buf[:n]...)
		for len(in) >= 8 {
			q := in[:8]
			in = in[8:]
			s.answer(f, q, at)
		}
	}
}

func (s *standIn) answer(f *os.File, q []byte, at time.Time) {
	address := int(binary.BigEndian.Uint16(q[2:]))
	switch q[1] {
	case 5:
		on := q[4] == 0xff
		if address < len(s.coils) {
			s.coils[address].Store(on)
		}
		f.Write(q)
		if address == 0 && !on && s.high.Load() {
			s.shut <- at
		} else if address == 0 && on {
			s.open <- struct{}{}
		}
	case 1:
		n := int(binary.BigEndian.Uint16(q[4:]))
		p := make([]byte, 3+(n+7)/8)
		p[0], p[1], p[2] = q[0], q[1], byte((n+7)/8)
		for i := range n {
			if s.coils[(address+i)%len(s.coils)].Load() {
				p[3+i/8] |= 1 << (i % 8)
			}
		}
		f.Write(binary.LittleEndian.AppendUint16(p, wire.CRC16(p)))
	}
}

// trip brings the bench under test, sends pressures beyond the limit, and
// returns how long the coil write took.
func (s *standIn) trip(b *testing.B) time.Duration {
	b.Helper()
	ctx := context.Background()
	for len(s.open) > 0 {
		<-s.open
	}
	for _, verb := range []string{"make-safe", "end", "reset", "acknowledge", "arm", "pressurise"} {
		if err := s.try(ctx, verb); err != nil && verb != "end" {
			b.Fatalf("%s: %v", verb, err)
		}
	}
	select {
	case <-s.open:
	case <-time.After(5 * time.Second):
		b.Fatal("the supply coil was not written on")
	}
	time.Sleep(50 * time.Millisecond)
	s.level.Store(31000) // about 58 bar
	var took time.Duration
	select {
	case at := <-s.shut:
		took = time.Duration(at.UnixNano() - s.sent.Load())
	case <-time.After(5 * time.Second):
		b.Fatal("the supply coil was not written off")
	}
	s.level.Store(5333)
	time.Sleep(20 * time.Millisecond)
	s.high.Store(false)
	return took
}

// try gives a command, for up to two seconds while the bench is not yet ready
// for it.
func (s *standIn) try(ctx context.Context, verb string) error {
	var err error
	for end := time.Now().Add(2 * time.Second); time.Now().Before(end); time.Sleep(20 * time.Millisecond) {
		if _, err = s.d.command(ctx, daq.Command{Verb: verb, Who: "bench", Args: map[string]string{"specimen": "B-0410-01"}}); err == nil || verb == "end" {
			return nil
		}
	}
	return fmt.Errorf("%s: %w", verb, err)
}
