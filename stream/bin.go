package stream

import (
	"math"
	"sort"

	"ventward/daq"
)

// BinNs is the width of a live bin in ns of bench time. Bin i covers
// [i*BinNs, (i+1)*BinNs).
const BinNs = 50_000_000

// unshown is the set of flags with which a reading is no point on a chart: the
// wire or converter says nothing about the specimen. A spike stays visible
// though it is no measurement, because hiding it would hide the fault.
const unshown = daq.Missing | daq.Open | daq.Rail

// A Bin is the smallest, largest and last of a channel's readings in a stretch
// of bench time, in the channel's unit (Pa, °C, V, ...). Min, Max and Last are
// NaN where the stretch has no reading to show: a gap.
type Bin struct {
	Index int64 // start of the bin in bin widths of bench time
	Min   float32
	Max   float32
	Last  float32
	Worst daq.Quality // every flag that any reading carried
	LastQ daq.Quality // flags of the last reading
}

// gapBin is a bin without a reading.
func gapBin(index int64, q daq.Quality) Bin {
	nan := float32(math.NaN())
	return Bin{Index: index, Min: nan, Max: nan, Last: nan, Worst: q, LastQ: q}
}

// take adds one reading.
func (b *Bin) take(s daq.Sample) {
	b.Worst |= s.Q
	b.LastQ = s.Q
	if s.Q&unshown != 0 || math.IsNaN(s.V) {
		return
	}
	v := float32(s.V)
	b.Last = v
	if !(b.Min <= v) {
		b.Min = v
	}
	if !(b.Max >= v) {
		b.Max = v
	}
}

// merge widens b by a bin of the same stretch that was filled later. Merging
// twice changes nothing, so a bin may be sent more than once.
func (b *Bin) merge(c Bin) {
	b.Worst |= c.Worst
	b.LastQ = c.LastQ
	if c.Min == c.Min && !(b.Min <= c.Min) {
		b.Min = c.Min
	}
	if c.Max == c.Max && !(b.Max >= c.Max) {
		b.Max = c.Max
	}
	if c.Last == c.Last {
		b.Last = c.Last
	}
}

// mergeBin puts c into bins, which are sorted by index. The usual case, a bin
// at or behind the end, costs nothing but a comparison.
func mergeBin(bins []Bin, c Bin) []Bin {
	n := len(bins)
	if n == 0 || bins[n-1].Index < c.Index {
		return append(bins, c)
	}
	if bins[n-1].Index == c.Index {
		bins[n-1].merge(c)
		return bins
	}
	i := sort.Search(n, func(i int) bool { return bins[i].Index >= c.Index })
	if bins[i].Index == c.Index {
		bins[i].merge(c)
		return bins
	}
	bins = append(bins, Bin{})
	copy(bins[i+1:], bins[i:])
	bins[i] = c
	return bins
}

func floorDiv(a, b int64) int64 {
	q := a / b
	if a%b < 0 {
		q--
	}
	return q
}

// maxPending bounds the bins a channel may gather between two flushes: 200 s.
const maxPending = 4096

// An accumulator gathers one channel's bins since the last flush.
type accumulator struct {
	cur     Bin
	open    bool
	lo, hi  int64 // bench time covered by cur, ns
	pending []Bin
	newest  int64 // time of the newest reading ever, ns
	seen    bool
	period  int64 // ns between readings, as the last batch had it
	refused uint64
}

// samples adds consecutive readings. It allocates only while pending grows.
func (a *accumulator) samples(s []daq.Sample) {
	if len(s) == 0 {
		return
	}
	a.gap(&s[0])
	for i := range s {
		t := s[i].T
		if !a.open || t < a.lo || t >= a.hi {
			a.turn(t)
		}
		a.cur.take(s[i])
	}
	last := s[len(s)-1].T
	if n := int64(len(s) - 1); n > 0 && last > s[0].T {
		a.period = (last - s[0].T) / n
	} else if a.seen && last > a.newest {
		a.period = last - a.newest
	}
	if !a.seen || last > a.newest {
		a.newest = last
	}
	a.seen = true
}

// gap leaves an empty bin where readings are missing, so that a chart breaks
// its line there. A slow channel, whose readings are further apart than a bin,
// has no gaps for that alone.
func (a *accumulator) gap(first *daq.Sample) {
	if !a.seen {
		return
	}
	from, to := floorDiv(a.newest, BinNs), floorDiv(first.T, BinNs)
	if to-from < 2 {
		return
	}
	silent := a.period > 0 && first.T-a.newest > 4*a.period && first.T-a.newest > 4*BinNs
	if first.Q&daq.Gap == 0 && !silent {
		return
	}
	a.close()
	a.push(gapBin(from+1, daq.Missing|daq.Gap))
}

// turn closes the current bin and opens the one of time t.
func (a *accumulator) turn(t int64) {
	a.close()
	i := floorDiv(t, BinNs)
	a.cur, a.open = gapBin(i, 0), true
	a.lo, a.hi = i*BinNs, (i+1)*BinNs
}

func (a *accumulator) close() {
	if a.open {
		a.push(a.cur)
		a.open = false
	}
}

func (a *accumulator) push(b Bin) {
	if len(a.pending) >= maxPending {
		copy(a.pending, a.pending[1:])
		a.pending = a.pending[:len(a.pending)-1]
		a.refused++
	}
	a.pending = mergeBin(a.pending, b)
}
