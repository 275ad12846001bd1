package trace

import (
	"fmt"
	"math"
	"slices"

	"ventward/daq"
)

// A group is the columns of a trace that were read together: a table written
// from several loggers has cells only where a slower one had a reading, and an
// empty cell between two of them is no reading that is missing.
type group struct {
	columns []int
	t       []int64 // times of its readings
	rows    []int   // their rows; nil: every row
}

// groups puts the columns of every row first, then those that are read more
// seldom, together where they have the same rows.
func (t *Trace) groups() []group {
	out := []group{{t: t.T}}
	for i := range t.Columns {
		rows := t.seldom(i)
		k := 0
		if rows != nil {
			k = 1 + slices.IndexFunc(out[1:], func(g group) bool { return slices.Equal(g.rows, rows) })
			if k == 0 {
				k = len(out)
				out = append(out, group{t: at(t.T, rows), rows: rows})
			}
		}
		out[k].columns = append(out[k].columns, i)
	}
	if len(out[0].columns) == 0 {
		return out[1:]
	}
	return out
}

// seldom returns the rows in which column i has a reading if that is by its
// rate only every second row or less, nil if every row should have one: then an
// empty cell is a missing reading.
func (t *Trace) seldom(i int) []int {
	n := 0
	for _, v := range t.Columns[i].Values {
		if !math.IsNaN(v) {
			n++
		}
	}
	if n == 0 || 2*n > len(t.T)+1 {
		return nil
	}
	rows := make([]int, 0, n)
	for r, v := range t.Columns[i].Values {
		if !math.IsNaN(v) {
			rows = append(rows, r)
		}
	}
	apart := 0 // readings that do not stand in the row after another
	for k := 1; k < len(rows); k++ {
		if rows[k]-rows[k-1] > 1 {
			apart++
		}
	}
	if 4*apart < 3*(len(rows)-1) {
		return nil
	}
	return rows
}

func at(t []int64, rows []int) []int64 {
	out := make([]int64, len(rows))
	for k, r := range rows {
		out[k] = t[r]
	}
	return out
}

// instrument describes group k as an instrument of a bench.
func (g *group) instrument(k int, name string) daq.Instrument {
	if name == "" {
		name = Protocol
	}
	if k > 0 {
		name = fmt.Sprintf("%s, part %d", name, k+1)
	}
	return daq.Instrument{Name: name, Protocol: Protocol, Columns: len(g.columns), RateHz: rate(g.t)}
}

// A cut is where a batch begins and ends.
type cut struct {
	group   int
	from, n int // readings of the group
	lost    uint32
	arrived int64 // time of the last, ns
}

// cut cuts the readings of the group, which has number k, into batches of at most
// rows rows.
func (g *group) cut(k, rows int) []cut {
	step := float64(MedianStep(g.t))
	limit := gapSteps * step
	out := make([]cut, 0, len(g.t)/rows+1)
	lost := uint32(0)
	for i := 0; i < len(g.t); {
		n := 1
		for n < rows && i+n < len(g.t) && float64(g.t[i+n]-g.t[i+n-1]) <= limit {
			n++
		}
		out = append(out, cut{group: k, from: i, n: n, lost: lost, arrived: g.t[i+n-1]})
		if i += n; i < len(g.t) && g.rows == nil {
			lost = missing(float64(g.t[i]-g.t[i-1]), step, limit)
		}
	}
	return out
}

// batch copies the readings of a cut.
func (g *group) batch(t *Trace, at *cut) *daq.Batch {
	n := len(g.columns)
	f := make([]float64, n*at.n)
	for c, col := range g.columns {
		for r := range at.n {
			row := at.from + r
			if g.rows != nil {
				row = g.rows[row]
			}
			f[r*n+c] = t.Columns[col].Values[row]
		}
	}
	to := at.from + at.n
	return &daq.Batch{Instrument: uint16(at.group), Lost: at.lost, Arrived: at.arrived, Seq: uint64(at.from), HasSeq: true, Newest: true,
		N: n, K: at.n, Floats: f, Times: g.t[at.from:to:to]}
}
