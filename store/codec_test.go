package store

import (
	"bytes"
	"encoding/binary"
	"encoding/hex"
	"hash/crc32"
	"math"
	"math/rand/v2"
	"reflect"
	"testing"

	"pgregory.net/rapid"

	"ventward/daq"
)

// The checksum is the one of RFC 3720 (iSCSI), appendix B.4: 32 bytes of
// zeros, 32 of ones, 32 ascending. The RFC prints the bytes as sent, lowest
// first.
func TestChecksumRFC3720(t *testing.T) {
	ascending := make([]byte, 32)
	for i := range ascending {
		ascending[i] = byte(i)
	}
	for _, c := range []struct {
		data []byte
		want string
	}{
		{make([]byte, 32), "aa36918a"},
		{bytes.Repeat([]byte{0xff}, 32), "43aba862"},
		{ascending, "4e79dd46"},
	} {
		got := hex.EncodeToString(binary.LittleEndian.AppendUint32(nil, crc32.Checksum(c.data, castagnoli)))
		if got != c.want {
			t.Errorf("CRC of % x = %s, want %s", c.data[:4], got, c.want)
		}
	}
}

// The zigzag table of the Protocol Buffers encoding guide ("Signed Integers").
func TestZigzagProtocolBuffers(t *testing.T) {
	for _, c := range []struct {
		v int64
		u uint64
	}{{0, 0}, {-1, 1}, {1, 2}, {-2, 3}, {0x7fffffff, 0xfffffffe}, {-0x80000000, 0xffffffff}} {
		if got := zigzag(c.v); got != c.u {
			t.Errorf("zigzag(%d) = %d, want %d", c.v, got, c.u)
		}
		if got := unzigzag(c.u); got != c.v {
			t.Errorf("unzigzag(%d) = %d, want %d", c.u, got, c.v)
		}
		if got := zigzag32(int32(c.v)); got != uint32(c.u) {
			t.Errorf("zigzag32(%d) = %d, want %d", c.v, got, c.u)
		}
		if got := unzigzag32(uint32(c.u)); int64(got) != c.v {
			t.Errorf("unzigzag32(%d) = %d, want %d", c.u, got, c.v)
		}
	}
}

func TestPlaneRoundTrip(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	noise := func(n, most int) []byte {
		b := make([]byte, n)
		for i := range b {
			b[i] = byte(rng.IntN(most))
		}
		return b
	}
	for _, c := range []struct {
		name string
		p    []byte
		most int // bytes it may take coded
	}{
		{"empty", nil, 1},
		{"one", []byte{7}, 3},
		{"repeated", bytes.Repeat([]byte{3}, 1000), 4},
		{"repeated over blocks", bytes.Repeat([]byte{3}, 3*planeBlock+5), 20},
		{"short noise", noise(31, 4), 33},
		{"noise of 2 bits", noise(10000, 4), 2700},
		{"full noise", noise(10000, 256), 10010},
		{"blocks of noise", noise(planeBlock+100, 16), planeBlock/2 + 500},
		{"nearly constant", append(bytes.Repeat([]byte{0}, 5000), 1), 800},
	} {
		t.Run(c.name, func(t *testing.T) {
			var enc codec
			var dec decodec
			coded := enc.plane(nil, c.p)
			if len(coded) > c.most {
				t.Errorf("takes %d bytes, at most %d expected", len(coded), c.most)
			}
			got, rest, err := dec.plane(append(coded, 0xee), 0, len(c.p))
			if err != nil || !bytes.Equal(got, c.p) || !bytes.Equal(rest, []byte{0xee}) {
				t.Errorf("decoded %d bytes, rest % x, error %v; want %d bytes", len(got), rest, err, len(c.p))
			}
			if _, _, err := dec.plane(coded, 0, len(c.p)-1); err == nil && len(c.p) > 0 {
				t.Error("a plane longer than allowed is accepted")
			}
		})
	}
}

// countsGen draws columns of the shapes that sensors give, and wild ones.
func countsGen(t *rapid.T, n int) []int32 {
	c := make([]int32, n)
	rng := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 3))
	shape := rapid.SampledFrom([]string{"ramp", "constant", "wild", "spikes", "ends"}).Draw(t, "shape")
	sigma := rapid.Float64Range(0, 1e6).Draw(t, "sigma")
	for i := range c {
		x := float64(i)*3 + sigma*rng.NormFloat64()
		switch {
		case shape == "constant":
			c[i] = -17
		case shape == "wild":
			c[i] = int32(rng.Uint32())
		case shape == "ends":
			c[i] = []int32{math.MinInt32, math.MaxInt32, 0}[rng.IntN(3)]
		case shape == "spikes" && rng.IntN(100) == 0:
			c[i] = math.MaxInt32
		default:
			c[i] = int32(x)
		}
	}
	return c
}

func TestCountsRoundTrip(t *testing.T) {
	var enc codec
	var dec decodec
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 4).Draw(t, "columns")
		k := rapid.IntRange(1, 300).Draw(t, "rows")
		b := &daq.Batch{N: n, K: k, Counts: countsGen(t, n*k)}
		out := make([]int32, n*k)
		for col := range n {
			coded := enc.counts(nil, []*daq.Batch{b}, col)
			rest, err := dec.counts(coded, k, out, col, n)
			if err != nil || len(rest) != 0 {
				t.Fatalf("column %d: %v, %d bytes left", col, err, len(rest))
			}
		}
		if !reflect.DeepEqual(out, b.Counts) {
			t.Fatalf("counts differ")
		}
	})
}

func TestFloatsKeepTheirBits(t *testing.T) {
	values := []float64{0, math.Copysign(0, -1), 1, -1, math.Pi, math.Inf(1), math.Inf(-1), math.NaN(),
		math.Float64frombits(0x7ff8000000000001), math.Float64frombits(0xfff4dead0000beef), math.SmallestNonzeroFloat64, math.MaxFloat64}
	b := &daq.Batch{N: 1, K: len(values), Floats: values}
	var enc codec
	var dec decodec
	out := make([]float64, len(values))
	if rest, err := dec.floats(enc.floats(nil, []*daq.Batch{b}, 0), len(values), out, 0, 1); err != nil || len(rest) != 0 {
		t.Fatal(err, rest)
	}
	for i, v := range values {
		if math.Float64bits(v) != math.Float64bits(out[i]) {
			t.Errorf("value %d: %x became %x", i, math.Float64bits(v), math.Float64bits(out[i]))
		}
	}
}

// One spike must not widen the low plane of a whole column.
func TestSpikeIsAnException(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 4))
	c := make([]int32, 2000)
	for i := range c {
		c[i] = int32(1.5 * rng.NormFloat64())
	}
	size := func() int {
		var enc codec
		return len(enc.counts(nil, []*daq.Batch{{N: 1, K: len(c), Counts: c}}, 0))
	}
	quiet := size()
	c[1000] = 1 << 23
	if loud := size(); loud > quiet+40 {
		t.Errorf("with a spike the column takes %d bytes, without %d", loud, quiet)
	}
}

// A chunk written by hand after FORMAT.md, without the encoder: two batches of
// one row and two columns.
func TestChunkByHand(t *testing.T) {
	raw := func(b ...byte) []byte { // a plane of raw bytes
		return append([]byte{byte(len(b)), codeRaw}, b...)
	}
	repeat := func(n, v byte) []byte { return []byte{n, codeRepeat, v} }
	var src []byte
	add := func(parts ...[]byte) {
		for _, p := range parts {
			src = append(src, p...)
		}
	}
	add([]byte{1, 1, 3, 2, 2}, // version, counts, instrument 3, 2 batches, 2 columns
		raw(0, 2),       // numbers 7, 9
		raw(200, 1, 20), // at: zz(100) = 200 in two bytes, then +10
		repeat(2, 1),    // arrived: 1 before at
		repeat(2, 0),    // half trip
		raw(2, 0),       // epoch 1, 1
		raw(14, 2),      // sequence 7; then 7+1 rows+1 = 9
		raw(40, 0),      // tick 20, then a step of 20 again: 40
		raw(flagSeq|flagTick, flagSeq|flagTick|flagNewest),
		raw(6, 5),                                // status 3, 0
		raw(0, 1),                                // lost
		repeat(2, 0),                             // refused
		raw(2, 0),                                // rows 1, 1
		[]byte{9, 0}, repeat(1, 8), []byte{0, 0}, // column 0: -5, k 0, high 8 = +4: -1
		[]byte{4, 4}, repeat(1, 255), repeat(1, 2), []byte{1, 0x80, 0x02}) // column 1: 2, k 4, exception 256: u = 4098 = +2049
	got, err := new(decodec).chunk(nil, 7, src)
	if err != nil {
		t.Fatal(err)
	}
	batch := func(arrived int64, seq, tick uint64, newest bool, status uint16, lost uint32, c ...int32) *daq.Batch {
		return &daq.Batch{Instrument: 3, Epoch: 1, Arrived: arrived, Seq: seq, Tick: tick, HasSeq: true, HasTick: true,
			Newest: newest, Status: status, Lost: lost, N: 2, K: 1, Counts: c}
	}
	want := []daq.Entry{
		{N: 7, At: 100, Kind: daq.EntryBatch, Batch: batch(99, 7, 20, false, 3, 0, -5, 2)},
		{N: 9, At: 110, Kind: daq.EntryBatch, Batch: batch(109, 9, 40, true, 0, 1, -1, 2051)},
	}
	if !reflect.DeepEqual(got, want) {
		t.Errorf("got\n%+v %+v\n%+v %+v\nwant\n%+v\n%+v", got[0], got[0].Batch, got[1], got[1].Batch, want[0].Batch, want[1].Batch)
	}
	for cut := range src {
		if _, err := new(decodec).chunk(nil, 7, src[:cut]); err == nil {
			t.Errorf("the first %d of %d bytes are accepted as a chunk", cut, len(src))
		}
	}
}

func TestWellFormed(t *testing.T) {
	for _, c := range []struct {
		name string
		b    *daq.Batch
		want bool
	}{
		{"nil", nil, false},
		{"empty", &daq.Batch{}, true},
		{"counts", &daq.Batch{N: 2, K: 1, Counts: []int32{1, 2}}, true},
		{"floats", &daq.Batch{N: 1, K: 2, Floats: []float64{1, 2}}, true},
		{"no rows", &daq.Batch{N: 2, Counts: []int32{}}, true},
		{"short", &daq.Batch{N: 2, K: 2, Counts: []int32{1, 2}}, false},
		{"both", &daq.Batch{N: 1, K: 1, Counts: []int32{1}, Floats: []float64{1}}, false},
		{"rows without readings", &daq.Batch{N: 2, K: 2}, false},
		{"rows without columns", &daq.Batch{K: 2, Counts: []int32{}}, false},
		{"negative", &daq.Batch{N: -1, K: -1, Counts: []int32{1}}, false},
		{"too wide", &daq.Batch{N: maxColumns, K: 1, Counts: make([]int32, maxColumns)}, false},
	} {
		if got := wellFormed(c.b); got != c.want {
			t.Errorf("%s: %v, want %v", c.name, got, c.want)
		}
	}
}

// packed encodes entries of one kind and instrument as the writer would.
func packed(es []daq.Entry) []byte {
	refs := make([]*daq.Entry, len(es))
	for i := range es {
		refs[i] = &es[i]
	}
	var enc codec
	if es[0].Kind == daq.EntryTick {
		return enc.ticks(nil, es[0].N, refs)
	}
	return enc.chunk(nil, es[0].N, refs)
}

func FuzzChunk(f *testing.F) {
	g := newGenerator(11)
	for _, floats := range []bool{false, true} {
		var es []daq.Entry
		for len(es) < 4 {
			b := g.batch(floats)
			b.Instrument, b.N, b.K = 2, 1, 5
			b.Counts, b.Floats = []int32{1, 2, 3, 4, 1 << 30}, nil
			if floats {
				b.Counts, b.Floats = nil, []float64{1, 2, 3, math.NaN(), 5}
				b.Times = []int64{10, 21, 30, 41, 1 << 50}
			}
			es = append(es, daq.Entry{N: uint64(len(es) + 1), Kind: daq.EntryBatch, Batch: b})
		}
		f.Add(packed(es), uint64(1))
	}
	f.Add([]byte{}, uint64(0))
	f.Fuzz(func(t *testing.T, src []byte, from uint64) {
		got, err := new(decodec).chunk(nil, from, src)
		if err != nil || len(got) == 0 {
			return
		}
		// Whatever is accepted has a meaning: packed again and unpacked it is
		// the same.
		for i := range got {
			if !wellFormed(got[i].Batch) {
				t.Fatalf("batch %d is malformed: %+v", i, got[i].Batch)
			}
		}
		again, err := new(decodec).chunk(nil, got[0].N, packed(got))
		if err != nil || !sameEntries(again, got) {
			t.Fatalf("packed again: %v", err)
		}
	})
}

func FuzzTicks(f *testing.F) {
	f.Add(packed([]daq.Entry{{N: 1, At: 5, Kind: daq.EntryTick, Wall: 1e18}, {N: 3, At: 7, Kind: daq.EntryTick, Wall: 1e18 + 2}}), uint64(1))
	f.Add([]byte{1, 1, 1, 0, 0}, uint64(9))
	f.Fuzz(func(t *testing.T, src []byte, from uint64) {
		got, err := new(decodec).ticks(nil, from, src)
		if err != nil || len(got) == 0 {
			return
		}
		again, err := new(decodec).ticks(nil, got[0].N, packed(got))
		if err != nil || !sameEntries(again, got) {
			t.Fatalf("packed again: %v", err)
		}
	})
}

func FuzzRowBody(f *testing.F) {
	f.Add(byte(rowCommand), []byte(`{"at":3,"command":{"verb":"start","who":"unattributed"}}`))
	f.Add(byte(rowLink), []byte(`{"at":3,"link":{"instrument":1,"up":true}}`))
	f.Add(byte(rowConfig), []byte("12345678{}"))
	f.Add(byte(rowFinding), []byte("1234567"))
	f.Fuzz(func(t *testing.T, kind byte, body []byte) {
		r := row{table: tableRecord, kind: kind, a: 4, b: 4, c: 1, body: body}
		got, err := new(decodec).decodeRow(nil, &r)
		if err != nil || kind == rowGap {
			return
		}
		for i := range got {
			if !whole(&got[i]) {
				t.Fatalf("entry is not whole: %+v", got[i])
			}
		}
	})
}

func FuzzMark(f *testing.F) {
	f.Add(formatMark(mark{commit: 12, entry: 3456, seal: seal{1, 2, 3}}))
	f.Add(make([]byte, slotSize))
	f.Fuzz(func(t *testing.T, slot []byte) {
		m, ok := parseMark(slot)
		if !ok {
			return
		}
		if again, ok := parseMark(formatMark(m)); !ok || again != m {
			t.Fatalf("%+v became %+v", m, again)
		}
	})
}

// The golden line of FORMAT.md, its checksum computed with Python's crcmod
// algorithm written out in the test below, not with this package's table.
func TestMarkByHand(t *testing.T) {
	line := "ventward-commit 1 commit=12 entry=3456 seal=" + hex.EncodeToString(make([]byte, 32))
	crc := ^uint32(0)
	for _, b := range []byte(line) { // bit by bit, reflected polynomial of RFC 3720
		crc ^= uint32(b)
		for range 8 {
			crc = crc>>1 ^ 0x82f63b78&-(crc&1)
		}
	}
	crc = ^crc
	slot := []byte(line + " crc=" + hex.EncodeToString(binary.BigEndian.AppendUint32(nil, crc)))
	slot = append(slot, bytes.Repeat([]byte(" "), slotSize-1-len(slot))...)
	slot = append(slot, '\n')
	m, ok := parseMark(slot)
	if !ok || m.commit != 12 || m.entry != 3456 {
		t.Fatalf("%+v %v", m, ok)
	}
	if !bytes.Equal(formatMark(m), slot) {
		t.Errorf("formatMark differs: %q", formatMark(m))
	}
	for bit := range 8 * (len(line) + 13) {
		bad := bytes.Clone(slot)
		bad[bit/8] ^= 1 << (bit % 8)
		if m, ok := parseMark(bad); ok {
			t.Errorf("bit %d flipped is accepted: %+v", bit, m)
		}
	}
}

func TestPackingAllocatesNothing(t *testing.T) {
	g := newGenerator(5)
	var items []item
	for n := uint64(1); n <= 64; n++ {
		b := &daq.Batch{Instrument: uint16(n % 2), N: 4, K: 100, Counts: make([]int32, 400)}
		for i := range b.Counts {
			b.Counts[i] = int32(g.NormFloat64() * 60)
		}
		items = append(items, item{entry: daq.Entry{N: n, At: int64(n), Kind: daq.EntryBatch, Batch: b}})
		items = append(items, item{entry: daq.Entry{N: n + 64, At: int64(n), Kind: daq.EntryTick, Wall: 5}})
	}
	var p pack
	p.fill(items, 0)
	p.fill(items, 0)
	if allocs := testing.AllocsPerRun(20, func() { p.fill(items, 0) }); allocs > 0 {
		t.Errorf("packing 25600 readings allocates %v times", allocs)
	}
}
