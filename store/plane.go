package store

import (
	"encoding/binary"
	"errors"
	"slices"

	"github.com/klauspost/compress/huff0"

	"ventward/daq"
)

// A plane is a list of bytes in blocks, each coded by itself (FORMAT.md).
const (
	planeBlock = 1 << 16 // bytes in a block before coding

	codeRaw    = 0
	codeRepeat = 1
	codeHuff   = 2
)

// smallest block for which a Huffman table can pay.
const minHuff = 32

var errPlane = errors.New("plane ends early or is malformed")

// codec holds the buffers of encoding, so that none is made again for each
// chunk. Not for concurrent use.
type codec struct {
	huff huff0.Scratch
	list []byte // a head list, or the high plane of a column
	low  []byte
	diff []uint32
	esc  []byte // exceptions of a column, as uvarints
	word []uint64

	batches []*daq.Batch
}

// plane appends p, coded, to dst.
func (c *codec) plane(dst, p []byte) []byte {
	dst = binary.AppendUvarint(dst, uint64(len(p)))
	for len(p) > 0 {
		n := min(len(p), planeBlock)
		dst = c.block(dst, p[:n])
		p = p[n:]
	}
	return dst
}

func (c *codec) block(dst, p []byte) []byte {
	if same(p) {
		return append(dst, codeRepeat, p[0])
	}
	if len(p) >= minHuff {
		c.huff.Reuse = huff0.ReusePolicyNone // every block carries its own table
		if out, _, err := huff0.Compress4X(p, &c.huff); err == nil && len(out)+4 < len(p) {
			dst = append(dst, codeHuff)
			dst = binary.AppendUvarint(dst, uint64(len(out)))
			return append(dst, out...)
		}
	}
	dst = append(dst, codeRaw)
	return append(dst, p...)
}

func same(p []byte) bool {
	for _, b := range p {
		if b != p[0] {
			return false
		}
	}
	return true
}

// decodec holds the buffers of decoding. Not for concurrent use.
type decodec struct {
	huff *huff0.Scratch
	buf  [9][]byte // the planes in use at one time
}

// plane decodes the plane at the head of src into buffer slot and returns it
// with what follows. It is valid until the slot is used again. More than most
// bytes are refused.
func (d *decodec) plane(src []byte, slot, most int) (p, rest []byte, err error) {
	n, src, err := uvarint(src, uint64(most))
	if err != nil {
		return nil, nil, err
	}
	out := d.buf[slot][:0]
	for left := int(n); left > 0; {
		k := min(left, planeBlock)
		if out, src, err = d.block(out, src, k); err != nil {
			return nil, nil, err
		}
		left -= k
	}
	d.buf[slot] = out
	return out, src, nil
}

// block appends the n bytes of the block at the head of src to out.
func (d *decodec) block(out, src []byte, n int) (_, rest []byte, err error) {
	if len(src) < 2 {
		return nil, nil, errPlane
	}
	switch src[0] {
	case codeRaw:
		if len(src) < 1+n {
			return nil, nil, errPlane
		}
		return append(out, src[1:1+n]...), src[1+n:], nil
	case codeRepeat:
		for range n {
			out = append(out, src[1])
		}
		return out, src[2:], nil
	case codeHuff:
		size, src, err := uvarint(src[1:], uint64(len(src)))
		if err != nil || size > uint64(len(src)) {
			return nil, nil, errPlane
		}
		out, err = d.unhuff(out, src[:size], n)
		return out, src[size:], err
	}
	return nil, nil, errPlane
}

func (d *decodec) unhuff(out, src []byte, n int) ([]byte, error) {
	s, data, err := huff0.ReadTable(src, d.huff)
	if err != nil {
		return nil, errPlane
	}
	d.huff = s
	at := len(out)
	out = slices.Grow(out, n)
	got, err := s.Decoder().Decompress4X(out[at:at:at+n], data)
	if err != nil || len(got) != n {
		return nil, errPlane
	}
	return out[:at+n], nil
}

// uvarint reads a number of at most most from the head of b.
func uvarint(b []byte, most uint64) (v uint64, rest []byte, err error) {
	v, n := binary.Uvarint(b)
	if n <= 0 || v > most {
		return 0, nil, errPlane
	}
	return v, b[n:], nil
}

// zigzag maps 0, -1, 1, -2 to 0, 1, 2, 3.
func zigzag(v int64) uint64     { return uint64(v<<1) ^ uint64(v>>63) }
func unzigzag(u uint64) int64   { return int64(u>>1) ^ -int64(u&1) }
func zigzag32(v int32) uint32   { return uint32(v<<1) ^ uint32(v>>31) }
func unzigzag32(u uint32) int32 { return int32(u>>1) ^ -int32(u&1) }
