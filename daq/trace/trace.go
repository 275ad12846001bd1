package trace

import (
	"maps"
	"slices"

	"ventward/daq"
)

// A Trace is a recorded run as a table: one time and one reading of every
// column a row.
type Trace struct {
	Name    string  // of the source, for messages
	T       []int64 // ns, strictly increasing; exactly what t_s said, rounded to the ns
	Columns []Column
	// Ignored lists the columns without a role, as their headers have them: they
	// are stored and shown, not analysed.
	Ignored []string
	RateHz  float64 // 1 over the median step; 0 for a single row
}

// A Column is one channel of a trace.
type Column struct {
	Header     string        // as in the file
	Name       string        // without the unit
	Unit       string        // as in the file; empty: a plain number
	Role       daq.Role      // by name or by Options.Map
	Quantity   daq.Quantity  // by unit, or Digital for a 0/1 input
	Reference  daq.Reference // of a pressure: by unit or by Options.Reference
	Values     []float64     // in the quantity's unit inside the program (Pa, °C, V, A, N); NaN: missing
	Resolution float64       // last decimal place written in the column, in the unit of Values; 0: nothing was written
}

// Seconds returns the time of row i in s.
func (t *Trace) Seconds(i int) float64 { return float64(t.T[i]) / 1e9 }

// rate returns 1 over the median step.
func rate(t []int64) float64 {
	m := MedianStep(t)
	if m == 0 {
		return 0
	}
	return 1e9 / float64(m)
}

// MedianStep returns the median (the lower of two) step of the times in ns; 0
// for fewer than two.
func MedianStep(t []int64) int64 {
	if len(t) < 2 {
		return 0
	}
	if m, ok := commonStep(t); ok {
		return m
	}
	d := make([]int64, len(t)-1)
	for i := range d {
		d[i] = t[i+1] - t[i]
	}
	slices.Sort(d)
	return d[(len(d)-1)/2]
}

// mostSteps is how many different steps are counted one by one.
const mostSteps = 1 << 12

// commonStep is MedianStep of times with few different steps, as a clock's are: it
// needs no room for all of them. ok tells whether they are.
func commonStep(t []int64) (m int64, ok bool) {
	count := map[int64]int{}
	for i := 1; i < len(t); {
		d, from := t[i]-t[i-1], i
		for i < len(t) && t[i]-t[i-1] == d {
			i++
		}
		if count[d] += i - from; len(count) > mostSteps {
			return 0, false
		}
	}
	before := (len(t) - 2) / 2 // steps that are not above the median, without it
	for _, d := range slices.Sorted(maps.Keys(count)) {
		if before -= count[d]; before < 0 {
			return d, true
		}
	}
	return 0, false
}
