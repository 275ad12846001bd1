package trace

import (
	"math"

	"ventward/daq"
)

// Protocol is the Instrument.Protocol of a trace.
const Protocol = "trace"

// gapSteps is how many median steps without a row are a gap: jitter is not.
const gapSteps = 2.5

// Instrument describes the trace as the only instrument of a bench.
func (t *Trace) Instrument() daq.Instrument {
	name := t.Name
	if name == "" {
		name = Protocol
	}
	return daq.Instrument{Name: name, Protocol: Protocol, Columns: len(t.Columns), RateHz: t.RateHz}
}

// Channels returns the channel table, one channel a column. Raw readings are
// already in the channel's unit.
func (t *Trace) Channels() []daq.Channel {
	chs := make([]daq.Channel, len(t.Columns))
	for i := range t.Columns {
		c := &t.Columns[i]
		chs[i] = daq.Channel{Name: c.Name, Role: c.Role, Quantity: c.Quantity, Reference: c.Reference, Column: i, Floats: true, Step: c.Resolution}
		chs[i].Curve.Kind, chs[i].Curve.Gain = "linear", 1
	}
	return chs
}

// Batches returns the readings as batches of at most rows rows, with the rows'
// own times. A batch ends early at a gap, and the next says how many rows of
// the median step are missing.
func (t *Trace) Batches(rows int) []*daq.Batch {
	rows = max(rows, 1)
	step := float64(medianStep(t.T))
	limit := gapSteps * step
	out := make([]*daq.Batch, 0, len(t.T)/rows+1)
	lost := uint32(0)
	for i := 0; i < len(t.T); {
		k := 1
		for k < rows && i+k < len(t.T) && float64(t.T[i+k]-t.T[i+k-1]) <= limit {
			k++
		}
		b := t.batch(i, k)
		b.Lost = lost
		out = append(out, b)
		if i += k; i < len(t.T) {
			lost = missing(float64(t.T[i]-t.T[i-1]), step, limit)
		}
	}
	return out
}

// missing is how many rows a step of d ns leaves out.
func missing(d, step, limit float64) uint32 {
	if d <= limit {
		return 0
	}
	return uint32(math.Min(math.Round(d/step)-1, math.MaxUint32))
}

// batch copies k rows from row i on.
func (t *Trace) batch(i, k int) *daq.Batch {
	n := len(t.Columns)
	f := make([]float64, n*k)
	for c := range t.Columns {
		for r, v := range t.Columns[c].Values[i : i+k] {
			f[r*n+c] = v
		}
	}
	return &daq.Batch{Arrived: t.T[i+k-1], Seq: uint64(i), HasSeq: true, Newest: true, N: n, K: k, Floats: f, Times: t.T[i : i+k : i+k]}
}
