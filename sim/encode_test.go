package sim

import (
	"bytes"
	"encoding/hex"
	"math/rand/v2"
	"strings"
	"testing"

	"ventward/daq"
	"ventward/daq/wire"
)

// TestGoldenFrame: the golden frame of the project's interface document, made
// by an encoder that is neither this one nor the decoder's.
func TestGoldenFrame(t *testing.T) {
	want, err := hex.DecodeString(strings.ReplaceAll("04 01 02 02 01 01 01 01 02 07 01 01 03 e8 03 01 01 01 01 01 02 64 01 01 06 ff ff ff ff 65 01 01 09 fe ff ff ff a7 05 11 13 00", " ", ""))
	if err != nil {
		t.Fatal(err)
	}
	got, _ := appendFrame(nil, 2, 7, 1000, 0, []int32{100, -1, 101, -2}, nil)
	if !bytes.Equal(got, want) {
		t.Errorf("frame % x\nwant  % x", got, want)
	}
}

// TestStuff: the worked examples of COBS (Cheshire and Baker 1999; bytes from
// memory), with runs of 254 bytes.
func TestStuff(t *testing.T) {
	run := func(from, n int) []byte {
		b := make([]byte, n)
		for i := range b {
			b[i] = byte(from + i)
		}
		return b
	}
	for _, c := range []struct{ in, want []byte }{
		{nil, []byte{1}},
		{[]byte{0}, []byte{1, 1}},
		{[]byte{0x11, 0x22, 0, 0x33}, []byte{3, 0x11, 0x22, 2, 0x33}},
		{[]byte{0x11, 0, 0, 0}, []byte{2, 0x11, 1, 1, 1}},
		{run(1, 254), append([]byte{0xff}, run(1, 254)...)},
		{append([]byte{0}, run(1, 254)...), append([]byte{1, 0xff}, run(1, 254)...)},
		{run(1, 255), append(append([]byte{0xff}, run(1, 254)...), 2, 0xff)},
	} {
		if got := stuff(nil, c.in); !bytes.Equal(got, c.want) {
			t.Errorf("stuff(% x) = % x, want % x", c.in, got, c.want)
		}
	}
}

// TestCRC16: check value of CRC-16/MODBUS over "123456789" (catalogue of
// parametrised CRC algorithms, from memory).
func TestCRC16(t *testing.T) {
	if c := crc16([]byte("123456789")); c != 0x4b37 {
		t.Errorf("CRC %04x, want 4b37", c)
	}
}

func TestAppendLine(t *testing.T) {
	cols := []wire.LineColumn{{Field: 2, Decimals: 3}, {Field: 0, Decimals: 0}}
	for _, c := range []struct {
		o    wire.LineOptions
		seq  uint64
		want string
	}{
		{wire.LineOptions{Delimiter: ";", Fields: 4, Columns: cols, SeqField: 1, TickField: 3, Checksum: "none"}, 7, "-5;7;0.012;9\r\n"},
		{wire.LineOptions{Delimiter: ",", Fields: 4, Columns: cols, SeqField: 1, SeqWrap: 5, TickField: 3, TickWrap: 4, Checksum: "none"}, 7, "-5,2,0.012,1\r\n"},
		// The XOR is added below.
		{wire.LineOptions{Delimiter: ",", Fields: 4, Columns: cols, SeqField: 1, TickField: 3, Checksum: "xor"}, 7, "$-5,7,0.012,9*"},
		{wire.LineOptions{Delimiter: " ", Fields: 3, Columns: cols, SeqField: -1, TickField: -1, Checksum: "none"}, 7, "-5 0 0.012\r\n"},
	} {
		got := string(appendLine(nil, &c.o, c.seq, 9, []int32{12, -5}))
		if c.o.Checksum == "xor" {
			x := byte(0)
			for _, b := range []byte("-5,7,0.012,9") {
				x ^= b
			}
			c.want += strings.ToUpper(hex.EncodeToString([]byte{x})) + "\r\n"
		}
		if got != c.want {
			t.Errorf("line %q, want %q", got, c.want)
		}
	}
	if s := string(appendDecimal(nil, -2147483648, 2)); s != "-21474836.48" {
		t.Errorf("the least count reads %q", s)
	}
}

// TestRoundTrip sends rows of chance through the encoders here and the
// decoders of daq/wire, which know nothing of each other.
func TestRoundTrip(t *testing.T) {
	const seed = 20
	rng := rand.New(rand.NewPCG(seed, 0))
	t.Logf("seed %d", seed)
	for trial := range 200 {
		n := 1 + rng.IntN(8)
		rows := 1 + rng.IntN(rowsPerFrame(n))
		counts := make([]int32, n*rows)
		for i := range counts {
			counts[i] = int32(rng.Uint32()) >> rng.IntN(32)
		}
		seq, tick := rng.Uint32N(1<<31), rng.Uint64()>>1
		msg, _ := appendFrame([]byte{0}, n, seq, tick, uint16(trial), counts, nil)
		if len(msg)-1 > maxFrame {
			t.Fatalf("%d rows of %d columns make %d bytes", rows, n, len(msg)-1)
		}
		d, err := wire.NewFrame(wire.FrameOptions{Columns: n}, daq.Instrument{Name: "x", Protocol: "frame", Columns: n, RateHz: 1000, TickHz: 1e6}, 0)
		if err != nil {
			t.Fatal(err)
		}
		sameRows(t, d.Feed(msg, 1, nil), seq, tick, n, counts)

		o := wire.LineOptions{Delimiter: ",", Fields: n + 2, SeqField: 0, TickField: n + 1, Checksum: []string{"none", "xor", "crc16"}[trial%3]}
		for i := range n {
			o.Columns = append(o.Columns, wire.LineColumn{Field: i + 1, Decimals: rng.IntN(8)})
		}
		l, err := wire.NewLine(o, daq.Instrument{Name: "x", Protocol: "line", Columns: n, RateHz: 1000, TickHz: 1000}, 0)
		if err != nil {
			t.Fatal(err)
		}
		text := []byte("the end of a line\r\n")
		for r := range rows {
			text = appendLine(text, &o, uint64(seq)+uint64(r), uint64(r), counts[r*n:(r+1)*n])
		}
		sameRows(t, l.Feed(text, 1, nil), seq, 0, n, counts)
	}
}

func sameRows(t *testing.T, got []*daq.Batch, seq uint32, tick uint64, n int, counts []int32) {
	t.Helper()
	var all []int32
	for i, b := range got {
		if i == 0 && (b.Seq != uint64(seq) || b.Tick != tick) {
			t.Errorf("first row is seq %d tick %d, want %d, %d", b.Seq, b.Tick, seq, tick)
		}
		all = append(all, b.Counts...)
		if b.N != n || b.Lost != 0 {
			t.Errorf("batch of %d columns with %d lost, want %d and 0", b.N, b.Lost, n)
		}
	}
	if len(all) != len(counts) {
		t.Fatalf("%d counts came of %d", len(all), len(counts))
	}
	for i := range all {
		if all[i] != counts[i] {
			t.Fatalf("count %d is %d, want %d", i, all[i], counts[i])
		}
	}
}
