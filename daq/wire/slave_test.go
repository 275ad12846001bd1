package wire_test

import (
	"bufio"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/creack/pty"

	"ventward/daq"
	"ventward/daq/port"
	"ventward/daq/wire"
)

// The master against an independent slave, a small C program on libmodbus, over
// real pseudo-terminals and the serial library: master - Link - terminal A -
// cable - terminal B - libmodbus.

const patience = 20 * time.Second // for what must happen; no test waits for it to pass

// slaveBinary builds the slave once.
var slaveBinary = sync.OnceValues(func() (string, error) {
	dir, err := os.MkdirTemp("", "slave")
	if err != nil {
		return "", err
	}
	bin := filepath.Join(dir, "slave")
	out, err := exec.Command("cc", "-O1", "-Wall", "-o", bin, "../../testdata/slave/slave.c", "-I/usr/include/modbus", "-lmodbus").CombinedOutput()
	if err != nil {
		return dir, &buildError{string(out), err}
	}
	return bin, nil
})

type buildError struct {
	out string
	err error
}

func (e *buildError) Error() string {
	return "can't build testdata/slave/slave.c: install gcc and libmodbus-dev (apt-get install gcc libmodbus-dev): " + e.err.Error() + "\n" + e.out
}

func TestMain(m *testing.M) {
	code := m.Run()
	if bin, _ := slaveBinary(); bin != "" { // built or not, its folder goes
		os.RemoveAll(strings.TrimSuffix(bin, "/slave"))
	}
	os.Exit(code)
}

// A cable joins two pseudo-terminals and can damage what passes.
type cable struct {
	near, far string // the slaves' paths
	masters   [2]*os.File

	mu     sync.Mutex
	damage func(p []byte) []byte // of what comes from the far end
}

func (c *cable) setDamage(f func([]byte) []byte) {
	c.mu.Lock()
	c.damage = f
	c.mu.Unlock()
}

func newCable(t *testing.T) *cable {
	t.Helper()
	c := &cable{}
	for i, path := range []*string{&c.near, &c.far} {
		m, s, err := pty.Open()
		if err != nil {
			t.Fatal(err)
		}
		c.masters[i], *path = m, s.Name()
		t.Cleanup(func() { m.Close(); s.Close() })
	}
	pass := func(from, to *os.File, far bool) {
		buf := make([]byte, 512)
		for {
			n, err := from.Read(buf)
			if err != nil {
				return
			}
			p := buf[:n]
			c.mu.Lock()
			if far && c.damage != nil {
				p = c.damage(p)
			}
			c.mu.Unlock()
			to.Write(p)
		}
	}
	go pass(c.masters[0], c.masters[1], false)
	go pass(c.masters[1], c.masters[0], true)
	return c
}

// unplug makes the near end's device go away.
func (c *cable) unplug() { c.masters[0].Close() }

func startSlave(t *testing.T, device string, unit string) {
	t.Helper()
	bin, err := slaveBinary()
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(bin, device, "115200", unit)
	cmd.Stderr = os.Stderr
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { cmd.Process.Kill(); cmd.Wait() })
	if line, err := bufio.NewReader(out).ReadString('\n'); err != nil || line != "ready\n" {
		t.Fatalf("the slave says %q (%v)", line, err)
	}
}

// A station drives a master over a Link as a daemon does: one goroutine owns
// the master; the Link's reader hands it bytes.
type station struct {
	t      *testing.T
	link   *port.Link
	m      daq.Asker
	in     chan received
	demand chan daq.Demand
	reset  chan struct{}
	opened chan struct{} // closed when the master knows that the port is open
	wakes  chan struct{}
	stop   chan struct{}
	done   chan struct{}

	mu        sync.Mutex
	rows      []*daq.Batch
	readbacks []daq.Readback
	counters  daq.Counters
}

type received struct {
	p  []byte
	at int64
}

var epoch = time.Now()

func now() int64 { return int64(time.Since(epoch)) }

func (s *station) Up()        { s.reset <- struct{}{} }
func (s *station) Down(error) { s.reset <- struct{}{} }
func (s *station) Bytes(p []byte, at int64) {
	s.in <- received{slices.Clone(p), at}
}

func newStation(t *testing.T, path string, o wire.ModbusOptions) *station {
	t.Helper()
	m, err := wire.NewModbus(o, daq.Instrument{Port: daq.Port{Baud: 115200}}, 0)
	if err != nil {
		t.Fatal(err)
	}
	return drive(t, path, m)
}

// drive opens the port at path and drives the asker over it.
func drive(t *testing.T, path string, m daq.Asker) *station {
	t.Helper()
	s := &station{t: t, m: m, in: make(chan received, 256), demand: make(chan daq.Demand, 16), reset: make(chan struct{}, 16), opened: make(chan struct{}), wakes: make(chan struct{}, 1), stop: make(chan struct{}), done: make(chan struct{})}
	var err error
	s.link, err = port.Open(port.Options{Path: path, Baud: 115200, Now: now, LockDir: t.TempDir()}, s)
	if err != nil {
		t.Fatal(err)
	}
	go s.run()
	t.Cleanup(func() {
		close(s.stop)
		<-s.done
		s.link.Close()
	})
	<-s.opened
	return s
}

func (s *station) run() {
	defer close(s.done)
	<-s.reset
	s.m.Reset(now())
	close(s.opened)
	for {
		send, again := s.m.Next(now())
		if send != nil {
			s.m.Sent(now(), s.link.Write(send))
		}
		b, r := s.m.Take()
		s.mu.Lock()
		s.rows, s.readbacks, s.counters = append(s.rows, b...), append(s.readbacks, r...), s.m.Counters()
		s.mu.Unlock()
		if len(b)+len(r) > 0 {
			select {
			case s.wakes <- struct{}{}:
			default:
			}
		}
		timer := time.NewTimer(time.Duration(max(0, again-now())))
		select {
		case <-timer.C:
		case x := <-s.in:
			s.m.Feed(x.p, x.at)
		case d := <-s.demand:
			s.m.Demand(d)
		case <-s.reset:
			s.m.Reset(now())
		case <-s.stop:
			timer.Stop()
			return
		}
		timer.Stop()
	}
}

// await waits until ok is true of what came since the last await.
func (s *station) await(what string, ok func(rows []*daq.Batch, r []daq.Readback, c daq.Counters) bool) {
	s.t.Helper()
	end := time.After(patience)
	for {
		s.mu.Lock()
		good := ok(s.rows, s.readbacks, s.counters)
		rows, rb, c := len(s.rows), s.readbacks, s.counters
		s.mu.Unlock()
		if good {
			return
		}
		select {
		case <-s.wakes:
		case <-time.After(20 * time.Millisecond):
		case <-end:
			s.t.Fatalf("%s: not seen; %d rows, %+v, %+v", what, rows, rb[max(0, len(rb)-6):], c)
		}
	}
}

func (s *station) count() daq.Counters {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.counters
}

// forget drops what came so far.
func (s *station) forget() {
	s.mu.Lock()
	s.rows, s.readbacks = nil, nil
	s.mu.Unlock()
}

func floats(t0 string) wire.ModbusOptions {
	o := wire.ModbusOptions{PollS: 0.02, TimeoutS: 0.3, QuarantineS: 0.05}
	for i, order := range []string{"ABCD", "CDAB", "BADC", "DCBA"} {
		o.Registers = append(o.Registers, wire.Register{Unit: 1, Function: 3, Address: 2 * i, Type: t0, Order: order})
	}
	return o
}

func TestSlaveFloats(t *testing.T) {
	c := newCable(t)
	startSlave(t, c.far, "1")
	o := floats("f32")
	o.TimeoutS = 8 // that every answer comes is the test, not how soon on a busy machine
	o.Registers = append(o.Registers,
		wire.Register{Unit: 1, Function: 3, Address: 8, Type: "u16"}, wire.Register{Unit: 1, Function: 3, Address: 9, Type: "i16"},
		wire.Register{Unit: 1, Function: 4, Address: 3, Type: "u16"}, wire.Register{Unit: 1, Function: 2, Address: 5, Type: "bit"},
		wire.Register{Unit: 1, Function: 2, Address: 4, Type: "bit"}, wire.Register{Unit: 1, Function: 1, Address: 0, Type: "bit"})
	s := newStation(t, c.near, o)
	s.await("ten rows", func(rows []*daq.Batch, _ []daq.Readback, _ daq.Counters) bool { return len(rows) >= 10 })
	s.mu.Lock()
	defer s.mu.Unlock()
	want := []float64{float64(float32(12.3456)), -0.5, float64(float32(101.325)), float64(float32(1e-6)), 0x8001, -2, 4711, 1, 0, 0}
	last := int64(0)
	for _, b := range s.rows {
		if !slices.Equal(b.Floats, want) {
			t.Fatalf("read %v, want %v", b.Floats, want)
		}
		if b.HalfTrip <= 0 || b.Arrived <= last {
			t.Fatalf("row at %d +- %d after %d", b.Arrived, b.HalfTrip, last)
		}
		last = b.Arrived
	}
	if s.counters.Bad+s.counters.Timeouts+s.counters.Exception != 0 {
		t.Fatalf("%+v", s.counters)
	}
}

// Whole numbers of 32 bits in all four word orders, written by hand into the
// slave's registers: 0x12345678 and 0xFEDCBA98 (-19088744 as i32).
func TestSlaveWordOrders(t *testing.T) {
	c := newCable(t)
	startSlave(t, c.far, "1")
	o := wire.ModbusOptions{PollS: 0.02, TimeoutS: 0.3, QuarantineS: 0.05}
	for i, order := range []string{"ABCD", "CDAB", "BADC", "DCBA"} {
		for k, kind := range []string{"u32", "i32"} {
			o.Registers = append(o.Registers, wire.Register{Unit: 1, Function: 3, Address: 20 + 4*i + 2*k, Type: kind, Order: order})
		}
	}
	for i := range 8 { // a run of discrete inputs and of input registers, one request each
		o.Registers = append(o.Registers, wire.Register{Unit: 1, Function: 2, Address: i, Type: "bit"}, wire.Register{Unit: 1, Function: 4, Address: i, Type: "i16"})
	}
	s := newStation(t, c.near, o)
	s.await("rows", func(rows []*daq.Batch, _ []daq.Readback, _ daq.Counters) bool { return len(rows) >= 5 })
	s.mu.Lock()
	defer s.mu.Unlock()
	want := []float64{0x12345678, -19088744, 0x12345678, -19088744, 0x12345678, -19088744, 0x12345678, -19088744}
	for i := range 8 {
		bit, reg := 0.0, 0.0
		if i == 5 {
			bit = 1
		}
		if i == 3 {
			reg = 4711
		}
		want = append(want, bit, reg)
	}
	for _, b := range s.rows {
		if !slices.Equal(b.Floats, want) {
			t.Fatalf("read %v, want %v", b.Floats, want)
		}
	}
	if s.counters.Bad+s.counters.Timeouts+s.counters.Exception != 0 {
		t.Fatalf("%+v", s.counters)
	}
}

func TestSlaveOutputs(t *testing.T) {
	c := newCable(t)
	startSlave(t, c.far, "1")
	s := newStation(t, c.near, wire.ModbusOptions{TimeoutS: 0.3, QuarantineS: 0.05, VerifyS: 0.05, Coils: []wire.Coil{
		{Unit: 1, Address: 2, Output: 0}, {Unit: 1, Address: 3, Output: 1, Function: 15}, {Unit: 1, Address: 30, Output: 2, Function: 6},
		{Unit: 1, Address: 31, Output: 3, Function: 16}, {Unit: 1, Address: 4, Output: 4, Heartbeat: true}}})
	for serial := uint64(1); serial <= 4; serial++ {
		on := serial%2 == 1
		want := daq.OutputOff
		if on {
			want = daq.OutputOn
		}
		for out := range 5 {
			s.demand <- daq.Demand{Output: out, On: on, Serial: serial}
		}
		for out := range 5 {
			s.await("read-back", func(_ []*daq.Batch, rs []daq.Readback, _ daq.Counters) bool {
				return slices.ContainsFunc(rs, func(r daq.Readback) bool { return r.Output == out && r.Serial == serial && r.State == want })
			})
		}
	}
	s.await("verification", func(_ []*daq.Batch, rs []daq.Readback, _ daq.Counters) bool { return len(rs) > 60 })
}

func TestSlaveException(t *testing.T) {
	c := newCable(t)
	startSlave(t, c.far, "1")
	o := floats("f32")
	o.Registers = append(o.Registers, wire.Register{Unit: 1, Function: 3, Address: 500, Type: "u16"})
	s := newStation(t, c.near, o)
	s.await("exceptions", func(_ []*daq.Batch, _ []daq.Readback, n daq.Counters) bool { return n.Exception >= 3 })
	s.await("rows", func(rows []*daq.Batch, _ []daq.Readback, _ daq.Counters) bool {
		return len(rows) >= 3 && rows[2].Floats[1] == -0.5 && math.IsNaN(rows[2].Floats[4])
	})
}

// A request for a unit that isn't there. (It has the line to itself: libmodbus
// takes the request after that for the absent unit's answer.)
func TestSlaveAbsentUnit(t *testing.T) {
	c := newCable(t)
	startSlave(t, c.far, "1")
	o := floats("f32")
	o.TimeoutS = 0.05
	for i := range o.Registers {
		o.Registers[i].Unit = 2
	}
	o.Coils = []wire.Coil{{Unit: 2, Address: 0, Output: 6}}
	s := newStation(t, c.near, o)
	s.demand <- daq.Demand{Output: 6, On: false, Serial: 3}
	s.await("timeouts", func(rows []*daq.Batch, rs []daq.Readback, n daq.Counters) bool {
		return n.Timeouts >= 8 && n.LostRows > 3 && len(rows) == 0 && len(rs) > 0 && rs[0].State == daq.OutputUnknown
	})
}

// An answer is held back in the cable until the register has changed. No row may
// hold the old value afterwards.
func TestSlaveLateAnswer(t *testing.T) {
	c := newCable(t)
	startSlave(t, c.far, "1")
	// The output writes 1 to the register that is also polled.
	o := wire.ModbusOptions{PollS: 0.01, TimeoutS: 0.2, QuarantineS: 1.5, VerifyS: 100,
		Registers: []wire.Register{{Unit: 1, Function: 3, Address: 40, Type: "u16"}},
		Coils:     []wire.Coil{{Unit: 1, Address: 40, Output: 0, Function: 6}}}
	s := newStation(t, c.near, o)
	s.await("rows", func(rows []*daq.Batch, _ []daq.Readback, _ daq.Counters) bool {
		return len(rows) >= 2 && rows[1].Counts[0] == 0
	})
	held := make(chan []byte, 16)
	late := true
	before := s.count()
	c.setDamage(func(p []byte) []byte { // the next answer is held back in the cable
		if late && len(p) > 1 && p[1] == 3 {
			late = false
			held <- slices.Clone(p)
			return nil
		}
		return p
	})
	old := <-held
	s.demand <- daq.Demand{Output: 0, On: true, Serial: 1}
	// After the timeout, within the quarantine: the old answer arrives.
	s.await("timeout", func(_ []*daq.Batch, _ []daq.Readback, n daq.Counters) bool { return n.Timeouts > before.Timeouts })
	s.forget()
	s.in <- received{old, now()}
	s.await("new rows", func(rows []*daq.Batch, _ []daq.Readback, n daq.Counters) bool {
		return len(rows) >= 3 && n.LateReply > before.LateReply
	})
	s.mu.Lock()
	defer s.mu.Unlock()
	for i, b := range s.rows {
		if b.Counts[0] != 1 {
			t.Errorf("row %d after the write holds %d", i, b.Counts[0])
		}
	}
	if s.rows[0].Lost == 0 {
		t.Error("the lost rows are not named")
	}
}

// The slave itself answers late, each time: no row, nothing out of step.
func TestSlowSlave(t *testing.T) {
	c := newCable(t)
	startSlave(t, c.far, "1")
	o := wire.ModbusOptions{PollS: 0.01, TimeoutS: 0.03, QuarantineS: 0.25, VerifyS: 100,
		Registers: []wire.Register{{Unit: 1, Function: 3, Address: 8, Type: "u16"}}}
	fast := newStation(t, c.near, o)
	fast.await("rows", func(rows []*daq.Batch, _ []daq.Readback, _ daq.Counters) bool { return len(rows) >= 2 })
	// A write of 100 ms to the delay register, through the cable, as another
	// master would: address 60, value 100 (function 6), CRC by the codec.
	fast.mu.Lock()
	before := len(fast.rows)
	fast.mu.Unlock()
	req := []byte{1, 6, 0, 60, 0, 100}
	crc := wire.CRC16(req)
	for range 5 { // a poll may be under way: its answer and this request collide, and are repeated
		if err := fast.link.Write(append(slices.Clone(req), byte(crc), byte(crc>>8))); err != nil {
			t.Fatal(err)
		}
		time.Sleep(60 * time.Millisecond)
	}
	fast.await("late answers", func(_ []*daq.Batch, _ []daq.Readback, n daq.Counters) bool {
		return n.Timeouts >= 3 && n.LateReply >= 2
	})
	fast.mu.Lock()
	defer fast.mu.Unlock()
	for _, b := range fast.rows[before:] {
		if b.Counts[0] != 0x8001 {
			t.Errorf("read %#x", b.Counts[0])
		}
	}
}

func TestSlaveBadCRC(t *testing.T) {
	c := newCable(t)
	startSlave(t, c.far, "1")
	s := newStation(t, c.near, floats("f32"))
	n := 0
	c.setDamage(func(p []byte) []byte {
		if n++; n%3 == 0 && len(p) > 4 {
			p[4] ^= 0x10
		}
		return p
	})
	s.await("bad answers and good rows", func(rows []*daq.Batch, _ []daq.Readback, n daq.Counters) bool { return n.Bad >= 5 && len(rows) >= 10 })
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, b := range s.rows {
		if b.Floats[0] != float64(float32(12.3456)) || b.Floats[1] != -0.5 {
			t.Fatalf("read %v", b.Floats)
		}
	}
	if s.counters.LostRows == 0 {
		t.Fatalf("%+v", s.counters)
	}
}

// Unplugged and plugged in again: the port comes back, the outputs are unknown,
// then the newest demand is written again and read back.
func TestSlaveUnplugged(t *testing.T) {
	c := newCable(t)
	startSlave(t, c.far, "1")
	link := filepath.Join(t.TempDir(), "relay")
	if err := os.Symlink(c.near, link); err != nil {
		t.Fatal(err)
	}
	s := newStation(t, link, wire.ModbusOptions{TimeoutS: 0.3, QuarantineS: 0.05, VerifyS: 0.1, Coils: []wire.Coil{{Unit: 1, Address: 2, Output: 0}}})
	on := func(_ []*daq.Batch, rs []daq.Readback, _ daq.Counters) bool {
		return slices.ContainsFunc(rs, func(r daq.Readback) bool { return r.State == daq.OutputOn && r.Serial == 1 })
	}
	s.demand <- daq.Demand{Output: 0, On: true, Serial: 1}
	s.await("on", on)
	c2 := newCable(t)
	startSlave(t, c2.far, "1") // its coil is off
	os.Remove(link)
	if err := os.Symlink(c2.near, link); err != nil {
		t.Fatal(err)
	}
	c.unplug()
	s.await("unknown", func(_ []*daq.Batch, rs []daq.Readback, _ daq.Counters) bool {
		return slices.ContainsFunc(rs, func(r daq.Readback) bool {
			return r.State == daq.OutputUnknown && strings.Contains(r.Reason, "port went away")
		})
	})
	s.forget()
	s.await("on again", on)
}
