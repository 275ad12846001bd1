package wire

import (
	"slices"
	"testing"

	"ventward/daq"
)

// FuzzModbus drives the master by a script of two bytes a step: what becomes of
// the next answers, noise on the idle line, demands, resets, time. The
// registers change with every request, so that a row made of anything but the
// answer to its own request shows.
func FuzzModbus(f *testing.F) {
	f.Add([]byte{0, 50, 1, 9, 0, 200, 2, 3, 0, 200, 3, 1, 0, 200, 4, 1, 0, 50, 5, 0, 0, 100})
	f.Add([]byte{6, 1, 0, 255, 7, 40, 0, 10, 6, 0, 0, 255, 2, 2, 0, 100, 1, 190, 0, 255})
	f.Add([]byte{3, 0, 3, 0, 3, 0, 0, 255, 0, 255, 0, 255, 8, 0, 0, 255})
	f.Fuzz(func(t *testing.T, script []byte) {
		if len(script) > 200 {
			script = script[:200]
		}
		pl := withSensors(newPlant(t, valves()))
		s := &saboteur{pl: pl}
		pl.alter = s.alter
		for ; len(script) >= 2; script = script[2:] {
			s.step(script[0], int(script[1]))
		}
		s.mode = 0
		pl.due = nil
		pl.m.Demand(daq.Demand{Output: 0, On: false, Serial: 1 << 40})
		from := len(pl.batches)
		pl.run(pl.now + 3000*ms)
		if len(pl.batches) < from+15 {
			t.Fatalf("%d rows in 3 s on a good line", len(pl.batches)-from)
		}
		if r := pl.last(0); r.State != daq.OutputOff || r.Serial != 1<<40 || pl.coils[9<<16] {
			t.Fatalf("the last demand is not carried out: %+v", r)
		}
		for _, b := range pl.batches {
			if !slices.Contains(s.told, b.Counts[0]) {
				t.Fatalf("a row holds %d, which no answer in time held", b.Counts[0])
			}
		}
		if c := pl.m.Counters(); c.Rows != uint64(len(pl.batches)) || c.Discarded > c.Bytes {
			t.Fatalf("%+v", c)
		}
	})
}

// A saboteur damages answers as the script says.
type saboteur struct {
	pl     *plant
	mode   byte
	arg    int
	asked  int
	serial uint64
	told   []int32 // register values answered in time and undamaged
}

func (s *saboteur) step(op byte, arg int) {
	switch pl := s.pl; op % 9 {
	case 0:
		pl.run(pl.now + int64(arg)*ms)
	case 1, 2, 3, 4:
		s.mode, s.arg = op%9, arg
	case 5:
		s.mode = 0
	case 6:
		s.serial++
		pl.m.Demand(daq.Demand{Output: arg % 4, On: arg&4 != 0, Serial: s.serial})
	case 7: // noise between transactions
		if !pl.m.busy {
			pl.m.Feed(slices.Repeat([]byte{byte(arg)}, arg), pl.now)
		}
	case 8:
		pl.due = nil // what was under way is gone with the port
		pl.m.Reset(pl.now)
	}
}

func (s *saboteur) alter(req, ans []byte) reply {
	s.asked++
	value := int32(s.pl.regs[1<<16|10])
	s.pl.regs[1<<16|10] = uint16(s.asked) // for the next request
	switch s.mode {
	case 1: // late, but within the quarantine of 200 ms after the timeout of 50 ms
		return reply{ans, int64(60+s.arg%180) * ms}
	case 2: // three flipped bits: CRC-16 finds them all
		for i := range 3 {
			bit := (s.arg*7 + i*11) % (8 * len(ans))
			ans[bit/8] ^= 1 << (bit % 8)
		}
		return reply{ans, ms}
	case 3:
		return reply{}
	case 4: // torn
		return reply{ans[:s.arg%len(ans)], ms}
	}
	if req[1] == 3 {
		s.told = append(s.told, value)
	}
	return reply{ans, ms}
}

// Measured cost of a poll of 8 float registers: request and answer.
func BenchmarkModbus(b *testing.B) {
	o := ModbusOptions{PollS: 0.1}
	for i := range 8 {
		o.Registers = append(o.Registers, Register{Unit: 1, Function: 3, Address: 2 * i, Type: "f32", Order: "CDAB"})
	}
	m, err := NewModbus(o, daq.Instrument{Port: daq.Port{Baud: 115200}}, 0)
	if err != nil {
		b.Fatal(err)
	}
	ans := bitwiseCRC(append([]byte{1, 3, 32}, make([]byte, 32)...))
	_, now := m.Next(0)
	b.ReportAllocs()
	b.ResetTimer()
	for range b.N {
		send, again := m.Next(now)
		for send == nil {
			now = again
			send, again = m.Next(now)
		}
		if len(send) != 8 {
			b.Fatalf("sent % x", send)
		}
		m.Sent(now, nil)
		m.Feed(ans, now+ms)
		if rows, _ := m.Take(); len(rows) != 1 {
			b.Fatal("no row")
		}
		now += ms
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N), "ns/answer")
}
