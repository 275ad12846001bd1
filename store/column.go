package store

import (
	"encoding/binary"
	"errors"
	"math"
	"math/bits"
	"slices"

	"ventward/daq"
)

var errColumn = errors.New("column ends early or is malformed")

// highBits is how many bits of a difference go to the Huffman-coded plane
// where most differences fit; the lower ones are nearly uniform noise and are
// packed as they are.
const highBits = 5

// escape marks a high byte whose value stands among the exceptions.
const escape = 255

// counts appends column col of the batches, all of which hold counts.
func (c *codec) counts(dst []byte, batches []*daq.Batch, col int) []byte {
	widths := c.differences(batches, col)
	first, rest := c.diff[0], c.diff[1:]
	widths[bits.Len32(first)]-- // it is stored apart
	dst = binary.AppendUvarint(dst, uint64(first))
	k := shift(&widths, len(rest))
	dst = append(dst, byte(k))
	exceptions := c.split(rest, k)
	dst = c.plane(dst, c.list)
	dst = c.plane(dst, c.low)
	dst = binary.AppendUvarint(dst, uint64(exceptions))
	return append(dst, c.esc...)
}

// differences fills c.diff with the zigzag differences of a column, the first
// against zero, and counts their widths in bits.
func (c *codec) differences(batches []*daq.Batch, col int) (widths [33]int) {
	rows := 0
	for _, b := range batches {
		rows += b.K
	}
	c.diff = slices.Grow(c.diff[:0], rows)[:rows]
	n := 0
	var prev int32
	for _, b := range batches {
		for i := col; i < len(b.Counts); i += b.N {
			v := b.Counts[i]
			u := zigzag32(v - prev)
			prev = v
			widths[bits.Len32(u)]++
			c.diff[n] = u
			n++
		}
	}
	return widths
}

// shift chooses how many low bits are packed: all but highBits of the width
// that all but one in 64 differences fit. A few large ones (a spike) thus cost
// an exception each, not a wider low plane for everybody.
func shift(widths *[33]int, n int) int {
	w, wider := 32, 0
	for w > 0 && wider+widths[w] <= n/64 {
		wider += widths[w]
		w--
	}
	return max(0, w-highBits)
}

// split puts differences into the high plane (c.list), the low plane (c.low)
// and the exceptions (c.esc), and returns the number of the latter.
func (c *codec) split(diff []uint32, k int) (exceptions int) {
	n := len(diff)
	c.list = slices.Grow(c.list[:0], n)[:n]
	c.low, c.esc = slices.Grow(c.low[:0], (n*k+7)/8), c.esc[:0]
	var acc uint64
	fill := 0
	mask := uint32(1)<<k - 1
	for i, u := range diff {
		high := u >> k
		if high >= escape {
			c.esc = binary.AppendUvarint(c.esc, uint64(high))
			exceptions++
			high = escape
		}
		c.list[i] = byte(high)
		acc |= uint64(u&mask) << fill
		for fill += k; fill >= 8; fill -= 8 {
			c.low = append(c.low, byte(acc))
			acc >>= 8
		}
	}
	if fill > 0 {
		c.low = append(c.low, byte(acc))
	}
	return exceptions
}

// counts decodes a column of rows counts into out[at], out[at+stride], ...
func (d *decodec) counts(src []byte, rows int, out []int32, at, stride int) (rest []byte, err error) {
	first, src, err := uvarint(src, math.MaxUint32)
	if err != nil || len(src) < 1 || src[0] > 31 {
		return nil, errColumn
	}
	k := int(src[0])
	high, src, err := d.plane(src[1:], 0, rows)
	if err != nil {
		return nil, err
	}
	low, src, err := d.plane(src, 1, 4*rows)
	if err != nil {
		return nil, err
	}
	left, src, err := uvarint(src, uint64(rows))
	if err != nil || len(high) != rows-1 || len(low) != ((rows-1)*k+7)/8 {
		return nil, errColumn
	}
	v := unzigzag32(uint32(first))
	out[at] = v
	var acc uint64
	fill := 0
	mask := uint64(1)<<k - 1
	for _, h := range high {
		u := uint64(h)
		if h == escape {
			if left == 0 {
				return nil, errColumn
			}
			left--
			if u, src, err = uvarint(src, math.MaxUint32>>k); err != nil {
				return nil, errColumn
			}
		}
		for fill < k {
			acc |= uint64(low[0]) << fill
			low = low[1:]
			fill += 8
		}
		v += unzigzag32(uint32(u<<k | acc&mask))
		acc >>= k
		fill -= k
		at += stride
		out[at] = v
	}
	if left != 0 {
		return nil, errColumn
	}
	return src, nil
}

// floats appends column col of the batches, all of which hold floats.
func (c *codec) floats(dst []byte, batches []*daq.Batch, col int) []byte {
	c.word = c.word[:0]
	var prev uint64
	for _, b := range batches {
		for i := col; i < len(b.Floats); i += b.N {
			w := math.Float64bits(b.Floats[i])
			c.word = append(c.word, w^prev)
			prev = w
		}
	}
	for s := 0; s < 64; s += 8 {
		c.list = c.list[:0]
		for _, w := range c.word {
			c.list = append(c.list, byte(w>>s))
		}
		dst = c.plane(dst, c.list)
	}
	return dst
}

// floats decodes a column of rows floats into out[at], out[at+stride], ...
func (d *decodec) floats(src []byte, rows int, out []float64, at, stride int) (rest []byte, err error) {
	var p [8][]byte
	for i := range p {
		if p[i], src, err = d.plane(src, i, rows); err != nil {
			return nil, err
		}
		if len(p[i]) != rows {
			return nil, errColumn
		}
	}
	var w uint64
	for r := range rows {
		var x uint64
		for i := range p {
			x |= uint64(p[i][r]) << (8 * i)
		}
		w ^= x
		out[at+r*stride] = math.Float64frombits(w)
	}
	return src, nil
}
