package sim

import (
	"encoding/binary"
	"fmt"
	"math"
	"math/rand/v2"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"ventward/daq"
	"ventward/daq/wire"
)

// testSlave is a slave whose quantities and outputs are plain variables.
func testSlave() (*slave, []float64, []bool) {
	o := &wire.ModbusOptions{Baud: 115200, PollS: 0.1, TimeoutS: 0.1, QuarantineS: 0.1,
		Registers: []wire.Register{
			{Unit: 1, Function: 4, Address: 0, Type: "f32", Order: "ABCD"},
			{Unit: 1, Function: 4, Address: 2, Type: "f32", Order: "CDAB"},
			{Unit: 1, Function: 4, Address: 4, Type: "f32", Order: "BADC"},
			{Unit: 1, Function: 4, Address: 6, Type: "f32", Order: "DCBA"},
			{Unit: 1, Function: 4, Address: 8, Type: "u16"},
			{Unit: 1, Function: 4, Address: 9, Type: "i16"},
			{Unit: 1, Function: 4, Address: 10, Type: "i32"},
			{Unit: 1, Function: 2, Address: 0, Type: "bit"},
		},
		Coils: []wire.Coil{{Unit: 2, Address: 0, Output: 0}, {Unit: 2, Address: 1, Output: 1}, {Unit: 2, Address: 20, Output: 2, Function: 6}},
	}
	v := []float64{1.5, 1.5, 1.5, 1.5, 70000, -2.4, -3, 1}
	on := make([]bool, 3)
	s := newSlave(o)
	s.value = func(i int) float64 { return v[i] }
	s.output = func(i int) bool { return on[i] }
	s.setOutput = func(i int, x bool) { on[i] = x }
	return s, v, on
}

// TestSlaveLibmodbus asks the slave from a master on Debian's libmodbus, which
// shares nothing with this project. 1.5 is 3fc00000 (IEEE 754); the orders are
// of its bytes A B C D.
func TestSlaveLibmodbus(t *testing.T) {
	bin := filepath.Join(t.TempDir(), "master")
	if out, err := exec.Command("cc", "-o", bin, "testdata/master.c", "-I/usr/include/modbus", "-lmodbus").CombinedOutput(); err != nil {
		t.Fatalf("the test's Modbus master can't be built (%v): install gcc and libmodbus-dev\n%s", err, out)
	}
	term, err := openTerminal("slave", "")
	if err != nil {
		t.Fatal(err)
	}
	defer term.close()
	s, _, _ := testSlave()
	stop, stopped := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(stopped)
		buf := make([]byte, 512)
		for begin := time.Now(); ; time.Sleep(time.Millisecond) {
			select {
			case <-stop:
				return
			default:
			}
			if a := s.take(term.receive(buf), time.Since(begin).Seconds()); a != nil {
				term.send(a, 0)
			}
			term.flush()
		}
	}()
	out, err := exec.Command(bin, term.path).CombinedOutput()
	close(stop)
	<-stopped
	if err != nil {
		t.Fatalf("master: %v\n%s", err, out)
	}
	want := `orders: 3fc0 0000 0000 3fc0 c03f 0000 0000 c03f
narrow: ffff fffe ffff fffd
no such address: Illegal data address
discrete: 1
coils off: 0 0
write coil: 1
coils: 1 0
write coils: 2
coils: 0 1
write coil 9: Illegal data address
write word: 1
write words: 2
words: beef 0102 fffe
switch word: 1
switch word: 0001
switch word to 2: Illegal data value
absent unit: Connection timed out
`
	if string(out) != want {
		t.Errorf("the master saw\n%swant\n%s", out, want)
	}
}

// request is a Modbus request with its CRC.
func request(b ...byte) []byte { return binary.LittleEndian.AppendUint16(b, crc16(b)) }

// TestSlaveSilent: what a slave must not answer, and that it goes on after.
func TestSlaveSilent(t *testing.T) {
	good := request(1, 4, 0, 8, 0, 1)
	bad := append([]byte(nil), good...)
	bad[7] ^= 1
	for _, c := range []struct {
		name string
		p    []byte
	}{
		{"bad CRC", bad},
		{"another unit", request(9, 4, 0, 8, 0, 1)},
		{"half a request", good[:5]},
		{"broadcast", request(0, 5, 0, 0, 0xff, 0)},
	} {
		s, _, on := testSlave()
		if a := s.take(c.p, 0); a != nil {
			t.Errorf("%s: answered % x", c.name, a)
		}
		s.take(nil, 0.1) // silence: what was half is thrown away
		if a := s.take(good, 0.2); len(a) != 7 {
			t.Errorf("%s: the next request was answered % x", c.name, a)
		}
		if c.name == "broadcast" && !on[0] {
			t.Error("the broadcast did not switch the output")
		}
	}
	s, _, _ := testSlave()
	s.broken = true
	if a := s.take(good, 0); len(a) != 5 || a[1] != 0x84 || a[2] != deviceFailure {
		t.Errorf("a broken device answered % x", a)
	}
	if a := s.take(request(1, 7, 0, 0, 0, 0), 1); len(a) != 5 || a[2] != deviceFailure && a[2] != illegalFunction {
		t.Errorf("function 7 was answered % x", a)
	}
}

// TestSlaveAgainstAsker drives the slave by the project's own master in
// simulated time: values, outputs and read-backs arrive.
func TestSlaveAgainstAsker(t *testing.T) {
	s, v, on := testSlave()
	m, err := wire.NewModbus(*s.opts, daq.Instrument{Name: "x", Protocol: "modbus", Columns: len(v), RateHz: 10, Polled: true}, 0)
	if err != nil {
		t.Fatal(err)
	}
	m.Reset(0)
	m.Demand(daq.Demand{Output: 0, On: true, Serial: 1})
	confirmed, rows := false, 0
	for now := int64(0); now < 2e9; now += 1e6 {
		send, _ := m.Next(now)
		if send != nil {
			m.Sent(now, nil)
			if a := s.take(send, float64(now)*1e-9); a != nil {
				m.Feed(a, now+5e5)
			}
		} else {
			s.take(nil, float64(now)*1e-9)
		}
		batches, backs := m.Take()
		for _, b := range batches {
			rows += b.K
			for c, want := range []float64{1.5, 1.5, 1.5, 1.5, 65535, -2, -3, 1} {
				if got := b.Raw(0, c); got != want {
					t.Errorf("column %d is %g, want %g", c, got, want)
				}
			}
		}
		for _, r := range backs {
			confirmed = confirmed || r.Output == 0 && r.State == daq.OutputOn && r.Serial == 1
		}
	}
	if !on[0] || !confirmed || rows < 10 {
		t.Errorf("output %v, read back %v, %d rows", on[0], confirmed, rows)
	}
}

// FuzzSlave: whatever comes, the slave stays within its memory, answers only
// with good checksums, and a good request after a silence is answered.
func FuzzSlave(f *testing.F) {
	f.Add([]byte{1, 4, 0, 0, 0, 4, 0xf1, 0xc9})
	f.Add(request(2, 15, 0, 0, 0, 2, 1, 3))
	f.Add(request(2, 16, 0, 5, 0, 2, 4, 1, 2, 3, 4))
	f.Add([]byte{1, 16, 0, 0, 0, 0xff, 0xff})
	f.Fuzz(func(t *testing.T, p []byte) {
		s, _, _ := testSlave()
		for i := 0; i < len(p); i += 7 {
			a := s.take(p[i:min(len(p), i+7)], float64(i)*1e-4)
			if len(s.buf) > s.maxBuffer {
				t.Fatalf("%d bytes are kept", len(s.buf))
			}
			if len(a) > 0 && len(a) < 5 {
				t.Fatalf("answer % x", a)
			}
		}
		s.take(nil, 1e3)
		if a := s.take(request(1, 4, 0, 8, 0, 1), 1e3+1); len(a) != 7 {
			t.Fatalf("after % x and a silence a good request is answered % x", p, a)
		}
	})
}

// TestSlaveResync cuts good requests into pieces and mixes noise between them.
func TestSlaveResync(t *testing.T) {
	const seed = 4
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	s, _, _ := testSlave()
	now := 0.0
	for trial := range 500 {
		if rng.IntN(3) == 0 {
			noise := make([]byte, 1+rng.IntN(20))
			for i := range noise {
				noise[i] = byte(rng.Uint32())
			}
			s.take(noise, now)
			now += 0.05
		}
		good := request(1, 4, 0, 8, 0, 1)
		cut := rng.IntN(len(good))
		a := s.take(good[:cut], now)
		a = append(a, s.take(good[cut:], now+1e-3)...)
		if len(a) != 7 {
			t.Fatalf("trial %d: answer % x", trial, a)
		}
		now += 0.05
	}
}

func TestWordsRound(t *testing.T) {
	for _, c := range []struct {
		kind string
		v    float64
		want string
	}{
		{"u16", 1.6, "[2 0]"}, {"u16", -3, "[0 0]"}, {"i16", -1, "[65535 0]"}, {"i16", 1e6, "[32767 0]"},
		{"u32", 4294967295, "[65535 65535]"}, {"i32", -2, "[65535 65534]"}, {"f32", math.Inf(1), "[32640 0]"}, {"bit", 1, "[1 0]"},
	} {
		if got := fmt.Sprint(words(wire.Register{Type: c.kind}, c.v)); got != c.want {
			t.Errorf("%s of %g is %s, want %s", c.kind, c.v, got, c.want)
		}
	}
	if strings.Contains(fmt.Sprint(words(wire.Register{Type: "f32"}, math.NaN())), "[0 0]") {
		t.Error("NaN becomes zero")
	}
}
