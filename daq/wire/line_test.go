package wire

import (
	"bytes"
	"fmt"
	"math"
	"math/big"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"ventward/daq"
)

var _ daq.Decoder = (*LineDecoder)(nil)

func newLine(t testing.TB, o LineOptions, inst daq.Instrument) *LineDecoder {
	t.Helper()
	d, err := NewLine(o, inst, 0)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

// plain is one number a line.
func plain(decimals int) LineOptions {
	return LineOptions{Delimiter: ",", Fields: 1, Columns: []LineColumn{{Field: 0, Decimals: decimals}}, SeqField: -1, TickField: -1, Checksum: "none"}
}

// counted has sequence, tick and two numbers of 3 decimals.
func counted(checksum string) LineOptions {
	return LineOptions{Delimiter: ",", Fields: 4, Columns: []LineColumn{{Field: 2, Decimals: 3}, {Field: 3, Decimals: 3}}, SeqField: 0, TickField: 1, Checksum: checksum}
}

func TestNumbers(t *testing.T) {
	for _, c := range []struct {
		text     string
		decimals int
		want     int32
		why      reason
	}{
		{"12.34", 3, 12340, 0}, {"0", 0, 0, 0}, {"-0", 0, 0, 0}, {"+7", 0, 7, 0}, {".5", 1, 5, 0}, {"5.", 1, 50, 0}, {"007", 0, 7, 0},
		{"+1.2345E+01", 4, 123450, 0}, {"1e3", 0, 1000, 0}, {"-1.5e-1", 2, -15, 0}, {"12.3400", 2, 1234, 0}, {"0e999", 9, 0, 0},
		{"2147483647", 0, math.MaxInt32, 0}, {"-2147483648", 0, math.MinInt32, 0}, {"2147483.647", 3, math.MaxInt32, 0},
		{"2147483648", 0, 0, refusedRange}, {"-2147483649", 0, 0, refusedRange}, {"1e10", 0, 0, refusedRange}, {"3", 9, 0, refusedRange},
		{"99999999999999999999999", 0, 0, refusedRange}, {"1e999", 0, 0, refusedRange}, {"4294967296", 0, 0, refusedRange},
		{"12.345", 2, 0, refusedDecimals}, {"1e-999", 9, 0, refusedDecimals},
		{"", 0, 0, refusedNumber}, {"-", 0, 0, refusedNumber}, {".", 0, 0, refusedNumber}, {"e5", 0, 0, refusedNumber}, {"1e", 0, 0, refusedNumber},
		{"1e+", 0, 0, refusedNumber}, {"1e1234", 0, 0, refusedNumber}, {"--1", 0, 0, refusedNumber}, {"+-1", 0, 0, refusedNumber}, {"1.2.3", 0, 0, refusedNumber},
		{"NaN", 0, 0, refusedNumber}, {"nan", 0, 0, refusedNumber}, {"Inf", 0, 0, refusedNumber}, {"-inf", 0, 0, refusedNumber}, {"infinity", 0, 0, refusedNumber},
		{"0x1F", 0, 0, refusedNumber}, {"0x1p-2", 0, 0, refusedNumber}, {"1_000", 0, 0, refusedNumber}, {"1 2", 0, 0, refusedNumber}, {"1,5", 0, 0, refusedNumber},
		{"12a", 0, 0, refusedNumber}, {"\xb112", 0, 0, refusedNumber}, {"1e1_0", 0, 0, refusedNumber},
	} {
		got, why := parseCounts([]byte(c.text), c.decimals)
		if got != c.want || why != c.why {
			t.Errorf("%q with %d decimals: %d, %q; want %d, %q", c.text, c.decimals, got, why, c.want, c.why)
		}
	}
}

// Against exact rational arithmetic: what is accepted is exact, and what is a
// whole number of counts in range is accepted.
func TestNumbersAreExact(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		text := rapid.StringMatching(`[+-]?[0-9]{1,8}(\.[0-9]{0,6})?([eE][+-]?[0-9]{1,2})?`).Draw(t, "text")
		decimals := rapid.IntRange(0, MaxDecimals).Draw(t, "decimals")
		exact, ok := new(big.Rat).SetString(text)
		if !ok {
			t.Fatalf("%q", text)
		}
		exact.Mul(exact, new(big.Rat).SetInt(new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(decimals)), nil)))
		lo, hi := big.NewRat(math.MinInt32, 1), big.NewRat(math.MaxInt32, 1)
		want := exact.IsInt() && exact.Cmp(lo) >= 0 && exact.Cmp(hi) <= 0
		got, why := parseCounts([]byte(text), decimals)
		if (why == refusedNothing) != want {
			t.Fatalf("%q with %d decimals: %q, exact %v", text, decimals, why, exact)
		}
		if want && exact.Cmp(big.NewRat(int64(got), 1)) != 0 {
			t.Fatalf("%q with %d decimals: %d, exact %v", text, decimals, got, exact)
		}
	})
}

func TestCountersAreRead(t *testing.T) {
	for _, c := range []struct {
		text string
		wrap uint64
		want uint64
		why  reason
	}{
		{"0", 0, 0, 0}, {"18446744073709551615", 0, math.MaxUint64, 0}, {"18446744073709551616", 0, 0, refusedRange}, {"65535", 65536, 65535, 0},
		{"65536", 65536, 0, refusedRange}, {"", 0, 0, refusedNumber}, {"-1", 0, 0, refusedNumber}, {"1.0", 0, 0, refusedNumber}, {"0x10", 0, 0, refusedNumber},
	} {
		if got, why := parseCounter([]byte(c.text), c.wrap); got != c.want || why != c.why {
			t.Errorf("%q: %d, %q; want %d, %q", c.text, got, why, c.want, c.why)
		}
	}
}

func TestLineForms(t *testing.T) {
	semicolon, blank, spaced := counted("none"), counted("none"), counted("none")
	semicolon.Delimiter, blank.Delimiter = ";", " "
	spaced.Columns[0], spaced.Columns[1] = spaced.Columns[1], spaced.Columns[0]
	for name, c := range map[string]struct {
		o    LineOptions
		line string
		want []int32 // nil: refused
		why  reason
	}{
		"plain":            {counted("none"), "1,2,3.5,-4", []int32{3500, -4000}, 0},
		"blanks":           {counted("none"), "  1 , 2 ,\t3.5 , -4  ", []int32{3500, -4000}, 0},
		"semicolons":       {semicolon, "1;2;3.5;-4", []int32{3500, -4000}, 0},
		"runs of blanks":   {blank, "   1  2     3.5 -4 ", []int32{3500, -4000}, 0},
		"columns swapped":  {spaced, "1,2,3.5,-4", []int32{-4000, 3500}, 0},
		"dollar":           {counted("none"), "$1,2,3.5,-4", []int32{3500, -4000}, 0},
		"a field less":     {counted("none"), "1,2,3.5", nil, refusedFields},
		"a field more":     {counted("none"), "1,2,3.5,-4,5", nil, refusedFields},
		"empty field":      {counted("none"), "1,2,,4", nil, refusedNumber},
		"only delimiters":  {counted("none"), ",,,", nil, refusedNumber},
		"negative counter": {counted("none"), "-1,2,3,4", nil, refusedNumber},
		"with a checksum":  {counted("none"), "1,2,3,4*00", nil, refusedNumber},
		"no checksum":      {counted("crc16"), "1,2,3,4", nil, refusedChecksum},
		"half a checksum":  {counted("crc16"), "1,2,3,4*7B", nil, refusedChecksum},
		"checksum no hex":  {counted("xor"), "1,2,3,4*G0", nil, refusedChecksum},
		"only a checksum":  {counted("xor"), "*00", nil, refusedFields},
		"less than that":   {counted("crc16"), "*00", nil, refusedChecksum},
		"binary":           {counted("none"), "\x00\xff\x80", nil, refusedFields},
		"as long as it is": {counted("none"), "1,2,3.5," + strings.Repeat(" ", MaxLine-10) + "-4", []int32{3500, -4000}, 0},
		"too long":         {counted("none"), "1,2,3.5," + strings.Repeat(" ", MaxLine-9) + "-4", nil, refusedLength},
	} {
		d := newLine(t, c.o, daq.Instrument{})
		out := d.Feed([]byte("torn\n"+c.line+"\r\n"), 5, nil)
		if c.want == nil {
			if len(out) != 0 || d.reason != c.why || d.Counters().Bad != 1 {
				t.Errorf("%s: %d batches, %q, %+v", name, len(out), d.Reason(), d.Counters())
			}
			continue
		}
		if len(out) != 1 || !slices.Equal(out[0].Counts, c.want) || out[0].Seq != 1 || out[0].Tick != 2 || !out[0].HasSeq || !out[0].HasTick {
			t.Errorf("%s: %+v, %q", name, out, d.Reason())
		}
	}
}

// The XOR of a widely printed NMEA 0183 sentence (from memory), and the check
// value of CRC-16/MODBUS (see crc_test.go).
func TestLineChecksumsFromOutside(t *testing.T) {
	text := LineOptions{Delimiter: ",", Fields: 15, Columns: []LineColumn{{Field: 8, Decimals: 1}, {Field: 9, Decimals: 1}}, SeqField: -1, TickField: -1, Checksum: "xor"}
	digits := plain(0)
	digits.Checksum = "crc16"
	for _, c := range []struct {
		o    LineOptions
		line string
		want []int32
	}{
		{text, "$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47\r\n", []int32{9, 5454}},
		{digits, "123456789*4B37\r\n", []int32{123456789}},
		{digits, "$123456789*4b37\n", []int32{123456789}},
	} {
		d := newLine(t, c.o, daq.Instrument{})
		out := d.Feed([]byte("\n"+c.line), 0, nil)
		if len(out) != 1 || !slices.Equal(out[0].Counts, c.want) {
			t.Errorf("%q: %v, %q", c.line, out, d.Reason())
		}
	}
}

func TestFirstLineIsDiscarded(t *testing.T) {
	d := newLine(t, plain(0), daq.Instrument{})
	out := d.Feed([]byte("2345\n6\n"), 0, nil) // the end of 12345, perhaps
	if len(out) != 1 || out[0].Counts[0] != 6 || d.Counters().Bad != 0 || d.Counters().Discarded != 4 {
		t.Fatalf("%v %+v", out, d.Counters())
	}
	d.Feed([]byte("78"), 0, nil)
	d.Reset()
	out = d.Feed([]byte("9\n10\n"), 0, nil)
	if len(out) != 1 || out[0].Counts[0] != 10 || out[0].Epoch != 1 {
		t.Fatalf("after a reset: %+v", out)
	}
}

func TestLineRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 8).Draw(t, "columns")
		o := LineOptions{Delimiter: rapid.SampledFrom([]string{",", ";", " ", "\t", "|"}).Draw(t, "delimiter"), Fields: n + 2, SeqField: 0, TickField: n + 1,
			SeqWrap: 1000, TickWrap: 1 << 24, Checksum: rapid.SampledFrom([]string{"none", "xor", "crc16"}).Draw(t, "checksum")}
		for i := range n {
			o.Columns = append(o.Columns, LineColumn{Field: i + 1, Decimals: rapid.IntRange(0, 9).Draw(t, "decimals")})
		}
		d, err := NewLine(o, daq.Instrument{RateHz: 1000, TickHz: 1e6}, 4)
		if err != nil {
			t.Fatal(err)
		}
		seq, tick := rapid.Uint64Max(5000).Draw(t, "seq"), rapid.Uint64Max(1<<30).Draw(t, "tick")
		stream := []byte("\r\n")
		var want []int32
		k := rapid.IntRange(1, 20).Draw(t, "rows")
		for i := range k {
			row := make([]int32, n)
			for c := range row {
				row[c] = rapid.Int32().Draw(t, "count")
			}
			want = append(want, row...)
			stream = AppendLine(stream, &o, seq+uint64(i), tick+uint64(i)*1000, row)
		}
		var out []*daq.Batch
		for len(stream) > 0 {
			cut := rapid.IntRange(1, len(stream)).Draw(t, "cut")
			out = d.Feed(stream[:cut], 0, out)
			stream = stream[cut:]
		}
		var got []int32
		rows := 0
		for _, b := range out {
			if b.Lost != 0 || b.Epoch != 0 || b.Instrument != 4 || b.K*b.N != len(b.Counts) || b.Seq-out[0].Seq != uint64(rows) || b.Tick-out[0].Tick != uint64(rows)*1000 {
				t.Fatalf("%+v", b)
			}
			rows += b.K
			got = append(got, b.Counts...)
		}
		if !slices.Equal(got, want) {
			t.Fatalf("%v, want %v: %s", got, want, d.Reason())
		}
	})
}

// Every single-bit flip of a line with a checksum must be noticed: XOR and
// CRC-16 find all of them. CRC-16 must find every lost byte of these lines too.
func TestLineDamageIsNoticed(t *testing.T) {
	for _, sum := range []string{"xor", "crc16"} {
		o := counted(sum)
		stream := []byte("\n")
		sent := map[uint64][]int32{}
		var starts []int
		for i := range 3 {
			row := []int32{int32(18421 + 3*i), int32(-1 * i)}
			sent[uint64(41+i)] = row
			starts = append(starts, len(stream))
			stream = AppendLine(stream, &o, uint64(41+i), uint64(41000+i*1000), row)
		}
		tried := 0
		try := func(what string, at int, x []byte) {
			tried++
			d := newLine(t, o, daq.Instrument{RateHz: 1000, TickHz: 1e6})
			seen := map[uint64]bool{}
			for _, b := range d.Feed(x, 0, nil) {
				for k := range b.K {
					row := b.Counts[k*2 : k*2+2]
					if !slices.Equal(sent[b.Seq+uint64(k)], row) {
						t.Errorf("%s, %s at %d: %q gave %v as row %d", sum, what, at, x, row, b.Seq+uint64(k))
					}
					seen[b.Seq+uint64(k)] = true
				}
			}
			if !seen[43] && !seen[41] {
				t.Errorf("%s, %s at %d: both undamaged lines are lost", sum, what, at)
			}
		}
		for bit := starts[1] * 8; bit < starts[2]*8; bit++ {
			x := bytes.Clone(stream)
			x[bit/8] ^= 1 << (bit % 8)
			try("flip", bit, x)
		}
		for i := starts[1]; sum == "crc16" && i < starts[2]; i++ {
			try("lost byte", i, slices.Delete(bytes.Clone(stream), i, i+1))
		}
		t.Logf("%s: 0 of %d damaged lines passed", sum, tried)
	}
}

type lineStep struct {
	line string
	out  int    // batches
	rows int    // in all of them
	seq  uint64 // of the last batch
	lost uint32 // before the first batch
}

func TestLineSequence(t *testing.T) {
	wrap := counted("none")
	wrap.SeqWrap, wrap.TickWrap = 100, 100_000
	sum := func(seq, tick uint64) string {
		o := counted("crc16")
		return string(AppendLine(nil, &o, seq, tick, []int32{1, 2}))
	}
	inst := daq.Instrument{RateHz: 1000, TickHz: 1e6}
	for name, c := range map[string]struct {
		o            LineOptions
		inst         daq.Instrument
		steps        []lineStep
		lost, resets uint64
		bad          uint64
	}{
		"joined":              {counted("none"), inst, []lineStep{{"1,1000,1,1\n2,2000,1,1\n3,3001,1,1\n", 1, 3, 1, 0}}, 0, 0, 0},
		"loss splits":         {counted("none"), inst, []lineStep{{"1,1000,1,1\n2,2000,1,1\n5,5000,1,1\n", 2, 3, 5, 0}, {"8,8000,1,1\n", 1, 1, 8, 2}}, 4, 0, 0},
		"jitter splits":       {counted("none"), inst, []lineStep{{"1,1000,1,1\n2,2040,1,1\n3,3000,1,1\n", 3, 3, 3, 0}}, 0, 0, 0},
		"no rate, no joining": {counted("none"), daq.Instrument{}, []lineStep{{"1,1000,1,1\n2,2000,1,1\n", 2, 2, 2, 0}}, 0, 0, 0},
		"wrap":                {wrap, inst, []lineStep{{"98,98000,1,1\n99,99000,1,1\n0,0,1,1\n1,1000,1,1\n", 1, 4, 98, 0}, {"2,2000,1,1\n", 1, 1, 102, 0}}, 0, 0, 0},
		"loss across wrap":    {wrap, inst, []lineStep{{"98,98000,1,1\n", 1, 1, 98, 0}, {"3,3000,1,1\n", 1, 1, 103, 4}}, 4, 0, 0},
		"repetition":          {counted("none"), inst, []lineStep{{"1,1000,1,1\n1,1000,1,1\n2,2000,1,1\n", 1, 2, 1, 0}}, 0, 0, 1},
		"reset":               {counted("none"), inst, []lineStep{{"500,500000,1,1\n", 1, 1, 500, 0}, {"0,0,1,1\n", 0, 0, 0, 0}, {"1,1000,1,1\n2,2000,1,1\n", 2, 3, 1, 0}}, 0, 1, 0},
		"absurd sequence":     {counted("none"), inst, []lineStep{{"1,1000,1,1\n", 1, 1, 1, 0}, {"4000002,2000,1,1\n", 0, 0, 0, 0}, {"3,3000,1,1\n", 1, 1, 3, 1}}, 1, 0, 1},
		"absurd tick":         {counted("none"), inst, []lineStep{{"1,1000,1,1\n", 1, 1, 1, 0}, {"2,9002000,1,1\n", 0, 0, 0, 0}, {"3,3000,1,1\n", 1, 1, 3, 1}}, 1, 0, 1},
		"long loss confirmed": {counted("none"), inst, []lineStep{{"1,1000,1,1\n", 1, 1, 1, 0}, {"5002,5002000,1,1\n", 0, 0, 0, 0}, {"5003,5003000,1,1\n", 2, 2, 5003, 5000}}, 5000, 0, 0},
		"rate stated wrong":   {counted("none"), inst, []lineStep{{"1,10000,1,1\n2,20000,1,1\n3,30000,1,1\n4,40000,1,1\n5,50000,1,1\n", 5, 5, 5, 0}}, 0, 0, 0},
		"long loss believed":  {counted("crc16"), inst, []lineStep{{sum(1, 1000), 1, 1, 1, 0}, {sum(5002, 5002000), 1, 1, 5002, 5000}}, 5000, 0, 0},
	} {
		d := newLine(t, c.o, c.inst)
		d.Feed([]byte("\n"), 0, nil)
		for i, s := range c.steps {
			out := d.Feed([]byte(s.line), int64(i), nil)
			rows := 0
			for j, b := range out {
				rows += b.K
				if b.Newest != (j == len(out)-1) {
					t.Errorf("%s, step %d: batch %d newest %v", name, i, j, b.Newest)
				}
			}
			if len(out) != s.out || rows != s.rows {
				t.Errorf("%s, step %d: %d batches of %d rows, want %+v (%s)", name, i, len(out), rows, s, d.Reason())
			} else if len(out) > 0 && (out[len(out)-1].Seq != s.seq || out[0].Lost != s.lost) {
				t.Errorf("%s, step %d: seq %d lost %d, want %+v", name, i, out[len(out)-1].Seq, out[0].Lost, s)
			}
		}
		if n := d.Counters(); n.LostRows != c.lost || n.Resets != c.resets || n.Bad != c.bad {
			t.Errorf("%s: %+v", name, n)
		}
	}
}

func TestLineBatchesAreBounded(t *testing.T) {
	d := newLine(t, plain(0), daq.Instrument{})
	out := d.Feed([]byte("\n"+strings.Repeat("7\n", 3*maxBatchRows)), 0, nil)
	if len(out) != 3 || out[0].K != maxBatchRows || d.Counters().Rows != 3*maxBatchRows {
		t.Fatalf("%d batches, %+v", len(out), d.Counters())
	}
	if out[0].HasSeq || out[0].HasTick {
		t.Fatalf("%+v", out[0])
	}
}

// FuzzLine feeds garbage in pieces, then good lines, and edits of a good stream
// of which a checksum must find all: up to three flips within 16 bits.
func FuzzLine(f *testing.F) {
	f.Add([]byte("1,2,3,4\n"), uint8(3), uint32(0), uint16(1))
	f.Add(bytes.Repeat([]byte("9"), 3000), uint8(50), uint32(77), uint16(0x8001))
	f.Add([]byte("$GPGGA,1*47\r\n\n\r,,,\n"), uint8(1), uint32(1<<30), uint16(0x0111))
	f.Fuzz(func(t *testing.T, p []byte, step uint8, at uint32, burst uint16) {
		for _, sum := range []string{"none", "xor", "crc16"} {
			o := counted(sum)
			d := newLine(t, o, daq.Instrument{RateHz: 1000, TickHz: 1e6})
			rows := 0
			for _, b := range feedPieces(d, p, int(step)+1) {
				rows += b.K
			}
			c := d.Counters()
			if c.Bytes != uint64(len(p)) || c.Rows != uint64(rows) || c.Discarded > c.Bytes {
				t.Fatalf("%s: %+v, %d rows of %d bytes", sum, c, rows, len(p))
			}
			var tail []byte
			for i := range 3 {
				tail = AppendLine(tail, &o, uint64(900+i), uint64(9000+1000*i), []int32{int32(i), -7})
			}
			out := feedPieces(d, tail, int(step)+1)
			if len(out) == 0 || !slices.Equal(out[len(out)-1].Counts[(out[len(out)-1].K-1)*2:], []int32{2, -7}) {
				t.Fatalf("%s: not back in step: %s", sum, d.Reason())
			}
		}
		checkBurst(t, at, burst)
	})
}

// checkBurst flips the bits of burst in a good stream with CRC-16, which finds
// every burst of up to 16 bits.
func checkBurst(t *testing.T, at uint32, burst uint16) {
	o := counted("crc16")
	stream := []byte("\n")
	sent := map[uint64][]int32{}
	for i := range 8 {
		sent[uint64(i)] = []int32{int32(1000 * i), int32(-i)}
		stream = AppendLine(stream, &o, uint64(i), uint64(1000*i), sent[uint64(i)])
	}
	for i := range 16 {
		if bit := (int(at%uint32(len(stream)*8)) + i); burst>>i&1 != 0 && bit < len(stream)*8 {
			stream[bit/8] ^= 1 << (bit % 8)
		}
	}
	d := newLine(t, o, daq.Instrument{RateHz: 1000, TickHz: 1e6})
	for _, b := range d.Feed(stream, 0, nil) {
		for k := range b.K {
			if !slices.Equal(sent[b.Seq+uint64(k)], b.Counts[2*k:2*k+2]) {
				t.Fatalf("row %d decoded as %v from %q", b.Seq+uint64(k), b.Counts[2*k:2*k+2], stream)
			}
		}
	}
}

// Measured cost of decoding lines of 8 columns with sequence and tick, 16 lines
// a read.
func BenchmarkLine(b *testing.B) {
	for _, sum := range []string{"none", "crc16"} {
		b.Run(sum, func(b *testing.B) {
			o := LineOptions{Delimiter: ",", Fields: 10, SeqField: 0, TickField: 1, Checksum: sum}
			for i := range 8 {
				o.Columns = append(o.Columns, LineColumn{Field: i + 2, Decimals: 4})
			}
			r := rand.New(rand.NewPCG(1, 2)) // fixed seed 1, 2
			row := make([]int32, 8)
			reads := make([][]byte, 64)
			for i := range reads {
				for j := range 16 {
					for c := range row {
						row[c] = int32(r.NormFloat64()*2e5 + 25e4)
					}
					n := uint64(i*16 + j)
					reads[i] = AppendLine(reads[i], &o, n, n*1000, row)
				}
			}
			d := newLine(b, o, daq.Instrument{RateHz: 1000, TickHz: 1e6})
			d.Feed([]byte("\n"), 0, nil)
			out := make([]*daq.Batch, 0, 1)
			b.ReportAllocs()
			b.ResetTimer()
			for i := range b.N {
				if i%len(reads) == 0 {
					d.Reset()
					d.skip = false
				}
				out = d.Feed(reads[i%len(reads)], 0, out[:0])
				if len(out) != 1 || out[0].K != 16 {
					b.Fatal(len(out), d.Reason())
				}
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/16, "ns/line")
		})
	}
}

func ExampleAppendLine() {
	o := LineOptions{Delimiter: ",", Fields: 3, Columns: []LineColumn{{Field: 1, Decimals: 3}, {Field: 2, Decimals: 0}}, SeqField: 0, TickField: -1, Checksum: "xor"}
	fmt.Printf("%q\n", AppendLine(nil, &o, 7, 0, []int32{18421, -5}))
	// Output: "7,18.421,-5*3F\r\n"
}
