package stream

import (
	"math"
	"math/rand"
	"slices"
	"testing"

	"ventward/daq"
)

// same compares bins, NaN being equal to NaN.
func same(a, b Bin) bool {
	f := func(x, y float32) bool { return x == y || (x != x && y != y) }
	return a.Index == b.Index && f(a.Min, b.Min) && f(a.Max, b.Max) && f(a.Last, b.Last) && a.Worst == b.Worst && a.LastQ == b.LastQ
}

func sameBins(a, b []Bin) bool { return slices.EqualFunc(a, b, same) }

// drain takes what an accumulator has gathered.
func drainBins(a *accumulator) []Bin {
	a.close()
	out := slices.Clone(a.pending)
	a.pending = a.pending[:0]
	return out
}

func TestBinsKeepTheExtremesOfEverySample(t *testing.T) {
	const seed = 20260301
	r := rand.New(rand.NewSource(seed))
	for trial := range 200 {
		var a accumulator
		want := map[int64]*Bin{}
		var got []Bin
		at := r.Int63n(1e12) - 5e11
		for range r.Intn(8) + 1 {
			s := make([]daq.Sample, r.Intn(400)+1)
			for i := range s {
				at += r.Int63n(2e6) + 1
				s[i] = daq.Sample{T: at, V: r.NormFloat64() * 1e6, Q: daq.Quality(r.Intn(2)) << r.Intn(12)}
				i64 := int64(math.Floor(float64(at) / BinNs))
				w := want[i64]
				if w == nil {
					b := gapBin(i64, 0)
					w = &b
					want[i64] = w
				}
				w.Worst |= s[i].Q
				w.LastQ = s[i].Q
				if s[i].Q&(daq.Missing|daq.Open|daq.Rail) == 0 {
					v := float32(s[i].V)
					w.Min = float32(math.Min(orElse(w.Min, v), float64(v)))
					w.Max = float32(math.Max(orElse(w.Max, v), float64(v)))
					w.Last = v
				}
			}
			a.samples(s)
			if r.Intn(2) == 0 {
				for _, b := range drainBins(&a) {
					got = mergeBin(got, b)
				}
			}
		}
		for _, b := range drainBins(&a) {
			got = mergeBin(got, b)
		}
		if len(got) != len(want) {
			t.Fatalf("seed %d trial %d: %d bins, want %d", seed, trial, len(got), len(want))
		}
		for _, b := range got {
			if w := want[b.Index]; w == nil || !same(b, *w) {
				t.Fatalf("seed %d trial %d: bin %+v, want %+v", seed, trial, b, w)
			}
		}
	}
}

func orElse(v, w float32) float64 {
	if v != v {
		return float64(w)
	}
	return float64(v)
}

func TestGaps(t *testing.T) {
	const ms = int64(1e6)
	regular := func(from, period int64, n int, q daq.Quality) []daq.Sample {
		s := make([]daq.Sample, n)
		for i := range s {
			s[i] = daq.Sample{T: from + int64(i)*period, V: 1}
		}
		s[0].Q |= q
		return s
	}
	cases := []struct {
		name string
		then []daq.Sample
		gap  bool
	}{
		{"no gap", regular(1000*ms, ms, 10, 0), false},
		{"lost less than a bin", regular(1030*ms, ms, 10, daq.Gap), false},
		{"lost three bins", regular(1160*ms, ms, 10, daq.Gap), true},
		{"silent for a second without a flag", regular(2000*ms, ms, 10, 0), true},
		{"a pause of 150 ms without a flag", regular(1150*ms, ms, 10, 0), false},
	}
	for _, c := range cases {
		var a accumulator
		a.samples(regular(0, ms, 1000, 0))
		a.samples(c.then)
		found := slices.ContainsFunc(drainBins(&a), func(b Bin) bool { return b.Min != b.Min && b.Worst&daq.Gap != 0 })
		if found != c.gap {
			t.Errorf("%s: gap %v, want %v", c.name, found, c.gap)
		}
	}
	var slow accumulator
	for i := range int64(20) {
		slow.samples([]daq.Sample{{T: i * 300 * ms, V: 20}})
	}
	for _, b := range drainBins(&slow) {
		if b.Min != b.Min {
			t.Fatalf("a channel of 3.3 Hz got a gap at bin %d", b.Index)
		}
	}
}

func TestUnshownReadingsAreGapsAndSpikesAreNot(t *testing.T) {
	for q, shown := range map[daq.Quality]bool{
		0: true, daq.Saturated: true, daq.Spike: true, daq.Frozen: true, daq.Gap: true,
		daq.Missing: false, daq.Open: false, daq.Rail: false,
	} {
		var a accumulator
		a.samples([]daq.Sample{{T: 1, V: 5, Q: q}})
		b := drainBins(&a)[0]
		if (b.Min == 5) != shown || b.Worst != q {
			t.Errorf("quality %q: bin %+v, shown %v wanted", q, b, shown)
		}
	}
}

func TestPendingIsBounded(t *testing.T) {
	var a accumulator
	const bins = maxPending + 100
	for i := range int64(bins) {
		a.samples([]daq.Sample{{T: i * BinNs, V: float64(i)}})
	}
	got := drainBins(&a)
	if len(got) != maxPending || a.refused != 100 || got[len(got)-1].Max != bins-1 {
		t.Fatalf("%d bins, %d refused, newest %v", len(got), a.refused, got[len(got)-1].Max)
	}
}

// TestMergeOrder: whatever the cuts into parts, the merged bins are the same,
// and merging a part twice changes nothing.
func TestMergeIsIdempotent(t *testing.T) {
	const seed = 7
	r := rand.New(rand.NewSource(seed))
	for trial := range 300 {
		var parts []Bin
		for range r.Intn(60) {
			v := float32(r.NormFloat64())
			b := Bin{Index: int64(r.Intn(12)), Min: v, Max: v + 1, Last: v, Worst: daq.Quality(r.Intn(4))}
			if r.Intn(6) == 0 {
				b = gapBin(b.Index, daq.Gap)
			}
			parts = append(parts, b)
		}
		var once, twice []Bin
		for _, b := range parts {
			once = mergeBin(once, b)
			twice = mergeBin(mergeBin(twice, b), b)
		}
		if !sameBins(once, twice) || !slices.IsSortedFunc(once, func(a, b Bin) int { return int(a.Index - b.Index) }) {
			t.Fatalf("seed %d trial %d: %v and %v", seed, trial, once, twice)
		}
	}
}

func TestSamplesDoNotAllocate(t *testing.T) {
	h := NewHub(HubOptions{Channels: make([]daq.Channel, 1)})
	s := make([]daq.Sample, 500)
	var at int64
	n := 0
	if a := testing.AllocsPerRun(500, func() {
		for i := range s {
			s[i] = daq.Sample{T: at, V: float64(i)}
			at += 100_000
		}
		h.Samples(0, s)
		// The gathered bins are taken as a flush takes them, without its frame.
		if n++; n%4 == 0 {
			h.accs[0].pending = h.accs[0].pending[:0]
		}
	}); a != 0 {
		t.Fatalf("%v allocations a batch", a)
	}
}

func BenchmarkSamples(b *testing.B) {
	h := NewHub(HubOptions{Channels: make([]daq.Channel, 1)})
	s := make([]daq.Sample, 1000)
	var at int64
	b.ReportAllocs()
	for b.Loop() {
		for i := range s {
			s[i] = daq.Sample{T: at, V: float64(i)}
			at += 100_000
		}
		h.Samples(0, s)
		h.accs[0].pending = h.accs[0].pending[:0]
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/1000, "ns/sample")
}
