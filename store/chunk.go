package store

import (
	"encoding/binary"
	"errors"
	"math"

	"ventward/daq"
)

const chunkVersion = 1

// Forms of a batch.
const (
	formNeither = 0
	formCounts  = 1
	formFloats  = 2
	formTimed   = 4 // added to one of the above: the rows have times of their own
)

// Limits of a chunk. The writer keeps below them; a reader refuses more, so
// that damage can't make it ask for all memory.
const (
	maxCells   = 1 << 24 // readings in a chunk
	maxRows    = 1 << 26 // rows in a chunk
	maxBatches = 1 << 20 // batches in a chunk, ticks in a chunk
	maxColumns = 1 << 16
	maxBatch   = 1 << 22 // readings, and rows, in one batch
)

var errChunk = errors.New("chunk ends early or is malformed")

// The head lists, in the order of FORMAT.md.
const (
	listNumber = iota
	listAt
	listArrived
	listHalfTrip
	listEpoch
	listSeq
	listTick
	listFlags
	listStatus
	listLost
	listRefused
	listRows
	lists
)

const (
	flagSeq = 1 << iota
	flagTick
	flagNewest
)

func formOf(b *daq.Batch) byte {
	form := byte(formNeither)
	switch {
	case b.Counts != nil:
		form = formCounts
	case b.Floats != nil:
		form = formFloats
	}
	if b.Times != nil {
		form |= formTimed
	}
	return form
}

// wellFormed tells whether a batch is what its doc comment says and can be
// packed.
func wellFormed(b *daq.Batch) bool {
	if b == nil || b.N < 0 || b.K < 0 || b.N >= maxColumns || b.K > maxBatch || b.N*b.K > maxBatch || b.N == 0 && b.K != 0 {
		return false
	}
	cells := b.N * b.K
	if b.Times != nil && len(b.Times) != b.K {
		return false
	}
	switch formOf(b) &^ formTimed {
	case formCounts:
		return len(b.Counts) == cells && b.Floats == nil
	case formFloats:
		return len(b.Floats) == cells
	}
	return cells == 0
}

// chunk appends the entries' batches, all of one instrument, form and width.
func (c *codec) chunk(dst []byte, from uint64, es []*daq.Entry) []byte {
	b := es[0].Batch
	form := formOf(b)
	dst = append(dst, chunkVersion, form)
	dst = binary.AppendUvarint(dst, uint64(b.Instrument))
	dst = binary.AppendUvarint(dst, uint64(len(es)))
	dst = binary.AppendUvarint(dst, uint64(b.N))
	for list := range lists {
		dst = c.head(dst, list, from, es)
	}
	rows := 0
	c.batches = c.batches[:0]
	for _, e := range es {
		c.batches = append(c.batches, e.Batch)
		rows += e.Batch.K
	}
	if form&formTimed != 0 {
		dst = c.rowTimes(dst, c.batches)
		form &^= formTimed
	}
	if rows == 0 || form == formNeither {
		return dst
	}
	for col := range b.N {
		if form == formCounts {
			dst = c.counts(dst, c.batches, col)
		} else {
			dst = c.floats(dst, c.batches, col)
		}
	}
	return dst
}

// rowTimes appends the plane of the rows' own times.
func (c *codec) rowTimes(dst []byte, batches []*daq.Batch) []byte {
	c.list = c.list[:0]
	var prev, step int64
	for _, b := range batches {
		for _, t := range b.Times {
			c.list = binary.AppendUvarint(c.list, zigzag(t-prev-step))
			prev, step = t, t-prev
		}
	}
	return c.plane(dst, c.list)
}

// head appends one head list.
func (c *codec) head(dst []byte, list int, from uint64, es []*daq.Entry) []byte {
	c.list = c.list[:0]
	h := headState{n: from}
	for _, e := range es {
		c.list = binary.AppendUvarint(c.list, h.difference(list, e))
	}
	return c.plane(dst, c.list)
}

// headState is what the values of a batch's head are told against: the batch
// before.
type headState struct {
	n            uint64
	at, halfTrip int64
	seq, tick    uint64
	tickStep     uint64
	epoch        uint32
	status       uint16
	rows         int
}

// difference returns what stands in the list for the entry, and moves on.
func (h *headState) difference(list int, e *daq.Entry) (v uint64) {
	b := e.Batch
	switch list {
	case listNumber:
		v, h.n = e.N-h.n, e.N
	case listAt:
		v, h.at = zigzag(e.At-h.at), e.At
	case listArrived:
		v = zigzag(b.Arrived - e.At)
	case listHalfTrip:
		v, h.halfTrip = zigzag(b.HalfTrip-h.halfTrip), b.HalfTrip
	case listEpoch:
		v, h.epoch = uint64(zigzag32(int32(b.Epoch-h.epoch))), b.Epoch
	case listSeq:
		v, h.seq = zigzag(int64(b.Seq-h.seq)), b.Seq+uint64(b.K)
	case listTick:
		step := b.Tick - h.tick
		v, h.tick, h.tickStep = zigzag(int64(step-h.tickStep)), b.Tick, step
	case listFlags:
		v = uint64(flagsOf(b))
	case listStatus:
		v, h.status = zigzag(int64(int16(b.Status-h.status))), b.Status
	case listLost:
		v = uint64(b.Lost)
	case listRefused:
		v = uint64(b.Refused)
	case listRows:
		v, h.rows = zigzag(int64(b.K-h.rows)), b.K
	}
	return v
}

func flagsOf(b *daq.Batch) (f byte) {
	if b.HasSeq {
		f |= flagSeq
	}
	if b.HasTick {
		f |= flagTick
	}
	if b.Newest {
		f |= flagNewest
	}
	return f
}

// restore puts a list's value back into the entry; the inverse of difference.
// The lists of sequence and rows are read in an order that has K known first.
func (h *headState) restore(list int, e *daq.Entry, v uint64) bool {
	b := e.Batch
	switch list {
	case listNumber:
		h.n += v
		e.N = h.n
	case listAt:
		h.at += unzigzag(v)
		e.At = h.at
	case listArrived:
		b.Arrived = e.At + unzigzag(v)
	case listHalfTrip:
		h.halfTrip += unzigzag(v)
		b.HalfTrip = h.halfTrip
	case listEpoch:
		h.epoch += uint32(unzigzag32(uint32(v)))
		b.Epoch = h.epoch
		return v <= math.MaxUint32
	case listSeq:
		b.Seq = h.seq + uint64(unzigzag(v))
		h.seq = b.Seq + uint64(b.K)
	case listTick:
		h.tickStep += uint64(unzigzag(v))
		h.tick += h.tickStep
		b.Tick = h.tick
	case listFlags:
		b.HasSeq, b.HasTick, b.Newest = v&flagSeq != 0, v&flagTick != 0, v&flagNewest != 0
		return v <= flagSeq|flagTick|flagNewest
	case listStatus:
		h.status += uint16(unzigzag(v))
		b.Status = h.status
		return v <= math.MaxUint16
	case listLost:
		b.Lost = uint32(v)
		return v <= math.MaxUint32
	case listRefused:
		b.Refused = uint32(v)
		return v <= math.MaxUint32
	case listRows:
		k := int64(h.rows) + unzigzag(v)
		if k < 0 || k > maxBatch {
			return false
		}
		h.rows = int(k)
		b.K = h.rows
	}
	return true
}

// chunk decodes a chunk and appends its entries to out. from is the row's
// first entry.
func (d *decodec) chunk(out []daq.Entry, from uint64, src []byte) ([]daq.Entry, error) {
	if len(src) < 2 || src[0] != chunkVersion || src[1]&^formTimed > formFloats {
		return out, errChunk
	}
	form := src[1]
	instrument, src, err1 := uvarint(src[2:], math.MaxUint16)
	count, src, err2 := uvarint(src, maxBatches)
	width, src, err3 := uvarint(src, maxColumns-1)
	if err1 != nil || err2 != nil || err3 != nil || count == 0 || count > uint64(maxBatches) {
		return out, errChunk
	}
	// Every head list takes a few bytes at least; beyond that a run of equal
	// values costs nothing, so the count can't be checked against the length.
	batches := make([]daq.Batch, count)
	at := len(out)
	for i := range batches {
		batches[i].Instrument, batches[i].N = uint16(instrument), int(width)
		out = append(out, daq.Entry{Kind: daq.EntryBatch, Batch: &batches[i]})
	}
	es := out[at:]
	src, err := d.heads(src, from, es)
	if err != nil {
		return out[:at], err
	}
	if err := d.readings(src, form, es); err != nil {
		return out[:at], err
	}
	return out, nil
}

// heads decodes the head lists into the entries. The list of rows is the last
// in the file, and the sequence needs it, so that list waits for it.
func (d *decodec) heads(src []byte, from uint64, es []daq.Entry) ([]byte, error) {
	var seqs []byte
	for list := range lists {
		slot := 0
		if list == listSeq {
			slot = 1 // kept until the rows are known
		}
		p, rest, err := d.plane(src, slot, binary.MaxVarintLen64*len(es))
		if err != nil {
			return nil, err
		}
		src = rest
		if list == listSeq {
			seqs = p
			continue
		}
		if err := restoreList(list, from, es, p); err != nil {
			return nil, err
		}
	}
	return src, restoreList(listSeq, from, es, seqs)
}

func restoreList(list int, from uint64, es []daq.Entry, p []byte) error {
	h := headState{n: from}
	for i := range es {
		v, rest, err := uvarint(p, math.MaxUint64)
		if err != nil || !h.restore(list, &es[i], v) {
			return errChunk
		}
		p = rest
	}
	if len(p) != 0 {
		return errChunk
	}
	return nil
}

// readings decodes the columns into freshly made memory that the batches
// share.
func (d *decodec) readings(src []byte, form byte, es []daq.Entry) error {
	width, rows := es[0].Batch.N, 0
	for i := range es {
		rows += es[i].Batch.K
		if rows > maxRows || rows*width > maxCells {
			return errChunk
		}
	}
	var err error
	if form&formTimed != 0 {
		if src, err = d.rowTimes(src, rows, es); err != nil {
			return err
		}
		form &^= formTimed
	}
	cells := rows * width
	var counts []int32
	var floats []float64
	switch form {
	case formNeither:
		if cells != 0 {
			return errChunk
		}
	case formCounts:
		counts = make([]int32, cells)
	case formFloats:
		floats = make([]float64, cells)
	}
	for col := 0; col < width && cells > 0; col++ {
		if form == formCounts {
			src, err = d.counts(src, rows, counts, col, width)
		} else {
			src, err = d.floats(src, rows, floats, col, width)
		}
		if err != nil {
			return err
		}
	}
	if len(src) != 0 {
		return errChunk
	}
	for i := range es {
		b := es[i].Batch
		n := b.K * b.N
		if form == formCounts {
			b.Counts, counts = counts[:n:n], counts[n:]
		} else if form == formFloats {
			b.Floats, floats = floats[:n:n], floats[n:]
		}
	}
	return nil
}

// rowTimes decodes the rows' own times into the batches.
func (d *decodec) rowTimes(src []byte, rows int, es []daq.Entry) ([]byte, error) {
	p, src, err := d.plane(src, 0, binary.MaxVarintLen64*rows)
	if err != nil {
		return nil, err
	}
	if len(p) < rows || rows > maxCells {
		return nil, errChunk
	}
	times := make([]int64, rows)
	var prev, step int64
	for i := range times {
		var v uint64
		if v, p, err = uvarint(p, math.MaxUint64); err != nil {
			return nil, errChunk
		}
		step += unzigzag(v)
		prev += step
		times[i] = prev
	}
	if len(p) != 0 {
		return nil, errChunk
	}
	for i := range es {
		k := es[i].Batch.K
		es[i].Batch.Times, times = times[:k:k], times[k:]
	}
	return src, nil
}

// ticks appends a chunk of ticks.
func (c *codec) ticks(dst []byte, from uint64, es []*daq.Entry) []byte {
	dst = append(dst, chunkVersion)
	dst = binary.AppendUvarint(dst, uint64(len(es)))
	c.list = c.list[:0]
	for _, e := range es {
		c.list = binary.AppendUvarint(c.list, e.N-from)
		from = e.N
	}
	dst = c.plane(dst, c.list)
	dst = c.times(dst, es, func(e *daq.Entry) int64 { return e.At })
	return c.times(dst, es, func(e *daq.Entry) int64 { return e.Wall })
}

func (c *codec) times(dst []byte, es []*daq.Entry, of func(*daq.Entry) int64) []byte {
	c.list = c.list[:0]
	var prev, step int64
	for _, e := range es {
		t := of(e)
		c.list = binary.AppendUvarint(c.list, zigzag(t-prev-step))
		prev, step = t, t-prev
	}
	return c.plane(dst, c.list)
}

// ticks decodes a chunk of ticks and appends its entries to out.
func (d *decodec) ticks(out []daq.Entry, from uint64, src []byte) ([]daq.Entry, error) {
	if len(src) < 2 || src[0] != chunkVersion {
		return out, errChunk
	}
	count, src, err := uvarint(src[1:], maxBatches)
	if err != nil || count == 0 {
		return out, errChunk
	}
	var p [3][]byte
	for i := range p {
		if p[i], src, err = d.plane(src, i, binary.MaxVarintLen64*int(count)); err != nil {
			return out, err
		}
	}
	at := len(out)
	var h [2]struct{ value, step int64 }
	for range count {
		var v [3]uint64
		for i := range p {
			if v[i], p[i], err = uvarint(p[i], math.MaxUint64); err != nil {
				return out[:at], errChunk
			}
		}
		from += v[0]
		for i := range h {
			h[i].step += unzigzag(v[i+1])
			h[i].value += h[i].step
		}
		out = append(out, daq.Entry{N: from, Kind: daq.EntryTick, At: h[0].value, Wall: h[1].value})
	}
	if len(src)+len(p[0])+len(p[1])+len(p[2]) != 0 {
		return out[:at], errChunk
	}
	return out, nil
}
