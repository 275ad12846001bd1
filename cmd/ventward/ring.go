package main

import "ventward/daq"

// Bounds of what is remembered from before a run.
const (
	segmentNS    = int64(10e9)
	ringMaxBytes = 512 << 20
)

// A segment is a stretch of entries with the state of the engine's clocks and
// guard at its beginning, so that a record can begin there.
type segment struct {
	from    setup
	at      int64
	entries []daq.Entry
	bytes   int
}

// ring remembers the entries before a run, in segments of about ten seconds.
type ring struct {
	keep     int64 // ns
	segments []segment
	bytes    int
}

// open begins a segment where one is due; begin gives the state before the
// entry that comes next.
func (r *ring) open(now int64, begin func() setup) {
	n := len(r.segments)
	if n > 0 && now-r.segments[n-1].at < segmentNS {
		return
	}
	r.segments = append(r.segments, segment{from: begin(), at: now})
	r.prune(now)
}

// add remembers an entry in the open segment.
func (r *ring) add(en daq.Entry) {
	s := &r.segments[len(r.segments)-1]
	s.entries = append(s.entries, en)
	size := entrySize(&en)
	s.bytes += size
	r.bytes += size
}

// prune drops segments that end before what is kept, and the oldest while the
// bound of memory is passed.
func (r *ring) prune(now int64) {
	for len(r.segments) > 2 && (now-r.segments[1].at > r.keep || r.bytes > ringMaxBytes) {
		r.bytes -= r.segments[0].bytes
		r.segments[0] = segment{}
		r.segments = r.segments[1:]
	}
}

// take empties the ring: the state at its beginning and every entry since.
func (r *ring) take() (setup, []daq.Entry, bool) {
	if len(r.segments) == 0 {
		return setup{}, nil, false
	}
	var all []daq.Entry
	for i := range r.segments {
		all = append(all, r.segments[i].entries...)
	}
	from := r.segments[0].from
	*r = ring{keep: r.keep}
	return from, all, true
}

func (r *ring) clear() { *r = ring{keep: r.keep} }

func entrySize(en *daq.Entry) int {
	n := 200 + len(en.Body)
	if b := en.Batch; b != nil {
		n += 128 + 4*len(b.Counts) + 8*len(b.Floats)
	}
	return n
}
