package sim

import (
	"encoding/binary"
	"hash/crc32"
	"math"
	"strconv"

	"ventward/daq/wire"
)

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// maxFrame is the largest encoded frame in bytes.
const maxFrame = 4096

// appendFrame appends one COBS frame of version 1: rows of n counts each.
func appendFrame(out []byte, n int, seq uint32, tick uint64, status uint16, counts []int32, scratch []byte) ([]byte, []byte) {
	p := scratch[:0]
	p = append(p, 1, byte(n))
	p = binary.LittleEndian.AppendUint16(p, uint16(len(counts)/n))
	p = binary.LittleEndian.AppendUint16(p, status)
	p = append(p, 0, 0)
	p = binary.LittleEndian.AppendUint32(p, seq)
	p = binary.LittleEndian.AppendUint64(p, tick)
	for _, c := range counts {
		p = binary.LittleEndian.AppendUint32(p, uint32(c))
	}
	p = binary.LittleEndian.AppendUint32(p, crc32.Checksum(p, castagnoli))
	return append(stuff(out, p), 0), p
}

// stuff appends p with its zeros stuffed away (consistent overhead byte
// stuffing, Cheshire and Baker 1999).
func stuff(out, p []byte) []byte {
	at := len(out)
	out = append(out, 1)
	for i, b := range p {
		if b != 0 {
			out = append(out, b)
			out[at]++
		}
		if b == 0 || out[at] == 0xff && i+1 < len(p) {
			at = len(out)
			out = append(out, 1)
		}
	}
	return out
}

// rowsPerFrame is the most rows of n columns whose frame fits.
func rowsPerFrame(n int) int {
	payload := maxFrame - 1 - maxFrame/254 - 2
	return max(1, (payload-24)/(4*n))
}

// appendLine appends one row as a text line with its end.
func appendLine(out []byte, o *wire.LineOptions, seq, tick uint64, counts []int32) []byte {
	if o.Checksum == "xor" {
		out = append(out, '$')
	}
	start := len(out)
	for f := range o.Fields {
		if f > 0 {
			out = append(out, o.Delimiter...)
		}
		switch f {
		case o.SeqField:
			out = strconv.AppendUint(out, wrap(seq, o.SeqWrap), 10)
			continue
		case o.TickField:
			out = strconv.AppendUint(out, wrap(tick, o.TickWrap), 10)
			continue
		}
		col := -1
		for i := range o.Columns {
			if o.Columns[i].Field == f {
				col = i
			}
		}
		if col < 0 {
			out = append(out, '0')
			continue
		}
		out = appendDecimal(out, counts[col], o.Columns[col].Decimals)
	}
	body := out[start:]
	switch o.Checksum {
	case "xor":
		x := byte(0)
		for _, b := range body {
			x ^= b
		}
		out = appendHex(append(out, '*'), uint16(x), 2)
	case "crc16":
		out = appendHex(append(out, '*'), crc16(body), 4)
	}
	return append(out, '\r', '\n')
}

func wrap(v, at uint64) uint64 {
	if at == 0 {
		return v
	}
	return v % at
}

// appendDecimal writes counts of 10^-decimals as a decimal number.
func appendDecimal(out []byte, v int32, decimals int) []byte {
	n := int64(v)
	if n < 0 {
		out, n = append(out, '-'), -n
	}
	if decimals <= 0 {
		for ; decimals < 0; decimals++ {
			n *= 10
		}
		return strconv.AppendInt(out, n, 10)
	}
	p := int64(math.Pow10(decimals))
	out = strconv.AppendInt(out, n/p, 10)
	out = append(out, '.')
	at := len(out)
	out = strconv.AppendInt(out, n%p+p, 10) // a leading 1 keeps the zeros
	return append(out[:at], out[at+1:]...)
}

// crcTable holds the CRC of each byte: polynomial 0x8005, reflected.
var crcTable = func() (t [256]uint16) {
	for i := range t {
		c := uint16(i)
		for range 8 {
			if c&1 != 0 {
				c = c>>1 ^ 0xa001
			} else {
				c >>= 1
			}
		}
		t[i] = c
	}
	return t
}()

// crc16 is the CRC of Modbus RTU, which starts from 0xffff.
func crc16(p []byte) uint16 {
	c := uint16(0xffff)
	for _, b := range p {
		c = c>>8 ^ crcTable[byte(c)^b]
	}
	return c
}

// appendHex appends the lowest digits hexadecimal digits of v, high first.
func appendHex(out []byte, v uint16, digits int) []byte {
	for i := digits - 1; i >= 0; i-- {
		out = append(out, "0123456789ABCDEF"[v>>(4*i)&15])
	}
	return out
}
