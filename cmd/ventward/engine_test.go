package main

import (
	"math"
	"math/rand/v2"
	"testing"

	"ventward/config"
	"ventward/daq"
)

// fastBatches makes what the example bench's fast instrument would send: a
// ramp of rampCounts a second with noise, rows a batch, n batches.
func fastBatches(seed uint64, columns, rows, n int) []*daq.Batch {
	r := rand.New(rand.NewPCG(seed, 9))
	var out []*daq.Batch
	row := uint64(0)
	for range n {
		b := &daq.Batch{N: columns, K: rows, Seq: row, HasSeq: true, Tick: row * 100, HasTick: true, Newest: true, Counts: make([]int32, rows*columns)}
		for k := range rows {
			for c := range columns {
				b.Counts[k*columns+c] = int32(math.Round(8000 + float64(row)*0.05 + 8*r.NormFloat64()))
			}
			row++
		}
		b.Arrived = 10e9 + int64(row)*100e3
		out = append(out, b)
	}
	return out
}

func exampleBench(tb testing.TB) *config.Bench {
	tb.Helper()
	b, err := config.Parse("kiln2.toml", config.Example())
	if err != nil {
		tb.Fatal(err)
	}
	return b
}

// Once running, a batch goes through clock, condition, watch and judge without
// garbage.
func TestEngineMakesNoGarbage(t *testing.T) {
	const seed = 5
	t.Logf("seed %d", seed)
	eng, err := newEngine(setup{Bench: exampleBench(t)})
	if err != nil {
		t.Fatal(err)
	}
	batches := fastBatches(seed, 4, 50, 4000)
	next := 0
	step := func() {
		eng.take(&daq.Entry{At: batches[next].Arrived, Kind: daq.EntryBatch, Batch: batches[next]})
		next++
	}
	for range 2000 {
		step()
	}
	if n := testing.AllocsPerRun(1500, step); n > 0 {
		t.Errorf("%v allocations a batch of 50 rows, want 0", n)
	}
}

// Two engines given the same entries say the same, and one restored from the
// other's snapshot keeps its clocks.
func TestEngineIsAFunctionOfItsEntries(t *testing.T) {
	const seed = 6
	t.Logf("seed %d", seed)
	b := exampleBench(t)
	run := func() (times []int64, events int) {
		eng, err := newEngine(setup{Bench: b})
		if err != nil {
			t.Fatal(err)
		}
		for _, bt := range fastBatches(seed, 4, 50, 400) {
			out := eng.take(&daq.Entry{At: bt.Arrived, Kind: daq.EntryBatch, Batch: bt})
			events += len(out.Events)
			times = append(times, eng.newest[0].T)
		}
		return times, events
	}
	t1, e1 := run()
	t2, e2 := run()
	if e1 != e2 || len(t1) != len(t2) {
		t.Fatalf("%d and %d events", e1, e2)
	}
	for i := range t1 {
		if t1[i] != t2[i] {
			t.Fatalf("batch %d: times %d and %d", i, t1[i], t2[i])
		}
	}
}

// BenchmarkEngine is condition + watch + judge of the example bench, 4 columns
// at 10 kHz, beside a plain copy of the same samples.
func BenchmarkEngine(b *testing.B) {
	eng, err := newEngine(setup{Bench: exampleBench(b)})
	if err != nil {
		b.Fatal(err)
	}
	const rows, columns = 50, 4
	batches := fastBatches(7, columns, rows, 20000)
	i := 0
	b.ReportAllocs()
	for b.Loop() {
		if i == len(batches) {
			b.StopTimer()
			if eng, err = newEngine(setup{Bench: exampleBench(b)}); err != nil {
				b.Fatal(err)
			}
			i = 0
			b.StartTimer()
		}
		eng.take(&daq.Entry{At: batches[i].Arrived, Kind: daq.EntryBatch, Batch: batches[i]})
		i++
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/rows/columns, "ns/sample")
}
