package stream

import "ventward/daq"

const (
	// liveNs is how much of the live bins a late joiner gets.
	liveNs = 120_000_000_000
	// maxFrames bounds the kept frames: 136 s at 30 frames a second.
	maxFrames = 4096
	// maxRunBins bounds a channel's bins of the whole run: when they are
	// used up the bins become twice as wide.
	maxRunBins = 2048
)

// A runHistory holds the whole run in a bounded number of bins. Closed bins
// are appended and never changed, so that a reader may keep the slices it
// took while the owner goes on; doubling makes new ones.
type runHistory struct {
	width int64 // ns
	rows  []runRow
}

type runRow struct {
	closed []Bin
	open   Bin
	has    bool
	newest int64
}

func newRunHistory(channels int) *runHistory {
	r := &runHistory{width: BinNs, rows: make([]runRow, channels)}
	for i := range r.rows {
		r.rows[i].closed = make([]Bin, 0, maxRunBins)
	}
	return r
}

// take adds a live bin. One that is older than the open bin widens the open
// bin: at most one bin late, never lost.
func (r *runHistory) take(ch daq.ChannelID, b Bin) {
	row := &r.rows[ch]
	b.Index = floorDiv(b.Index*BinNs, r.width)
	for row.has && b.Index > row.open.Index && len(row.closed) == maxRunBins {
		r.double()
		b.Index = floorDiv(b.Index, 2)
	}
	if !row.has {
		row.open, row.has = b, true
		return
	}
	if b.Index <= row.open.Index {
		row.open.merge(b)
		return
	}
	row.closed = append(row.closed, row.open)
	row.open = b
}

// double makes every bin twice as wide.
func (r *runHistory) double() {
	r.width *= 2
	for i := range r.rows {
		row := &r.rows[i]
		wide := make([]Bin, 0, maxRunBins)
		for _, b := range row.closed {
			b.Index = floorDiv(b.Index, 2)
			wide = mergeBin(wide, b)
		}
		if row.has {
			row.open.Index = floorDiv(row.open.Index, 2)
			if n := len(wide); n > 0 && wide[n-1].Index == row.open.Index {
				b := wide[n-1]
				b.merge(row.open)
				row.open, wide = b, wide[:n-1]
			}
		}
		row.closed = wide
	}
}

// view is what a reader may keep.
func (r *runHistory) view() *runHistory {
	v := &runHistory{width: r.width, rows: make([]runRow, len(r.rows))}
	copy(v.rows, r.rows)
	for i := range v.rows {
		c := v.rows[i].closed
		v.rows[i].closed = c[:len(c):len(c)]
	}
	return v
}

// frame makes the whole run one frame.
func (r *runHistory) frame(now int64, seq uint32) *Frame {
	f := &Frame{Kind: FrameRun, Seq: seq, Now: now, Width: r.width}
	for i := range r.rows {
		row := &r.rows[i]
		if !row.has {
			continue
		}
		bins := append(make([]Bin, 0, len(row.closed)+1), row.closed...)
		bins = append(bins, row.open)
		f.Blocks = append(f.Blocks, Block{Channel: daq.ChannelID(i), Newest: row.newest, Bins: bins})
	}
	return f
}
