package trace

import (
	"cmp"
	"iter"
	"math"
	"slices"

	"ventward/daq"
)

// Protocol is the Instrument.Protocol of a trace.
const Protocol = "trace"

// gapSteps is how many median steps without a row are a gap: jitter is not.
const gapSteps = 2.5

// Instruments describes the trace as the instruments of a bench: one for the
// columns that have a reading in every row, and one for each set of columns
// that are read more seldom.
func (t *Trace) Instruments() []daq.Instrument {
	gs := t.groups()
	out := make([]daq.Instrument, len(gs))
	for k := range gs {
		out[k] = gs[k].instrument(k, t.Name)
	}
	return out
}

// Channels returns the channel table, one channel a column, in their order.
// Raw readings are already in the channel's unit.
func (t *Trace) Channels() []daq.Channel {
	chs := make([]daq.Channel, len(t.Columns))
	for k, g := range t.groups() {
		for column, i := range g.columns {
			c := &t.Columns[i]
			chs[i] = daq.Channel{Name: c.Name, Role: c.Role, Quantity: c.Quantity, Reference: c.Reference, Instrument: k, Column: column, Floats: true, Step: c.Resolution}
			chs[i].Curve.Kind, chs[i].Curve.Gain = "linear", 1
		}
	}
	return chs
}

// Batches returns the readings with the rows' own times, in the order of the
// batches' last rows: at most rows rows a batch for the columns that have a
// reading in every row, and as much time for the others. A batch of every row
// ends early at a gap, and the next says how many rows of the median step are
// missing. Each is made as it is asked for.
func (t *Trace) Batches(rows int) iter.Seq[*daq.Batch] {
	rows = max(rows, 1)
	groups := t.groups()
	var cuts []cut
	for k := range groups {
		n := rows
		if r := groups[k].rows; r != nil {
			n = max(1, rows*len(r)/len(t.T))
		}
		cuts = append(cuts, groups[k].cut(k, n)...)
	}
	slices.SortStableFunc(cuts, func(a, b cut) int { return cmp.Compare(a.arrived, b.arrived) })
	return func(yield func(*daq.Batch) bool) {
		for i := range cuts {
			if !yield(groups[cuts[i].group].batch(t, &cuts[i])) {
				return
			}
		}
	}
}

// missing is how many rows a step of d ns leaves out.
func missing(d, step, limit float64) uint32 {
	if d <= limit {
		return 0
	}
	return uint32(math.Min(math.Round(d/step)-1, math.MaxUint32))
}
