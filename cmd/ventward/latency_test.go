package main

import (
	"context"
	"encoding/binary"
	"fmt"
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
	"ventward/guard"
	"ventward/store"
)

// BenchmarkDemand is the way from a frame's bytes written to a terminal to the
// bytes of the coil write that shuts the supply on another: read, decode,
// stamp, condition, watch, judge, demand, line. Figures are of this machine
// under whatever load it has; on a bench the serial line's own time comes on
// top. A poll of the outputs' line may be in flight: its time is in them.
//
// idle is one line of four channels and one rule. loaded is 64 channels at
// 10 kHz over seven lines, 200 rules, a disk that is full at the moment of the
// trip, a database that takes connections and never answers, and 50 viewers
// that read nothing; fewer channels tell what a machine does that 64 are too
// many for. p99-ratio is what a load costs. All take turns, so that whatever
// else the machine does meets each of them. The stand-in for the instruments is
// in this process and takes its part of the processors; lost-% tells whether
// what was sent was carried. bare is the way through two terminals with
// nothing between them, at the same moment: what the machine itself takes.
func BenchmarkDemand(b *testing.B) {
	loads := []*demands{{name: "idle"}, {name: "loaded-64", lines: 6}, {name: "loaded-34", lines: 3}, {name: "loaded-14", lines: 1}}
	for range demandRounds {
		for _, d := range loads {
			d.round(b)
		}
	}
	for _, d := range loads {
		b.Run(d.name, func(b *testing.B) { d.report(b, loads[0]) })
	}
}

// standIn is a daemon in this process with terminals: frames go in at some,
// coils are written at another.
type standIn struct {
	d      *daemon
	feeds  []*feed
	level  atomic.Int32 // counts of the pressure columns
	shut   chan time.Time
	ended  chan error
	open   chan struct{}
	sent   atomic.Int64 // when the first frame at the high level was written
	high   atomic.Bool
	mute   atomic.Bool  // nothing is sent
	early  atomic.Int64 // how often the supply was written off before it was asked for
	coils  [16]atomic.Bool
	welded atomic.Bool // the supply's coil stays as it is, whatever is written
	wg     sync.WaitGroup
	stop   context.CancelFunc
	fill   func() (empty func()) // takes the disk's room while a trip is measured; nil: it has room
	phase  int                   // of the next trip
	bare   *bareWay
	spent  [2]atomic.Int64 // processor time of the two threads that stand in for instruments, ns
	before time.Duration   // how long a command may wait until the bench is ready for it
}

func newStandIn(b testing.TB) *standIn {
	bench := exampleBench(b)
	return standInFor(b, bench, daemonOptions{Bench: bench}, b.TempDir(), 0)
}

// standInFor is a stand-in with further lines of loadColumns channels each, and
// with rules beside the limit.
func standInFor(b testing.TB, bench *config.Bench, o daemonOptions, dir string, more int, rules ...guard.Rule) *standIn {
	b.Helper()
	s := &standIn{shut: make(chan time.Time, 64), open: make(chan struct{}, 64), ended: make(chan error, 1), before: 10 * time.Second}
	s.level.Store(5333) // about 10 bar
	relay, relaySlave := terminalPair(b)
	slaves := []*os.File{relaySlave}
	for i := range more + 1 {
		m, slave := terminalPair(b)
		slaves = append(slaves, slave)
		f := &feed{to: m, fd: int(m.Fd()), columns: loadColumns}
		if err := unix.SetNonblock(f.fd, true); err != nil {
			b.Fatal(err)
		}
		if i == 0 {
			keepInstruments(bench, slave.Name(), relaySlave.Name())
			bench.Guard.Rules = append(bench.Guard.Rules, rules...)
			f.columns = bench.Instruments[0].Columns
		} else {
			addLine(bench, fmt.Sprintf("more%d", i), slave.Name(), 1+(loadRules-1)*i/more)
		}
		s.feeds = append(s.feeds, f)
	}
	st, err := store.Open(dir, store.Options{})
	if err != nil {
		b.Fatal(err)
	}
	o.Store, o.Time, o.Simulated, o.Log = st, machineTime(), true, zerolog.Nop()
	if s.d, err = newDaemon(o); err != nil {
		b.Fatal(err)
	}
	ctx, stop := context.WithCancel(context.Background())
	s.stop, s.bare = stop, newBareWay(b)
	for _, f := range []func(){func() { s.play(ctx) }, func() { s.serve(relay) }, s.bare.relay, s.bare.watch, func() { s.ended <- s.d.run(ctx) }} {
		s.wg.Add(1)
		go func() { defer s.wg.Done(); f() }()
	}
	b.Cleanup(func() {
		stop()
		<-s.ended
		for _, f := range slaves { // frees the readers of the other ends
			f.Close()
		}
		for _, f := range s.feeds {
			f.to.Close()
		}
		relay.Close()
		s.bare.close()
		s.wg.Wait()
		s.bare.end()
		st.Close()
	})
	return s
}

// lost is how many rows the daemon counted as lost, spoilt or refused.
func (s *standIn) lost() (n uint64) {
	for _, ln := range s.d.lines {
		c := ln.health().counters
		n += c.LostRows + c.Refused + c.Bad
	}
	return n
}

// state tells in short how the daemon is.
func (s *standIn) state() string {
	st := s.d.loop.status.Load()
	if st == nil {
		return "it has told nothing yet"
	}
	text := fmt.Sprintf("%s, loop %.3g s late, %d rows lost; record: %q, %d entries lost", st.Phase, st.LoopLagS, s.lost(), st.Record.Error, st.Record.Lost)
	for _, t := range st.Trips {
		if t.Tripped {
			text += fmt.Sprintf("; %s tripped", t.Rule)
			break
		}
	}
	for _, f := range s.feeds {
		text += fmt.Sprintf("; %d blocks unsent", f.unsent.Load())
	}
	for _, c := range st.Sensors[:2] {
		if c.Value != nil {
			text += fmt.Sprintf("; %s %.3g Pa, %.3g s old, %s", c.Name, *c.Value, c.AgeS, c.Quality)
		}
	}
	return text
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
	b.Guard.Rules, b.Guard.Arming = slices.Clone(b.Guard.Rules[:1]), nil
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

// A feed is the stand-in of a converter that sends rows at 10 kHz.
type feed struct {
	to      *os.File
	fd      int // its
	columns int
	row     uint32
	counts  []int32
	low     []byte        // the next block as it is
	high    []byte        // and with the pressures beyond the limit
	unsent  atomic.Uint64 // blocks for which the terminal had no room
}

// send writes a block as a device does: what nobody reads in time is lost. A
// File's Write would wait for room.
func (f *feed) send(block []byte) {
	if n, err := unix.Write(f.fd, block); err != nil || n < len(block) {
		f.unsent.Add(1)
	}
}

// What is sent at once: some milliseconds, as the driver of a converter behind
// USB would bring it. A terminal takes no more than 8 kB at once.
const (
	blockRows = 50
	blockTime = blockRows * 100 * time.Microsecond
	frameRows = 25
)

// prepare makes the next block, so that nothing but a write is left when its
// time has come.
func (f *feed) prepare(level int32) {
	f.low, f.high = f.block(f.low[:0], level), f.block(f.high[:0], 31000) // about 58 bar
	f.row += blockRows
}

func (f *feed) block(buf []byte, level int32) []byte {
	if f.counts == nil {
		f.counts = make([]int32, frameRows*f.columns)
	}
	for row := f.row; row < f.row+blockRows; row += frameRows {
		for i := range f.counts {
			f.counts[i] = level + int32((i*7+int(row))%5)
			if i%f.columns == 1 && level < 20000 { // the second transducer is a current loop: its zero lies higher
				f.counts[i] += 5333
			}
		}
		buf, _ = wire.AppendFrame(buf, &wire.Frame{Columns: f.columns, Seq: row, Tick: uint64(row) * 100, Counts: f.counts})
	}
	return buf
}

// play sends a block on every line each 5 ms of one clock. Only the first line
// carries the pressures that trip; whose turn is first goes round.
func (s *standIn) play(ctx context.Context) {
	_ = foremost.take() // a device doesn't wait for a processor
	began := time.Now()
	for n := 0; ctx.Err() == nil; n++ {
		for _, f := range s.feeds {
			f.prepare(5333)
		}
		time.Sleep(time.Until(began.Add(time.Duration(n) * blockTime)))
		s.spent[0].Store(threadTime())
		for i := range s.feeds {
			if s.mute.Load() {
				break
			}
			k := (i + n) % len(s.feeds)
			f := s.feeds[k]
			block := f.low
			if k == 0 && s.level.Load() > 20000 {
				block = f.high
				if s.high.CompareAndSwap(false, true) {
					s.sent.Store(time.Now().UnixNano())
					s.bare.send()
				}
			}
			f.send(block)
		}
	}
}

// serve answers coil writes and coil reads as a Modbus slave would.
func (s *standIn) serve(f *os.File) {
	_ = foremost.take()
	var in []byte
	eachRead(blocking(f), func(p []byte) {
		at := time.Now()
		in = append(in, p...)
		for len(in) >= 8 {
			q := in[:8]
			in = in[8:]
			s.answer(f, q, at)
		}
		s.spent[1].Store(threadTime())
	})
}

func (s *standIn) answer(f *os.File, q []byte, at time.Time) {
	address := int(binary.BigEndian.Uint16(q[2:]))
	switch q[1] {
	case 5:
		on := q[4] == 0xff
		if address == 0 && !on && s.coils[0].Load() && !s.high.Load() {
			s.early.Add(1)
		}
		if address < len(s.coils) && !(s.welded.Load() && address == 0) {
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
// returns how long the coil write took. A test that something else ended first,
// as a stand-in that had no processor does, is begun again.
func (s *standIn) trip(b testing.TB) time.Duration {
	b.Helper()
	for range 20 {
		if took, ok := s.once(b); ok {
			return took
		}
	}
	b.Fatalf("tests end before the trip: %s", s.state())
	return 0
}

func (s *standIn) once(b testing.TB) (took time.Duration, ok bool) {
	b.Helper()
	for len(s.open) > 0 {
		<-s.open
	}
	s.ready(b)
	select {
	case <-s.open:
	case <-time.After(5 * time.Second):
		b.Fatalf("the supply coil was not written on: %s", s.state())
	}
	early := s.early.Load()
	if s.fill != nil {
		defer s.fill()()
	}
	// At any moment of the poll and of the ticks: a fixed wait would always meet
	// them at the same one.
	time.Sleep(40*time.Millisecond + time.Duration(s.phase)*1300*time.Microsecond)
	s.phase = (s.phase + 7) % 30
	if s.early.Load() != early {
		return 0, false
	}
	defer s.high.Store(false)
	defer time.Sleep(20 * time.Millisecond)
	defer s.level.Store(5333)
	s.level.Store(31000) // about 58 bar
	select {
	case at := <-s.shut:
		s.bare.await(b, s.sent.Load())
		return time.Duration(at.UnixNano() - s.sent.Load()), true
	case <-time.After(5 * time.Second):
		b.Fatalf("the supply coil was not written off: %s", s.state())
	}
	return 0, false
}

// ready brings the bench under test, for some seconds while it is not yet
// prepared for that.
func (s *standIn) ready(b testing.TB) {
	b.Helper()
	var err error
	for end := time.Now().Add(s.before); time.Now().Before(end); time.Sleep(20 * time.Millisecond) {
		for _, verb := range []string{"make-safe", "end", "reset", "acknowledge", "arm", "pressurise"} {
			_, err = s.d.command(b.Context(), daq.Command{Verb: verb, Who: "bench", Args: map[string]string{"specimen": "B-0410-01", "override": "the stand-in never opens"}})
			if err != nil && verb != "end" {
				err = fmt.Errorf("%s: %w", verb, err)
				break
			}
		}
		if err == nil {
			return
		}
	}
	b.Fatalf("%v: %s", err, s.state())
}
