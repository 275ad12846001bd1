package store

import (
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"ventward/daq"
)

// generator makes random entries from a seed.
type generator struct {
	*rand.Rand
	n  uint64
	at int64
}

func newGenerator(seed uint64) *generator {
	return &generator{Rand: rand.New(rand.NewPCG(seed, 99)), n: 0, at: 1e9}
}

// entries returns count entries that follow one another.
func (g *generator) entries(count int) []daq.Entry {
	es := make([]daq.Entry, count)
	for i := range es {
		es[i] = g.entry()
	}
	return es
}

func (g *generator) entry() daq.Entry {
	g.n++
	g.at += int64(g.IntN(20e6))
	e := daq.Entry{N: g.n, At: g.at}
	switch k := g.IntN(20); {
	case k < 12:
		e.Kind, e.Batch = daq.EntryBatch, g.batch(g.IntN(5) == 0)
	case k < 15:
		e.Kind, e.Wall = daq.EntryTick, 1.7e18+g.at
	case k == 15:
		e.Kind, e.Command = daq.EntryCommand, &daq.Command{Verb: "note", Who: "unattributed", Args: map[string]string{"text": "<score & \"crimp\"> \u00b5 " + fmt.Sprint(g.n)}}
	case k == 16:
		e.Kind, e.Body = daq.EntryFinding, json.RawMessage(fmt.Sprintf(`{"event": %d,  "tau_s": 1.50e-3}`, g.n))
	case k == 17:
		e.Kind, e.Readback = daq.EntryReadback, &daq.Readback{Output: g.IntN(3), State: daq.OutputOff, Serial: g.Uint64(), Reason: "read back"}
	case k == 18:
		e.Kind, e.Body = daq.EntryConfig, json.RawMessage("{\n\t\"bench\": \"Kiln 2\"\n}")
	default:
		e.Kind, e.Link = daq.EntryLink, &daq.LinkState{Instrument: 1, Up: g.IntN(2) == 0, Reason: "unplugged"}
	}
	return e
}

func (g *generator) batch(floats bool) *daq.Batch {
	b := &daq.Batch{
		Instrument: uint16(g.IntN(3)), Epoch: uint32(g.IntN(2)), Arrived: g.at - int64(g.IntN(1e6)), HalfTrip: int64(g.IntN(2)) * 3e6,
		Seq: g.Uint64(), Tick: g.n * 1000, HasSeq: g.IntN(2) == 0, HasTick: g.IntN(2) == 0, Newest: g.IntN(2) == 0,
		Status: uint16(g.Uint32()), Lost: uint32(g.IntN(3)), Refused: uint32(g.IntN(2)) * g.Uint32(), N: 1 + g.IntN(3), K: g.IntN(40),
	}
	if floats {
		b.Floats = make([]float64, b.N*b.K)
		if g.n%2 == 0 { // an imported trace
			b.Times = make([]int64, b.K)
			for i := range b.Times {
				b.Times[i] = g.at - int64(b.K-i)*1e5 + int64(g.IntN(1e4))
			}
		}
		for i := range b.Floats {
			b.Floats[i] = g.NormFloat64()
			if g.IntN(10) == 0 {
				b.Floats[i] = math.NaN()
			}
		}
		return b
	}
	b.Counts = make([]int32, b.N*b.K)
	for i := range b.Counts {
		b.Counts[i] = int32(1000*g.n) + int32(60*g.NormFloat64())
		if g.IntN(200) == 0 {
			b.Counts[i] = math.MaxInt32
		}
	}
	return b
}

// sameEntries compares bit by bit: a NaN is equal to the same NaN, nil is not
// an empty slice.
func sameEntries(a, b []daq.Entry) bool {
	if len(a) != len(b) {
		return false
	}
	for i := range a {
		if !sameEntry(a[i], b[i]) {
			return false
		}
	}
	return true
}

func sameEntry(a, b daq.Entry) bool {
	return fingerprint(a) == fingerprint(b)
}

func fingerprint(e daq.Entry) string {
	s := fmt.Sprintf("%d %d %d %d %t %x", e.N, e.At, e.Kind, e.Wall, e.Body == nil, []byte(e.Body))
	if b := e.Batch; b != nil {
		c := *b
		c.Floats = nil
		s += fmt.Sprintf(" %#v", c)
		s += fmt.Sprint(b.Floats == nil, len(b.Floats))
		for _, v := range b.Floats {
			s += fmt.Sprintf(" %x", math.Float64bits(v))
		}
	}
	if e.Command != nil {
		s += fmt.Sprintf(" %#v", *e.Command)
	}
	if e.Readback != nil {
		s += fmt.Sprintf(" %#v", *e.Readback)
	}
	if e.Link != nil {
		s += fmt.Sprintf(" %#v", *e.Link)
	}
	return s
}

// The comparison must see what it is for.
func TestSameEntrySeesDifferences(t *testing.T) {
	g := newGenerator(1)
	e := daq.Entry{N: 1, Kind: daq.EntryBatch, Batch: &daq.Batch{N: 1, K: 2, Floats: []float64{math.NaN(), 1}}}
	f := e
	b := *e.Batch
	b.Floats = []float64{math.NaN(), 2}
	f.Batch = &b
	if !sameEntry(e, e) || sameEntry(e, f) {
		t.Error("NaN differs from itself, or a changed float goes unseen")
	}
	for range 200 {
		a, b := g.entry(), g.entry()
		if sameEntry(a, b) {
			t.Fatalf("%+v and %+v look the same", a, b)
		}
	}
}
