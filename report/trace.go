package report

import "math"

// An Envelope keeps the least and the greatest value of each of a fixed number
// of bins of time: what a plot shows of any number of samples without losing a
// single one's height.
type Envelope struct {
	from, to, width float64
	lo, hi          []float64
}

// NewEnvelope covers the time from, to in s with the given number of bins.
func NewEnvelope(from, to float64, bins int) *Envelope {
	bins = max(1, min(bins, 1<<16))
	e := &Envelope{from: from, to: math.Max(to, from+1e-9), width: math.Max(to-from, 1e-9) / float64(bins), lo: make([]float64, bins), hi: make([]float64, bins)}
	for i := range e.lo {
		e.lo[i], e.hi[i] = math.Inf(1), math.Inf(-1)
	}
	return e
}

// Add takes a sample; outside the covered time and NaN it does nothing.
func (e *Envelope) Add(t, v float64) {
	i := int(math.Floor((t - e.from) / e.width))
	if i == len(e.lo) && t <= e.to { // the very end belongs to the last bin
		i--
	}
	if i < 0 || i >= len(e.lo) || math.IsNaN(v) {
		return
	}
	e.lo[i], e.hi[i] = math.Min(e.lo[i], v), math.Max(e.hi[i], v)
}

// Bounds are the least and the greatest value of bin i, from 0 on; NaN: nothing
// was added to it, or there is no such bin.
func (e *Envelope) Bounds(i int) (lo, hi float64) {
	if i < 0 || i >= len(e.lo) || e.lo[i] > e.hi[i] {
		return math.NaN(), math.NaN()
	}
	return e.lo[i], e.hi[i]
}

// Empty tells whether nothing was added.
func (e *Envelope) Empty() bool {
	for i := range e.lo {
		if e.lo[i] <= e.hi[i] {
			return false
		}
	}
	return true
}

// line returns the envelope as one line that visits both ends of each bin,
// scaled. Empty bins between two filled ones are bridged when they are few, as
// slow channels leave them, and break the line when they are many.
func (e *Envelope) line(scale float64) (x, y []float64) {
	typical := e.spacing()
	last := -1
	for i := range e.lo {
		if e.lo[i] > e.hi[i] {
			continue
		}
		if last >= 0 && i-last > 3*typical {
			x, y = append(x, e.at(last)), append(y, math.NaN())
		}
		last = i
		if e.lo[i] == e.hi[i] {
			x, y = append(x, e.at(i)), append(y, e.lo[i]/scale)
			continue
		}
		x, y = append(x, e.at(i), e.at(i)), append(y, e.lo[i]/scale, e.hi[i]/scale)
	}
	return x, y
}

func (e *Envelope) at(i int) float64 { return e.from + (float64(i)+0.5)*e.width }

// spacing is the mean number of bins from one filled one to the next.
func (e *Envelope) spacing() int {
	filled := 0
	for i := range e.lo {
		if e.lo[i] <= e.hi[i] {
			filled++
		}
	}
	if filled == 0 {
		return 1
	}
	return max(1, len(e.lo)/filled)
}

// bounds returns the least and the greatest value; +Inf and -Inf where empty.
func (e *Envelope) bounds() (lo, hi float64) {
	lo, hi = math.Inf(1), math.Inf(-1)
	for i := range e.lo {
		lo, hi = math.Min(lo, e.lo[i]), math.Max(hi, e.hi[i])
	}
	return lo, hi
}
