package trace

import (
	"math"
	"strconv"
)

// decimal is a decimal number as written: (-1)^neg * digits * 10^exp.
type decimal struct {
	neg    bool
	digits uint64
	exp    int
	more   bool // digits beyond the 19 that fit were cut off
}

// parseDecimal reads a decimal number: sign, digits, point, exponent, and
// nothing else (no hex, no underscore, no Inf, no NaN).
func parseDecimal(s []byte) (d decimal, ok bool) {
	i := 0
	if i < len(s) && (s[i] == '-' || s[i] == '+') {
		d.neg = s[i] == '-'
		i++
	}
	seen, point := false, false
	for ; i < len(s); i++ {
		c := s[i]
		switch {
		case c >= '0' && c <= '9':
			seen = true
			d.add(c-'0', point)
			continue
		case c == '.' && !point:
			point = true
			continue
		}
		break
	}
	if !seen {
		return d, false
	}
	if i == len(s) {
		return d, true
	}
	return d, d.exponent(s[i:])
}

// add takes one more digit.
func (d *decimal) add(digit byte, afterPoint bool) {
	if d.digits < (math.MaxUint64-9)/10 {
		d.digits = d.digits*10 + uint64(digit)
		if afterPoint {
			d.exp--
		}
		return
	}
	d.more = true
	if !afterPoint {
		d.exp++
	}
}

// exponent takes e, a sign and digits, up to the end.
func (d *decimal) exponent(s []byte) bool {
	if s[0] != 'e' && s[0] != 'E' || len(s) < 2 {
		return false
	}
	s = s[1:]
	neg := s[0] == '-'
	if neg || s[0] == '+' {
		s = s[1:]
	}
	if len(s) == 0 || len(s) > 4 {
		return false
	}
	e := 0
	for _, c := range s {
		if c < '0' || c > '9' {
			return false
		}
		e = e*10 + int(c-'0')
	}
	if neg {
		e = -e
	}
	d.exp += e
	return true
}

var pow10 = [...]float64{1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15, 1e16, 1e17, 1e18, 1e19, 1e20, 1e21, 1e22}

// float returns the float64 nearest to the number as written in s, times
// 10^shift. ok is false where it would be infinite.
func (d *decimal) float(s []byte, shift int) (v float64, ok bool) {
	e := d.exp + shift
	if d.digits == 0 {
		return 0, true
	}
	// Both factors are exact, so the one rounding is the right one (Clinger,
	// "How to read floating point numbers accurately", 1990).
	if !d.more && d.digits < 1<<53 && e >= -22 && e <= 22 {
		v = float64(d.digits)
		if e < 0 {
			v /= pow10[-e]
		} else {
			v *= pow10[e]
		}
		if d.neg {
			v = -v
		}
		return v, true
	}
	return d.slowFloat(s, shift)
}

// slowFloat leaves the rounding to strconv, for numbers of many digits or far
// exponents.
func (d *decimal) slowFloat(s []byte, shift int) (float64, bool) {
	mantissa, exp := s, 0
	for i, c := range s {
		if c == 'e' || c == 'E' {
			mantissa = s[:i]
			exp, _ = strconv.Atoi(string(s[i+1:]))
			break
		}
	}
	var buf [64]byte
	text := append(buf[:0], mantissa...)
	text = append(text, 'e')
	text = strconv.AppendInt(text, int64(exp+shift), 10)
	v, err := strconv.ParseFloat(string(text), 64)
	return v, err == nil
}

// nanoseconds returns a number of seconds as ns, rounded to the nearest. ok is
// false beyond +-292 years.
func (d *decimal) nanoseconds() (ns int64, ok bool) {
	v, e := d.digits, d.exp+9
	for ; e > 0 && v != 0; e-- {
		if v > math.MaxInt64/10 {
			return 0, false
		}
		v *= 10
	}
	var last uint64
	for ; e < 0 && v != 0; e++ {
		last = v % 10
		v /= 10
		if e == -1 && last >= 5 {
			v++
		}
	}
	if v > math.MaxInt64 {
		return 0, false
	}
	if d.neg {
		return -int64(v), true
	}
	return int64(v), true
}

// decimals is the place of the last digit as written: 2 for 18.42.
func (d *decimal) decimals() int { return -d.exp }

// appendShifted writes the shortest decimal that reads back as v*10^shift when
// v is read with exponent shift taken off: the digits of v, the exponent moved.
func appendShifted(b []byte, v float64, shift int) []byte {
	if v == 0 {
		return append(b, '0')
	}
	var buf [40]byte
	s := strconv.AppendFloat(buf[:0], v, 'e', -1, 64)
	i := len(s) - 1
	for s[i] != 'e' {
		i--
	}
	exp, _ := strconv.Atoi(string(s[i+1:]))
	return appendDecimal(b, s[:i], exp-shift)
}

// appendDecimal writes mantissa d.ddd times 10^exp plainly where that is short,
// with an exponent elsewhere.
func appendDecimal(b, mantissa []byte, exp int) []byte {
	if exp < -6 || exp > 15 {
		b = append(append(b, mantissa...), 'e')
		return strconv.AppendInt(b, int64(exp), 10)
	}
	if mantissa[0] == '-' {
		b, mantissa = append(b, '-'), mantissa[1:]
	}
	digits := append(make([]byte, 0, 24), mantissa[0])
	if len(mantissa) > 2 {
		digits = append(digits, mantissa[2:]...)
	}
	if exp < 0 {
		b = append(b, '0', '.')
		for i := exp + 1; i < 0; i++ {
			b = append(b, '0')
		}
		return append(b, digits...)
	}
	for i := 0; i <= exp; i++ {
		if i < len(digits) {
			b = append(b, digits[i])
		} else {
			b = append(b, '0')
		}
	}
	if len(digits) > exp+1 {
		b = append(append(b, '.'), digits[exp+1:]...)
	}
	return b
}

// appendSeconds writes ns as seconds, exactly.
func appendSeconds(b []byte, ns int64) []byte {
	u := uint64(ns)
	if ns < 0 {
		b, u = append(b, '-'), -u
	}
	b = strconv.AppendUint(b, u/1e9, 10)
	frac := u % 1e9
	if frac == 0 {
		return b
	}
	b = append(b, '.')
	for unit := uint64(1e8); frac > 0; unit /= 10 {
		b = append(b, '0'+byte(frac/unit))
		frac %= unit
	}
	return b
}
