package wire

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"slices"

	"ventward/daq"
)

const (
	frameHead    = 20 // bytes before the rows
	frameTail    = 4  // CRC-32C
	frameVersion = 1

	// maxPayload is the longest payload whose encoding, delimiter included,
	// stays within MaxFrame: COBS adds at most one byte in 254, and one.
	maxPayload = 4078
)

// MaxRows returns how many rows of n columns fit into one frame.
func MaxRows(n int) int {
	if n < 1 {
		return 0
	}
	return (maxPayload - frameHead - frameTail) / (4 * n)
}

// A Frame is what one message of a frame instrument holds.
type Frame struct {
	Columns int     // raw counts a row
	Status  uint16  // the device's own bits
	Seq     uint32  // of the first row
	Tick    uint64  // of the first row
	Counts  []int32 // rows of Columns counts, row-major
}

// AppendFrame appends the encoding of f with its delimiter to dst. It refuses,
// and returns dst as it was, a frame whose counts are no whole rows or don't
// fit into MaxFrame bytes.
func AppendFrame(dst []byte, f *Frame) ([]byte, error) {
	if f.Columns < 1 || f.Columns > MaxColumns || len(f.Counts) == 0 || len(f.Counts)%f.Columns != 0 {
		return dst, fmt.Errorf("wire: frame: %d counts are no whole rows of %d columns; give 1 to %d columns and at least one row", len(f.Counts), f.Columns, MaxColumns)
	}
	rows := len(f.Counts) / f.Columns
	if rows > MaxRows(f.Columns) {
		return dst, fmt.Errorf("wire: frame: %d rows of %d columns exceed %d bytes; send at most %d rows a frame", rows, f.Columns, MaxFrame, MaxRows(f.Columns))
	}
	// The payload is laid down behind the place of its encoding, so that nothing
	// is allocated once dst is large enough.
	n := frameHead + 4*len(f.Counts) + frameTail
	room := cobsRoom(n)
	dst = slices.Grow(dst, room+n)
	p := dst[len(dst)+room : len(dst)+room+n]
	f.payload(p, rows)
	return append(appendCOBS(dst, p), 0), nil
}

// payload fills p, which is as long as the payload.
func (f *Frame) payload(p []byte, rows int) {
	p[0], p[1] = frameVersion, byte(f.Columns)
	binary.LittleEndian.PutUint16(p[2:], uint16(rows))
	binary.LittleEndian.PutUint16(p[4:], f.Status)
	binary.LittleEndian.PutUint16(p[6:], 0)
	binary.LittleEndian.PutUint32(p[8:], f.Seq)
	binary.LittleEndian.PutUint64(p[12:], f.Tick)
	for i, c := range f.Counts {
		binary.LittleEndian.PutUint32(p[frameHead+4*i:], uint32(c))
	}
	end := len(p) - frameTail
	binary.LittleEndian.PutUint32(p[end:], CRC32C(p[:end]))
}

// FrameDecoder decodes the frames of one instrument. It implements daq.Decoder.
type FrameDecoder struct {
	columns int
	index   uint16
	count   daq.Counters
	reason  reason
	order   sequence
	epoch   uint32
	held    *daq.Batch

	first   bool // nothing of the stream was cut into frames yet
	skip    bool // the frame under way is too long: skip to its end
	n       int  // bytes of the frame under way in part
	part    [MaxFrame]byte
	payload [MaxFrame]byte
}

// NewFrame returns a decoder for the instrument with that index in the bench's
// table, or an error that names every option that can't be.
func NewFrame(o FrameOptions, inst daq.Instrument, index int) (*FrameDecoder, error) {
	if err := failed("frame", o.Check()); err != nil {
		return nil, err
	}
	if err := indexed("frame", index, inst.Columns, o.Columns); err != nil {
		return nil, err
	}
	d := &FrameDecoder{columns: o.Columns, index: uint16(index), first: true}
	d.order = newSequence(counter{on: true, wrap: 1 << 32}, counter{on: true}, 0, 0)
	return d, nil
}

// Counters returns what the decoder has met.
func (d *FrameDecoder) Counters() daq.Counters { return d.count }

// Reason says in words why a message was last refused; empty: none was.
func (d *FrameDecoder) Reason() string { return d.reason.String() }

// Reset forgets partial input after the port went away; the next batch belongs
// to the next epoch.
func (d *FrameDecoder) Reset() {
	d.count.Discarded += uint64(d.n)
	d.n, d.skip, d.first = 0, false, true
	if d.held != nil {
		d.refuse(refusedOrder)
		d.held = nil
	}
	d.order.restart()
}

// Feed decodes the bytes of one read, completed at bench time at.
func (d *FrameDecoder) Feed(p []byte, at int64, out []*daq.Batch) []*daq.Batch {
	d.count.Bytes += uint64(len(p))
	had := len(out)
	for len(p) > 0 {
		end := bytes.IndexByte(p, 0)
		if end < 0 {
			d.keep(p)
			break
		}
		out = d.cut(p[:end], at, out)
		p = p[end+1:]
	}
	if len(out) > had {
		out[len(out)-1].Newest = true
	}
	return out
}

// cut takes the last bytes of a frame, up to its delimiter.
func (d *FrameDecoder) cut(p []byte, at int64, out []*daq.Batch) []*daq.Batch {
	if d.n > 0 || d.skip {
		d.keep(p)
		p = d.part[:d.n]
	}
	skip, first := d.skip, d.first
	d.n, d.skip, d.first = 0, false, false
	switch {
	case skip: // counted when it grew too long
		return out
	case len(p) == 0:
		return out
	case len(p) >= MaxFrame:
		d.count.Discarded += uint64(len(p))
		d.refuse(refusedLength)
		return out
	}
	b, why := d.decode(p)
	if b == nil {
		d.count.Discarded += uint64(len(p))
		if !first { // before the first delimiter a torn frame is no damage
			d.refuse(why)
		}
		return out
	}
	b.Arrived = at
	return d.accept(b, out)
}

// keep adds bytes to the frame under way, or skips it when it grows too long.
func (d *FrameDecoder) keep(p []byte) {
	if !d.skip && d.n+len(p) >= MaxFrame {
		d.count.Discarded += uint64(d.n)
		d.skip, d.n = true, 0
		d.refuse(refusedLength)
	}
	if d.skip {
		d.count.Discarded += uint64(len(p))
		return
	}
	d.n += copy(d.part[d.n:], p)
}

func (d *FrameDecoder) refuse(why reason) {
	d.count.Bad++
	d.reason = why
}

// decode returns the batch in an encoded frame, or why there is none.
func (d *FrameDecoder) decode(enc []byte) (*daq.Batch, reason) {
	n, ok := decodeCOBS(d.payload[:], enc)
	if !ok || n < frameHead+frameTail {
		return nil, refusedForm
	}
	p, sum := d.payload[:n-frameTail], binary.LittleEndian.Uint32(d.payload[n-frameTail:n])
	if CRC32C(p) != sum {
		return nil, refusedChecksum
	}
	rows := int(binary.LittleEndian.Uint16(p[2:]))
	switch {
	case p[0] != frameVersion:
		return nil, refusedVersion
	case int(p[1]) != d.columns:
		return nil, refusedColumns
	case rows == 0 || len(p) != frameHead+4*d.columns*rows:
		return nil, refusedForm
	}
	b := &daq.Batch{
		Instrument: d.index, HasSeq: true, HasTick: true, N: d.columns, K: rows,
		Status: binary.LittleEndian.Uint16(p[4:]),
		Seq:    uint64(binary.LittleEndian.Uint32(p[8:])),
		Tick:   binary.LittleEndian.Uint64(p[12:]),
		Counts: make([]int32, rows*d.columns),
	}
	p = p[frameHead:]
	for i := range b.Counts {
		b.Counts[i] = int32(binary.LittleEndian.Uint32(p))
		p = p[4:]
	}
	return b, refusedNothing
}

// accept puts a good frame in its place in the device's count.
func (d *FrameDecoder) accept(b *daq.Batch, out []*daq.Batch) []*daq.Batch {
	r := d.order.judge(mark{seq: b.Seq, tick: b.Tick, rows: uint64(b.K)})
	held := d.held
	if r.refused || r.held {
		d.held = nil
	}
	if r.refused {
		d.refuse(refusedOrder)
	}
	if r.reset {
		d.epoch++
		d.count.Resets++
	}
	if r.held {
		out = d.emit(held, r.lostA, r.heldAt, out)
	}
	switch {
	case r.take:
		out = d.emit(b, r.lost, r.at, out)
	case r.hold:
		d.held = b
	default:
		d.refuse(refusedOrder)
	}
	return out
}

func (d *FrameDecoder) emit(b *daq.Batch, lost uint64, at place, out []*daq.Batch) []*daq.Batch {
	b.Epoch, b.Seq, b.Tick = d.epoch, at.seq, at.tick
	b.Lost = clampRows(lost)
	d.count.Frames++
	d.count.Rows += uint64(b.K)
	d.count.LostRows += lost
	return append(out, b)
}

func clampRows(n uint64) uint32 {
	if n > 1<<32-1 {
		return 1<<32 - 1
	}
	return uint32(n)
}
