package store

import (
	"math"
	"reflect"
	"testing"

	"pgregory.net/rapid"

	"ventward/daq"
)

// The rows' own times of an imported trace come back to the ns, whatever their
// jitter and gaps.
func TestRowTimesRoundTrip(t *testing.T) {
	var enc codec
	var dec decodec
	rapid.Check(t, func(t *rapid.T) {
		var es []*daq.Entry
		at := rapid.Int64Range(-1e18, 1e18).Draw(t, "at")
		for n := range rapid.IntRange(1, 5).Draw(t, "batches") {
			k := rapid.IntRange(1, 40).Draw(t, "rows")
			b := &daq.Batch{N: 1, K: k, Seq: uint64(n), Floats: make([]float64, k), Times: make([]int64, k)}
			for i := range k {
				at += rapid.Int64Range(1, 1e12).Draw(t, "step")
				b.Times[i], b.Floats[i] = at, math.Sqrt(float64(i))
			}
			b.Arrived = at
			es = append(es, &daq.Entry{N: uint64(n + 1), At: at, Kind: daq.EntryBatch, Batch: b})
		}
		got, err := dec.chunk(nil, 1, enc.chunk(nil, 1, es))
		if err != nil || len(got) != len(es) {
			t.Fatalf("%d entries, %v", len(got), err)
		}
		for i := range es {
			if !reflect.DeepEqual(*es[i], got[i]) {
				t.Fatalf("entry %d: %+v became %+v", i, es[i].Batch, got[i].Batch)
			}
		}
	})
}
