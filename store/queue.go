package store

import (
	"math"
	"sync"

	"ventward/daq"
)

// item is one thing the loop gave: an entry, a derived row, or a gap.
type item struct {
	entry   daq.Entry // Kind is 0 for the others
	kind    byte      // of a derived row, or rowGap
	a, b, c uint64    // of a derived row; first and last of a gap
	body    []byte    // JSON of a derived row
	why     string    // of a gap
	cost    int       // bytes it is charged with
	fresh   bool      // idle record: begin a new segment here
}

// What an item is charged with besides its readings and text.
const itemCost = 256

func costOf(e *daq.Entry) int {
	n := itemCost + len(e.Body)
	if b := e.Batch; b != nil {
		n += 4*len(b.Counts) + 8*len(b.Floats) + 8*len(b.Times)
	}
	return n
}

// queue lies between the loop, which never waits, and the writer. Everything
// in it, and what the writer took but has not committed, is charged against
// limit.
type queue struct {
	mu      sync.Mutex
	items   []item // from head on
	head    int
	bytes   int // charged: queued and in flight
	limit   int
	closed  bool
	segment bool // a jump in the numbers begins a new segment (idle record)

	last    uint64 // number last accepted or declared missing
	began   bool   // last is set
	preface bool   // nothing but configuration so far
	gap     item   // declared but not yet queued; kind rowGap when there is one

	oldest  int64 // time of the oldest entry in flight
	flying  bool
	lost    uint64 // entries lost
	refused uint64 // entries out of order, derived rows without room
	gaps    uint64
}

// push takes an entry and reports how many bytes now wait.
func (q *queue) push(e *daq.Entry) (waiting int) {
	q.mu.Lock()
	defer q.mu.Unlock()
	if q.closed || q.began && e.N <= q.last || e.N == 0 || e.N > math.MaxInt64 {
		q.refused++
		return q.bytes
	}
	it := item{entry: *e, cost: costOf(e)}
	jump := q.began && e.N != q.last+1
	if jump && q.segment {
		it.fresh, jump = true, false
	}
	if jump {
		why := whyNotGiven
		if q.preface {
			why = whyBefore
		}
		q.miss(q.last+1, e.N-1, why)
	}
	switch {
	case !whole(e):
		q.miss(e.N, e.N, whyMalformed)
	case q.bytes+it.cost > q.limit:
		q.miss(e.N, e.N, whyQueueFull)
	default:
		q.preface = (q.preface || !q.began) && e.Kind == daq.EntryConfig
		q.add(it)
	}
	q.last, q.began = e.N, true
	return q.bytes
}

// miss declares numbers missing. Stretches that follow one another are one
// gap, under the reason of the first: as many gaps as accepted entries at
// most.
func (q *queue) miss(first, last uint64, why string) {
	if why != whyBefore {
		q.lost += last - first + 1
	}
	if q.gap.kind == rowGap && q.gap.b+1 == first && q.gap.why != whyBefore {
		q.gap.b = last
		return
	}
	q.flushGap()
	q.gaps++
	q.gap = item{kind: rowGap, a: first, b: last, why: why}
}

func (q *queue) flushGap() {
	if q.gap.kind == rowGap {
		q.items = append(q.items, q.gap)
		q.gap = item{}
	}
}

func (q *queue) add(it item) {
	q.flushGap()
	q.items = append(q.items, it)
	q.bytes += it.cost
}

// derived takes a row that the live program made of entry a.
func (q *queue) derived(kind byte, a, b, c uint64, body []byte, err error) {
	q.mu.Lock()
	defer q.mu.Unlock()
	it := item{kind: kind, a: a, b: b, c: c, body: body, cost: itemCost + len(body)}
	if err != nil || q.closed || a > math.MaxInt64 || q.bytes+it.cost > q.limit {
		q.refused++
		return
	}
	q.add(it)
}

// take moves items to buf until they are charged with most bytes, at least
// one; it stops before an item other than the first for which stop holds.
func (q *queue) take(buf []item, most int, stop func(*item) bool) []item {
	q.mu.Lock()
	defer q.mu.Unlock()
	if q.head == len(q.items) {
		q.flushGap() // nothing follows that would bring it along
	}
	bytes := 0
	q.flying = false
	for q.head < len(q.items) {
		it := &q.items[q.head]
		if len(buf) > 0 && (bytes+it.cost > most || stop != nil && stop(it)) {
			break
		}
		bytes += it.cost
		if !q.flying && it.entry.Kind != 0 {
			q.flying, q.oldest = true, it.entry.At
		}
		buf = append(buf, *it)
		*it = item{}
		q.head++
	}
	q.shrink()
	return buf
}

// shrink gives the taken front of the slice back.
func (q *queue) shrink() {
	if q.head == len(q.items) {
		q.items, q.head = q.items[:0], 0
	} else if q.head > len(q.items)/2 {
		n := copy(q.items, q.items[q.head:])
		clear(q.items[n:])
		q.items, q.head = q.items[:n], 0
	}
}

// done gives back what taken items were charged with, after they are safe or
// dropped.
func (q *queue) done(items []item) {
	bytes := 0
	for i := range items {
		bytes += items[i].cost
	}
	q.mu.Lock()
	q.bytes -= bytes
	q.flying = false
	q.mu.Unlock()
}

// dropped counts what the writer had to drop.
func (q *queue) dropped(entries, derived uint64) {
	q.mu.Lock()
	q.lost += entries
	q.refused += derived
	q.gaps++
	q.mu.Unlock()
}

// waiting is what the items not yet taken, or not yet safe, are charged with;
// at least 1 while there are any.
func (q *queue) waiting() int {
	q.mu.Lock()
	defer q.mu.Unlock()
	if q.head == len(q.items) && q.gap.kind != rowGap {
		return 0
	}
	return max(q.bytes, 1)
}

// finish refuses everything from now on.
func (q *queue) finish() {
	q.mu.Lock()
	q.closed = true
	q.mu.Unlock()
}

// state fills the queue's part of a Health.
func (q *queue) state(h *Health) {
	q.mu.Lock()
	defer q.mu.Unlock()
	h.QueueBytes, h.QueueLimit = q.bytes, q.limit
	h.Lost, h.Refused, h.Gaps = q.lost, q.refused, q.gaps
	if q.flying {
		h.Oldest, h.Waiting = q.oldest, true
		return
	}
	for i := q.head; i < len(q.items); i++ {
		if e := &q.items[i].entry; e.Kind != 0 {
			h.Oldest, h.Waiting = e.At, true
			return
		}
	}
}
