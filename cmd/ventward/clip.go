package main

import (
	"math"
	"slices"

	"ventward/daq"
	"ventward/daq/trace"
)

// What tells a clipped reading. Judgements, no source; with noise of 0.6 codes
// two readings are equal at most every other time, so 40 in a row are no chance.
const (
	clipRestS = 0.1
	clipRest  = 40
	clipNoise = 0.6 // codes
)

// clipped finds the reading, Pa, at which a column's range ends, and since when
// it rests there, ns. The column has noise, but none at its highest reading; and
// either it had touched that before or it begins there. A transducer that is
// stuck has not touched its value before, and may be passed later.
func clipped(t *trace.Trace, c *trace.Column) (top float64, since int64, ok bool) {
	top = math.Inf(-1)
	for _, x := range c.Values {
		if x > top {
			top = x
		}
	}
	at, ok := rests(c.Values, top, max(clipRest, int(clipRestS*t.RateHz)))
	if !ok || !noisy(c.Values, top) {
		return 0, 0, false
	}
	return top, t.T[at], true
}

// endOfRange is the full scale, Pa, of a transducer whose readings from top on
// are to count as saturated; a rounding lower, so that top itself does.
func endOfRange(top float64) float64 { return top / daq.FullScale * (1 - 1e-12) }

// rests finds the first row of the first n readings in a row that are all top,
// where top was touched before or the column begins with it.
func rests(v []float64, top float64, n int) (row int, ok bool) {
	touched, run := false, 0
	for i, x := range v {
		if x != top {
			touched = touched || run > 0
			run = 0
			continue
		}
		if run++; run >= n && (touched || run == i+1) {
			return i + 1 - run, true
		}
	}
	return 0, false
}

// noisy tells whether the readings below top vary by more than their codes make
// a ramp do. Second differences see no ramp; their largest twentieth is left out
// for what falls.
func noisy(v []float64, top float64) bool {
	const most = 200000
	stride := max(1, len(v)/most)
	var bend, step []float64
	for i := 2; i < len(v); i += stride {
		a, b, c := v[i-2], v[i-1], v[i]
		if a == top || b == top || c == top || a-a != 0 || b-b != 0 || c-c != 0 {
			continue
		}
		bend = append(bend, math.Abs(a-2*b+c))
		if d := math.Abs(c - b); d > 1e-9*math.Abs(top) {
			step = append(step, d)
		}
	}
	if len(bend) < 100 || len(step) == 0 {
		return false
	}
	slices.Sort(bend)
	sum := 0.0
	n := len(bend) - len(bend)/20
	for _, x := range bend[:n] {
		sum += x
	}
	// Normal noise of unit size has second differences of mean size sqrt(6*2/pi).
	sigma := sum / float64(n) / math.Sqrt(12/math.Pi)
	return sigma >= clipNoise*slices.Min(step)
}
