package store

import (
	"encoding/binary"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"syscall"
	"testing"
	"time"

	"ventward/daq"
)

// One commit of the benchmarks: 64 channels of 6250 readings, in batches of 50
// rows from 8 instruments.
const (
	benchInstruments = 8
	benchColumns     = 8
	benchRows        = 6250
	benchBatchRows   = 50
	benchSamples     = benchInstruments * benchColumns * benchRows
)

// benchItems is a ramp with Gaussian noise, quantised: 16 bit with 1.5 counts
// of noise, 24 bit with 60.
func benchItems(bits int) []item {
	rng := rand.New(rand.NewPCG(1, 7))
	sigma, full := 1.5, math.Pow(2, 15)*0.9
	if bits == 24 {
		sigma, full = 60, math.Pow(2, 23)*0.9
	}
	var items []item
	for row := 0; row < benchRows; row += benchBatchRows {
		for i := range benchInstruments {
			b := &daq.Batch{Instrument: uint16(i), Arrived: int64(row) * 1e5, Seq: uint64(row), Tick: uint64(row), HasSeq: true, HasTick: true,
				Newest: true, N: benchColumns, K: benchBatchRows, Counts: make([]int32, benchColumns*benchBatchRows)}
			for k := range b.Counts {
				x := full * float64(row+k/benchColumns) / 600000
				b.Counts[k] = int32(math.Round(x + sigma*rng.NormFloat64()))
			}
			items = append(items, item{entry: daq.Entry{Kind: daq.EntryBatch, Batch: b}})
		}
	}
	return items
}

// number gives the items the numbers that follow n.
func number(items []item, n uint64) uint64 {
	for i := range items {
		n++
		items[i].entry.N, items[i].entry.At = n, int64(n)*1e5
	}
	return n
}

// cpu is the processor time of the process so far: what counts on a machine
// that does other things as well.
func cpu() time.Duration {
	var ru syscall.Rusage
	syscall.Getrusage(syscall.RUSAGE_SELF, &ru)
	return time.Duration(ru.Utime.Nano() + ru.Stime.Nano())
}

func msps(samples int, d time.Duration) float64 { return float64(samples) / d.Seconds() / 1e6 }

// BenchmarkWrite compares the store with a plain file that gets the same
// counts as 4-byte integers, one sync a commit, in turn with the store's.
func BenchmarkWrite(b *testing.B) {
	for _, bits := range []int{16, 24} {
		b.Run(fmt.Sprintf("%dbit", bits), func(b *testing.B) {
			items := benchItems(bits)
			f, err := createFile(filepath.Join(b.TempDir(), "r1"), Meta{ID: "r1", Kind: KindRun})
			if err != nil {
				b.Fatal(err)
			}
			defer f.close()
			plain, err := os.Create(filepath.Join(b.TempDir(), "plain"))
			if err != nil {
				b.Fatal(err)
			}
			defer plain.Close()
			var p pack
			var buf []byte
			var n uint64
			var store, direct, storeCPU time.Duration
			b.ReportAllocs()
			b.ResetTimer()
			for range b.N {
				n = number(items, n)
				start, startCPU := time.Now(), cpu()
				p.fill(items, f.tail.last)
				if err := f.commit(&p); err != nil {
					b.Fatal(err)
				}
				store += time.Since(start)
				storeCPU += cpu() - startCPU
				start = time.Now()
				buf = buf[:0]
				for i := range items {
					for _, c := range items[i].entry.Batch.Counts {
						buf = binary.LittleEndian.AppendUint32(buf, uint32(c))
					}
				}
				if _, err := plain.Write(buf); err != nil {
					b.Fatal(err)
				}
				if err := plain.Sync(); err != nil {
					b.Fatal(err)
				}
				direct += time.Since(start)
			}
			b.ReportMetric(msps(b.N*benchSamples, store), "MS/s")
			b.ReportMetric(msps(b.N*benchSamples, storeCPU), "cpu-MS/s")
			b.ReportMetric(msps(b.N*benchSamples, direct), "plain-MS/s")
			b.ReportMetric(direct.Seconds()/store.Seconds(), "of-plain")
			b.ReportMetric(float64(len(p.arena))/benchSamples, "B/sample")
		})
	}
}

// BenchmarkPack is the coding alone.
func BenchmarkPack(b *testing.B) {
	for _, bits := range []int{16, 24} {
		b.Run(fmt.Sprintf("%dbit", bits), func(b *testing.B) {
			items := benchItems(bits)
			number(items, 0)
			var p pack
			p.fill(items, 0)
			b.ReportAllocs()
			b.ResetTimer()
			start := cpu()
			for range b.N {
				p.fill(items, 0)
			}
			b.ReportMetric(msps(b.N*benchSamples, cpu()-start), "cpu-MS/s")
			b.ReportMetric(msps(b.N*benchSamples, b.Elapsed()), "MS/s")
		})
	}
}

// BenchmarkRead reads a closed run with every checksum.
func BenchmarkRead(b *testing.B) {
	for _, bits := range []int{16, 24} {
		b.Run(fmt.Sprintf("%dbit", bits), func(b *testing.B) {
			const commits = 10
			items := benchItems(bits)
			dir := filepath.Join(b.TempDir(), "r1")
			f, err := createFile(dir, Meta{ID: "r1", Kind: KindRun})
			if err != nil {
				b.Fatal(err)
			}
			defer f.close()
			var p pack
			var n uint64
			for range commits {
				n = number(items, n)
				p.fill(items, f.tail.last)
				if err := f.commit(&p); err != nil {
					b.Fatal(err)
				}
			}
			if _, err := f.finish(f.ending(StateClosed, End{})); err != nil {
				b.Fatal(err)
			}
			b.ReportAllocs()
			b.ResetTimer()
			start := cpu()
			for range b.N {
				r, err := openReader(dir, Meta{ID: "r1"})
				if err != nil {
					b.Fatal(err)
				}
				es, err := drain(r)
				r.Close()
				if err != nil || len(es) != commits*len(items) {
					b.Fatal(err, len(es))
				}
			}
			b.ReportMetric(msps(b.N*commits*benchSamples, b.Elapsed()), "MS/s")
			b.ReportMetric(msps(b.N*commits*benchSamples, cpu()-start), "cpu-MS/s")
		})
	}
}

// BenchmarkAppend is what the loop pays for an entry.
func BenchmarkAppend(b *testing.B) {
	var q queue
	q.limit = 1 << 30
	e := daq.Entry{Kind: daq.EntryBatch, Batch: &daq.Batch{N: 8, K: 50, Counts: make([]int32, 400)}}
	var buf []item
	b.ReportAllocs()
	for range b.N {
		e.N++
		if q.push(&e); e.N%1000 == 0 {
			buf = q.take(buf[:0], 1<<30, nil)
			q.done(buf)
		}
	}
}
