package wire

import (
	"math"
	"strconv"
)

// parseCounts reads a plain decimal number (optional sign, digits, point,
// optional exponent) as an exact number of counts of 10^-decimals. It knows no
// NaN, infinity, hexadecimal or digit separators, and it never rounds.
func parseCounts(b []byte, decimals int) (int32, reason) {
	neg := false
	if len(b) > 0 && (b[0] == '+' || b[0] == '-') {
		neg = b[0] == '-'
		b = b[1:]
	}
	m, shift, rest, why := parseMantissa(b)
	if why != refusedNothing {
		return 0, why
	}
	exp, ok := parseExponent(rest)
	if !ok {
		return 0, refusedNumber
	}
	m, why = scale(m, shift+exp+decimals)
	switch {
	case why != refusedNothing:
		return 0, why
	case neg && m <= 1<<31:
		return int32(-int64(m)), refusedNothing
	case !neg && m <= math.MaxInt32:
		return int32(m), refusedNothing
	}
	return 0, refusedRange
}

// parseMantissa reads digits with at most one point: m x 10^shift. It returns
// what follows them.
func parseMantissa(b []byte) (m uint64, shift int, rest []byte, why reason) {
	digits, point := 0, false
	for i, c := range b {
		switch {
		case c >= '0' && c <= '9':
			if m > (math.MaxUint64-9)/10 {
				return 0, 0, nil, refusedRange
			}
			m = m*10 + uint64(c-'0')
			digits++
			if point {
				shift--
			}
			continue
		case c == '.' && !point:
			point = true
			continue
		}
		rest = b[i:]
		break
	}
	if digits == 0 {
		return 0, 0, nil, refusedNumber
	}
	return m, shift, rest, refusedNothing
}

// parseExponent reads nothing, or e or E, an optional sign and one to three digits.
func parseExponent(b []byte) (int, bool) {
	if len(b) == 0 {
		return 0, true
	}
	if b[0] != 'e' && b[0] != 'E' {
		return 0, false
	}
	b = b[1:]
	neg := false
	if len(b) > 0 && (b[0] == '+' || b[0] == '-') {
		neg = b[0] == '-'
		b = b[1:]
	}
	if len(b) == 0 || len(b) > 3 {
		return 0, false
	}
	e := 0
	for _, c := range b {
		if c < '0' || c > '9' {
			return 0, false
		}
		e = e*10 + int(c-'0')
	}
	if neg {
		e = -e
	}
	return e, true
}

// scale returns m x 10^shift where that is a whole number below 2^32.
func scale(m uint64, shift int) (uint64, reason) {
	if m == 0 {
		return 0, refusedNothing
	}
	for ; shift > 0; shift-- {
		if m > math.MaxUint32 {
			return 0, refusedRange
		}
		m *= 10
	}
	for ; shift < 0; shift++ {
		if m%10 != 0 {
			return 0, refusedDecimals
		}
		m /= 10
	}
	return m, refusedNothing
}

// parseCounter reads an unsigned decimal number below wrap (0: 2^64).
func parseCounter(b []byte, wrap uint64) (uint64, reason) {
	if len(b) == 0 {
		return 0, refusedNumber
	}
	var v uint64
	for _, c := range b {
		if c < '0' || c > '9' {
			return 0, refusedNumber
		}
		d := uint64(c - '0')
		if v > (math.MaxUint64-d)/10 {
			return 0, refusedRange
		}
		v = v*10 + d
	}
	if wrap != 0 && v >= wrap {
		return 0, refusedRange
	}
	return v, refusedNothing
}

// appendCounts appends counts of 10^-decimals as a decimal number.
func appendCounts(dst []byte, v int32, decimals int) []byte {
	m := uint64(v)
	if v < 0 {
		dst = append(dst, '-')
		m = uint64(-int64(v))
	}
	var buf [24]byte
	at := len(buf)
	for i := 0; i <= decimals || m > 0; i++ {
		if i == decimals && decimals > 0 {
			at--
			buf[at] = '.'
		}
		at--
		buf[at] = byte('0' + m%10)
		m /= 10
	}
	return append(dst, buf[at:]...)
}

// appendCounter appends an unsigned number modulo wrap (0: 2^64).
func appendCounter(dst []byte, v, wrap uint64) []byte {
	if wrap != 0 {
		v %= wrap
	}
	return strconv.AppendUint(dst, v, 10)
}
