package wire

import (
	"encoding/binary"
	"encoding/hex"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"ventward/daq"
)

var _ daq.Asker = (*Modbus)(nil)

const ms = 1_000_000 // ns

// A reply is what the slave on the simulated line sends, and when.
type reply struct {
	p     []byte
	after int64
}

// A plant is a simulated line in simulated time: the master at one end, units
// at the other. Its slave shares no code with the master.
type plant struct {
	t         testing.TB
	m         *Modbus
	now       int64
	regs      map[int]uint16 // unit<<16 | address
	coils     map[int]bool
	dead      map[byte]bool               // units that don't answer
	alter     func(req, ans []byte) reply // what becomes of an answer
	due       []reply                     // after: absolute time
	sent      []sending
	batches   []*daq.Batch
	readbacks []daq.Readback
}

type sending struct {
	at int64
	p  []byte
}

func newPlant(t testing.TB, o ModbusOptions) *plant {
	t.Helper()
	m, err := NewModbus(o, daq.Instrument{Port: daq.Port{Baud: 115200}}, 2)
	if err != nil {
		t.Fatal(err)
	}
	return &plant{t: t, m: m, regs: map[int]uint16{}, coils: map[int]bool{}, dead: map[byte]bool{}}
}

// bitwiseCRC is the CRC of Modbus as its specification describes it, bit by bit.
func bitwiseCRC(p []byte) []byte {
	c := 0xFFFF
	for _, b := range p {
		c ^= int(b)
		for range 8 {
			if c&1 == 1 {
				c = c>>1 ^ 0xA001
			} else {
				c >>= 1
			}
		}
	}
	return append(slices.Clone(p), byte(c), byte(c>>8))
}

// serve answers a request as a slave would.
func (pl *plant) serve(req []byte) []byte {
	if !slices.Equal(bitwiseCRC(req[:len(req)-2]), req) {
		pl.t.Fatalf("request with a bad CRC: % x", req)
	}
	unit, fn := int(req[0]), req[1]
	addr, n := int(binary.BigEndian.Uint16(req[2:])), int(binary.BigEndian.Uint16(req[4:]))
	ans := []byte{req[0], fn}
	switch fn {
	case 1, 2:
		bits := make([]byte, (n+7)/8)
		for i := range n {
			if pl.coils[unit<<16|addr+i] {
				bits[i/8] |= 1 << (i % 8)
			}
		}
		ans = append(append(ans, byte(len(bits))), bits...)
	case 3, 4:
		ans = append(ans, byte(2*n))
		for i := range n {
			v, ok := pl.regs[unit<<16|addr+i]
			if !ok {
				return bitwiseCRC([]byte{req[0], fn | 0x80, 2})
			}
			ans = binary.BigEndian.AppendUint16(ans, v)
		}
	case 5:
		pl.coils[unit<<16|addr] = n == 0xFF00
		ans = append(ans, req[2:6]...)
	case 6:
		pl.regs[unit<<16|addr] = uint16(n)
		ans = append(ans, req[2:6]...)
	case 15:
		pl.coils[unit<<16|addr] = req[7]&1 != 0
		ans = append(ans, req[2:6]...)
	case 16:
		pl.regs[unit<<16|addr] = binary.BigEndian.Uint16(req[7:])
		ans = append(ans, req[2:6]...)
	default:
		pl.t.Fatalf("request % x", req)
	}
	return bitwiseCRC(ans)
}

// run lets time pass until then.
func (pl *plant) run(until int64) {
	for pl.now < until {
		send, again := pl.m.Next(pl.now)
		if send != nil {
			send = slices.Clone(send)
			pl.sent = append(pl.sent, sending{pl.now, send})
			pl.m.Sent(pl.now+ms/100, nil)
			pl.answer(send)
		} else if again <= pl.now {
			pl.t.Fatalf("at %d ns: told to call again at %d ns", pl.now, again)
		}
		next := min(again, until)
		for _, r := range pl.due {
			next = min(next, r.after)
		}
		pl.now = max(next, pl.now)
		pl.deliver()
		b, r := pl.m.Take()
		pl.batches, pl.readbacks = append(pl.batches, b...), append(pl.readbacks, r...)
	}
}

func (pl *plant) answer(req []byte) {
	if pl.dead[req[0]] {
		return
	}
	r := reply{pl.serve(req), ms}
	if pl.alter != nil {
		r = pl.alter(req, r.p)
	}
	if len(r.p) > 0 {
		pl.due = append(pl.due, reply{r.p, pl.now + r.after})
	}
}

func (pl *plant) deliver() {
	rest := pl.due[:0]
	for _, r := range pl.due {
		if r.after <= pl.now {
			pl.m.Feed(r.p, pl.now)
		} else {
			rest = append(rest, r)
		}
	}
	pl.due = rest
}

// last returns the newest read-back of an output.
func (pl *plant) last(output int) daq.Readback {
	for i := len(pl.readbacks) - 1; i >= 0; i-- {
		if pl.readbacks[i].Output == output {
			return pl.readbacks[i]
		}
	}
	pl.t.Fatalf("nothing read back of output %d", output)
	return daq.Readback{}
}

// writes returns the values written to a coil, in order.
func (pl *plant) writes(addr int) (on []bool) {
	for _, s := range pl.sent {
		if s.p[1] == 5 && int(binary.BigEndian.Uint16(s.p[2:])) == addr {
			on = append(on, s.p[4] == 0xFF)
		}
	}
	return on
}

func sensors() ModbusOptions {
	return ModbusOptions{PollS: 0.1, TimeoutS: 0.05, QuarantineS: 0.2, Registers: []Register{{Unit: 1, Function: 3, Address: 10, Type: "u16"}, {Unit: 1, Function: 3, Address: 11, Type: "i16"}}}
}

// valves has a supply valve (output 0), a dump valve (1) and a heartbeat (2) on
// unit 9, beside the sensors of unit 1.
func valves() ModbusOptions {
	o := sensors()
	o.Coils = []Coil{{Unit: 9, Address: 0, Output: 0}, {Unit: 9, Address: 1, Output: 1}, {Unit: 9, Address: 2, Output: 2, Heartbeat: true}}
	o.VerifyS = 1
	return o
}

func withSensors(pl *plant) *plant {
	pl.regs[1<<16|10], pl.regs[1<<16|11] = 50000, 0xFFFE
	return pl
}

func TestPolls(t *testing.T) {
	pl := withSensors(newPlant(t, sensors()))
	pl.run(1150 * ms) // silent for 200 ms, then a row each 100 ms
	if len(pl.batches) != 10 {
		t.Fatalf("%d batches", len(pl.batches))
	}
	if pl.sent[0].at != 200*ms {
		t.Errorf("first request after %d ns, want the quarantine's 200 ms", pl.sent[0].at)
	}
	for i, b := range pl.batches {
		if !slices.Equal(b.Counts, []int32{50000, -2}) || b.Instrument != 2 || b.K != 1 || b.N != 2 || !b.Newest || b.HasSeq || b.HasTick || b.Lost != 0 {
			t.Fatalf("%+v", b)
		}
		// Answered 1 ms after the request: the middle, with half a millisecond either way.
		if want := int64(200+100*i)*ms + ms/2; b.Arrived != want || b.HalfTrip != ms/2 {
			t.Errorf("row %d at %d +- %d, want %d", i, b.Arrived, b.HalfTrip, want)
		}
	}
	if c := pl.m.Counters(); c.Rows != 10 || c.Frames != 10 || c.LostRows != 0 || c.Timeouts != 0 {
		t.Errorf("%+v", c)
	}
}

// The published byte orders of IEEE 754 numbers (checkvalues.csv, f32.*).
func TestWordOrders(t *testing.T) {
	for _, row := range published(t, "f32.", 5) {
		var want float64
		fmt.Sscan(strings.TrimPrefix(row[0], "f32."), &want)
		for i, text := range strings.Split(row[colExpected], "|") {
			p, err := hex.DecodeString(text)
			if err != nil {
				t.Fatal(err)
			}
			r := Register{Type: "f32", Order: []string{"ABCD", "CDAB", "BADC", "DCBA"}[i]}
			if got := r.float(p, 0); got != float64(float32(want)) {
				t.Errorf("%s %s: %v, want %v (%s)", r.Order, text, got, want, row[colSource])
			}
		}
	}
}

func TestRegisterTypes(t *testing.T) {
	p := []byte{0x80, 0x01, 0xFF, 0xFE}
	for _, c := range []struct {
		r    Register
		want float64
	}{
		{Register{Type: "u16"}, 0x8001}, {Register{Type: "i16"}, -32767}, {Register{Type: "u32"}, 0x8001FFFE}, {Register{Type: "i32"}, -2147352578},
		{Register{Type: "i32", Order: "CDAB"}, -98303}, {Register{Type: "u32", Order: "DCBA"}, 0xFEFF0180},
	} {
		if got := c.r.float(p, 0); got != c.want {
			t.Errorf("%s %s: %v, want %v", c.r.Type, c.r.Order, got, c.want)
		}
	}
	bit := Register{Type: "bit"}
	for i, want := range []int32{1, 0, 0, 0, 0, 0, 0, 0, 0, 1} {
		if got := bit.counts([]byte{1, 2}, i); got != want {
			t.Errorf("bit %d: %d", i, got)
		}
	}
	nan := Register{Type: "f32"}
	if got := nan.float([]byte{0x7F, 0xC0, 0, 1}, 0); !math.IsNaN(got) {
		t.Errorf("NaN was read as %v", got)
	}
}

func TestGroups(t *testing.T) {
	reg := func(unit, fn, addr int, typ string) Register {
		return Register{Unit: unit, Function: fn, Address: addr, Type: typ}
	}
	long := make([]Register, 130)
	for i := range long {
		long[i] = reg(1, 3, i, "u16")
	}
	wide := make([]Register, 63)
	for i := range wide {
		wide[i] = reg(1, 3, 2*i, "f32")
	}
	for name, c := range map[string]struct {
		regs []Register
		want string
	}{
		"neighbours":     {[]Register{reg(1, 3, 12, "u16"), reg(1, 3, 10, "f32")}, "1/3 10+3"},
		"a hole":         {[]Register{reg(1, 3, 10, "u16"), reg(1, 3, 12, "u16")}, "1/3 10+1, 1/3 12+1"},
		"units":          {[]Register{reg(2, 3, 0, "u16"), reg(1, 3, 1, "u16")}, "1/3 1+1, 2/3 0+1"},
		"functions":      {[]Register{reg(1, 4, 0, "u16"), reg(1, 3, 1, "u16")}, "1/3 1+1, 1/4 0+1"},
		"the same twice": {[]Register{reg(1, 3, 5, "u16"), reg(1, 3, 5, "i16"), reg(1, 3, 5, "u32")}, "1/3 5+2"},
		"at most 125":    {long, "1/3 0+125, 1/3 125+5"},
		"no value split": {wide, "1/3 0+124, 1/3 124+2"},
		"bits":           {[]Register{reg(1, 2, 0, "bit"), reg(1, 2, 1, "bit")}, "1/2 0+2"},
	} {
		var got []string
		columns := 0
		for _, g := range grouped(c.regs) {
			got = append(got, fmt.Sprintf("%d/%d %d+%d", g.unit, g.function, g.address, g.count))
			for _, m := range g.members {
				columns++
				if int(g.address)+m.offset != c.regs[m.column].Address {
					t.Errorf("%s: column %d at offset %d", name, m.column, m.offset)
				}
			}
		}
		if s := strings.Join(got, ", "); s != c.want || columns != len(c.regs) {
			t.Errorf("%s: %s with %d columns, want %s", name, s, columns, c.want)
		}
	}
}

// t3.5: 1.75 ms above 19200 Bd; at 9600 Bd with characters of 11 bits as
// checkvalues.csv has it (mb.t35, mb.t35.9600).
func TestSilentInterval(t *testing.T) {
	rows := published(t, "mb.t35", 2)
	if rows[0][colExpected] != "750 / 1750" || rows[1][colExpected] != "0.00401042" {
		t.Fatalf("%v", rows)
	}
	for baud, want := range map[int]float64{9600: 0.00401042, 19200: 0.00401042 / 2, 115200: 0.00175, 38400: 0.00175} {
		o := sensors()
		o.Baud = baud
		m, err := NewModbus(o, daq.Instrument{}, 0)
		if err != nil {
			t.Fatal(err)
		}
		if got := float64(m.silentNS) / 1e9; math.Abs(got-want) > 1e-8+want*1e-5 {
			t.Errorf("%d Bd: %v s, want %v s (%s)", baud, got, want, rows[1][colSource])
		}
	}
	// And kept: two groups are asked one after the other.
	o := sensors()
	o.Registers = append(o.Registers, Register{Unit: 2, Function: 3, Address: 0, Type: "u16"})
	pl := withSensors(newPlant(t, o))
	pl.regs[2<<16] = 5
	pl.run(299 * ms)
	if len(pl.sent) != 2 || pl.sent[1].at-pl.sent[0].at < ms+1_750_000 {
		t.Errorf("%+v", pl.sent)
	}
}

// A late answer to one poll, with an old value, must never be taken for the
// answer to the next.
func TestLateAnswerIsNeverTaken(t *testing.T) {
	pl := withSensors(newPlant(t, sensors()))
	n := 0
	pl.alter = func(req, ans []byte) reply {
		n++
		pl.regs[1<<16|10] = uint16(n) // the next answer's value
		if n%3 == 2 {
			return reply{ans, 180 * ms} // past the timeout of 50 ms, within the quarantine of 200 ms
		}
		return reply{ans, ms}
	}
	pl.run(5000 * ms)
	c := pl.m.Counters()
	if c.Timeouts < 5 || c.LateReply != c.Timeouts || c.Bad != 0 {
		t.Fatalf("%+v", c)
	}
	var answered []int32
	for i := 1; i <= n; i++ {
		if i%3 != 2 {
			answered = append(answered, int32(i-1))
		}
	}
	answered[0] = 50000
	for i, b := range pl.batches {
		if b.Counts[0] != answered[i] {
			t.Fatalf("row %d holds %d, the slave answered %d", i, b.Counts[0], answered[i])
		}
	}
	if c.LostRows == 0 || c.Rows != uint64(len(pl.batches)) {
		t.Fatalf("%+v", c)
	}
	var lost uint64
	for _, b := range pl.batches {
		lost += uint64(b.Lost)
	}
	if d := c.LostRows - lost; d > 3 { // those after the last row
		t.Fatalf("batches name %d lost rows, the counter %d", lost, c.LostRows)
	}
}

// Bytes that were read before the request was sent, and handed over after it,
// are not its answer, however well they fit.
func TestAnswerFromBeforeTheRequest(t *testing.T) {
	m := newPlant(t, sensors()).m
	_, at := m.Next(0)
	if send, _ := m.Next(at); send == nil {
		t.Fatal("no request")
	}
	m.Sent(at, nil)
	m.Feed(bitwiseCRC([]byte{1, 3, 4, 0, 99, 0, 99}), at-1)
	m.Feed(bitwiseCRC([]byte{1, 3, 4, 0, 1, 0, 2}), at+ms)
	rows, _ := m.Take()
	if len(rows) != 1 || !slices.Equal(rows[0].Counts, []int32{1, 2}) || m.Counters().LateReply != 1 {
		t.Fatalf("%+v, %+v", rows, m.Counters())
	}
}

func TestQuarantineIsSilent(t *testing.T) {
	pl := withSensors(newPlant(t, sensors()))
	pl.dead[1] = true
	pl.run(3000 * ms)
	for i := 1; i < len(pl.sent); i++ {
		if d := pl.sent[i].at - pl.sent[i-1].at; d < (50+200)*ms {
			t.Errorf("request %d follows its unanswered predecessor after %d ms", i, d/ms)
		}
	}
	if c := pl.m.Counters(); c.Timeouts < 9 || len(pl.batches) != 0 || c.LostRows < 25 {
		t.Errorf("%+v", c)
	}
}

func TestBadAnswers(t *testing.T) {
	for name, c := range map[string]struct {
		alter func(ans []byte) []byte
		count func(c daq.Counters) uint64
	}{
		"CRC":            {func(a []byte) []byte { a[3] ^= 4; return a }, func(c daq.Counters) uint64 { return c.Bad }},
		"another unit":   {func(a []byte) []byte { return bitwiseCRC(append([]byte{2}, a[1:len(a)-2]...)) }, func(c daq.Counters) uint64 { return c.Bad }},
		"function":       {func(a []byte) []byte { a[1] = 4; return bitwiseCRC(a[:len(a)-2]) }, func(c daq.Counters) uint64 { return c.Bad }},
		"byte count":     {func(a []byte) []byte { a[2] = 2; return bitwiseCRC(a[:len(a)-2]) }, func(c daq.Counters) uint64 { return c.Bad }},
		"a byte missing": {func(a []byte) []byte { return a[:len(a)-1] }, func(c daq.Counters) uint64 { return c.Timeouts }},
		"exception":      {func(a []byte) []byte { return bitwiseCRC([]byte{a[0], a[1] | 0x80, 4}) }, func(c daq.Counters) uint64 { return c.Exception }},
	} {
		pl := withSensors(newPlant(t, sensors()))
		bad := 0
		pl.alter = func(req, ans []byte) reply {
			if bad++; bad == 2 {
				return reply{c.alter(ans), ms}
			}
			return reply{ans, ms}
		}
		pl.run(2000 * ms)
		n := pl.m.Counters()
		if c.count(n) != 1 || n.LostRows == 0 {
			t.Errorf("%s: %+v", name, n)
		}
		if len(pl.batches) < 10 || pl.batches[1].Lost == 0 {
			t.Errorf("%s: %d rows, lost %d", name, len(pl.batches), pl.batches[1].Lost)
		}
		for _, b := range pl.batches {
			if b.Counts[0] != 50000 {
				t.Errorf("%s: read %d", name, b.Counts[0])
			}
		}
	}
}

// Answers come in pieces over an adapter, and with a tail of noise.
func TestAnswerInPieces(t *testing.T) {
	pl := withSensors(newPlant(t, sensors()))
	pl.alter = func(req, ans []byte) reply {
		for i := range ans {
			pl.due = append(pl.due, reply{ans[i : i+1], pl.now + int64(i+1)*ms})
		}
		pl.due = append(pl.due, reply{[]byte{0xFF, 0}, pl.now + 30*ms})
		return reply{}
	}
	pl.run(1000 * ms)
	if c := pl.m.Counters(); len(pl.batches) != 8 || c.Timeouts != 0 || c.Bad != 0 || c.Discarded != 16 {
		t.Fatalf("%d rows, %+v", len(pl.batches), c)
	}
}

func TestFloatRowsKeepWhatAnswered(t *testing.T) {
	o := sensors()
	o.Registers = []Register{{Unit: 1, Function: 3, Address: 10, Type: "u16"}, {Unit: 2, Function: 4, Address: 0, Type: "f32", Order: "CDAB"}}
	pl := withSensors(newPlant(t, o))
	pl.regs[2<<16], pl.regs[2<<16|1] = 0xE979, 0x42F6 // 123.456 (checkvalues.csv, f32.123.456)
	pl.run(290 * ms)
	pl.dead[2] = true
	pl.run(1000 * ms)
	pl.dead[1] = true
	pl.run(2000 * ms)
	if len(pl.batches) < 3 || pl.batches[0].Floats == nil || pl.batches[0].Floats[0] != 50000 || pl.batches[0].Floats[1] != float64(float32(123.456)) {
		t.Fatalf("%+v", pl.batches[0])
	}
	last := pl.batches[len(pl.batches)-1]
	if last.Floats[0] != 50000 || !math.IsNaN(last.Floats[1]) {
		t.Fatalf("with one unit dead: %+v", last)
	}
	if last.Arrived > 1100*ms {
		t.Fatalf("a row at %d ns, when no unit answered", last.Arrived)
	}
	if pl.m.Counters().LostRows == 0 {
		t.Fatalf("%+v", pl.m.Counters())
	}
}

// More polls than the line carries: rows are lost and counted, not queued.
func TestTooManyPolls(t *testing.T) {
	o := sensors()
	o.PollS = 0.001
	pl := withSensors(newPlant(t, o))
	pl.run(1000 * ms)
	c := pl.m.Counters()
	if c.Rows+c.LostRows < 795 || c.Rows+c.LostRows > 801 || c.Rows < 200 {
		t.Fatalf("%+v: the time for 800 rows passed", c)
	}
}

func TestTakeIsBounded(t *testing.T) {
	pl := withSensors(newPlant(t, valves()))
	for i := range maxTaken + 10 {
		pl.m.Demand(daq.Demand{Output: 77, Serial: uint64(i)})
	}
	b, r := pl.m.Take()
	if len(b) != 0 || len(r) != maxTaken || r[len(r)-1].Serial != maxTaken+9 || !strings.Contains(r[0].Reason, "nothing on this line") {
		t.Fatalf("%d, %d", len(b), len(r))
	}
	if b, r = pl.m.Take(); b != nil || r != nil {
		t.Fatal("taken twice")
	}
}

func TestPortFails(t *testing.T) {
	m := withSensors(newPlant(t, valves())).m
	m.Demand(daq.Demand{Output: 0, On: true, Serial: 1})
	_, again := m.Next(0)
	send, _ := m.Next(again)
	if send == nil || send[1] != 5 {
		t.Fatalf("sent % x", send)
	}
	m.Sent(again, errors.New("device away"))
	_, r := m.Take()
	if len(r) != 1 || r[0].State != daq.OutputUnknown || !strings.Contains(r[0].Reason, "device away") {
		t.Fatalf("%+v", r)
	}
	if send, at := m.Next(again); send != nil || at != again+200*ms {
		t.Fatalf("sent % x, again at %d", send, at)
	}
	m.Sent(again, nil) // without a request: nothing happens
}

// A request that its owner mislaid is returned once more, and given up then.
func TestMislaidRequest(t *testing.T) {
	m := newPlant(t, valves()).m
	m.Demand(daq.Demand{Output: 0, On: false, Serial: 1})
	_, at := m.Next(0)
	first, _ := m.Next(at)
	first = slices.Clone(first)
	second, _ := m.Next(at + ms)
	if len(first) != 8 || !slices.Equal(first, second) {
		t.Fatalf("% x, then % x", first, second)
	}
	if third, _ := m.Next(at + 2*ms); third != nil {
		t.Fatalf("a third time: % x", third)
	}
	m.Sent(at+2*ms, nil)
	m.Feed(first, at+3*ms) // the echo
	if c := m.Counters(); c.Frames != 1 || c.Timeouts != 0 {
		t.Fatalf("%+v", c)
	}
}
