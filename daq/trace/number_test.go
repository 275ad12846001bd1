package trace

import (
	"math"
	"strconv"
	"testing"

	"pgregory.net/rapid"
)

// A value is the float64 nearest to what is written times a power of ten:
// strconv (the standard library) is the reference.
func TestFloatIsCorrectlyRounded(t *testing.T) {
	check := func(t interface {
		Errorf(string, ...any)
	}, s string, shift int) {
		d, ok := parseDecimal([]byte(s))
		if !ok {
			t.Errorf("%s is refused", s)
			return
		}
		got, ok := d.float([]byte(s), shift)
		want, err := strconv.ParseFloat(shifted(s, shift), 64)
		if ok != (err == nil) || ok && got != want {
			t.Errorf("%s shifted %d: %.17g (%v), want %.17g (%v)", s, shift, got, ok, want, err)
		}
	}
	for _, s := range []string{"0", "-0.0", "18.42", "+.5", "5.", "1e22", "1e23", "9007199254740993", "123456789012345678901234567890", "0.00000000000000000000000123456789012345678901234",
		"1e-400", "4.9e-324", "1.7976931348623157e308", "-000018.42000", "1e-9999", "0e9999"} {
		check(t, s, 0)
		check(t, s, 5)
		check(t, s, -3)
	}
	rapid.Check(t, func(t *rapid.T) {
		s := rapid.StringMatching(`[-+]?[0-9]{1,24}(\.[0-9]{0,24})?(e[-+]?[0-9]{1,3})?`).Draw(t, "number")
		check(t, s, rapid.SampledFrom([]int{0, 2, 3, 5, 6, -3}).Draw(t, "shift"))
	})
}

// shifted multiplies a written number by a power of ten, in writing.
func shifted(s string, shift int) string {
	for i, c := range s {
		if c == 'e' {
			e, _ := strconv.Atoi(s[i+1:])
			return s[:i] + "e" + strconv.Itoa(e+shift)
		}
	}
	return s + "e" + strconv.Itoa(shift)
}

func TestNanosecondsAreExact(t *testing.T) {
	for _, c := range []struct {
		s    string
		want int64
	}{{"0", 0}, {"12.3456", 12345600000}, {"0.000000001", 1}, {"0.0000000014", 1}, {"0.0000000015", 2}, {"-0.0000000015", -2}, {"1e-9", 1}, {"1700000000.123456789", 1700000000123456789},
		{"1.5e3", 1500e9}, {"-3", -3e9}, {"9223372036.854775807", math.MaxInt64}, {"0.30000000000000004", 300000000}} {
		d, _ := parseDecimal([]byte(c.s))
		if got, ok := d.nanoseconds(); !ok || got != c.want {
			t.Errorf("%s s: %d ns (%v), want %d", c.s, got, ok, c.want)
		}
	}
	for _, s := range []string{"9223372036.854775808", "-9223372037", "1e11", "99999999999999999999", "1e300"} {
		d, _ := parseDecimal([]byte(s))
		if got, ok := d.nanoseconds(); ok {
			t.Errorf("%s s became %d ns", s, got)
		}
	}
}

// What is written is read back to the last bit, whatever the power of ten.
func TestWrittenNumbersComeBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		v := rapid.Float64().Draw(t, "v")
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return
		}
		shift := rapid.SampledFrom([]int{0, 2, 3, 5, 6, -3}).Draw(t, "shift")
		s := appendShifted(nil, v, shift)
		d, ok := parseDecimal(s)
		if !ok {
			t.Fatalf("%g was written as %q", v, s)
		}
		if got, ok := d.float(s, shift); !ok || got != v {
			t.Fatalf("%g was written as %q, read as %g", v, s, got)
		}
		ns := rapid.Int64().Draw(t, "ns")
		s = appendSeconds(nil, ns)
		d, _ = parseDecimal(s)
		if got, ok := d.nanoseconds(); ns != math.MinInt64 && (!ok || got != ns) {
			t.Fatalf("%d ns was written as %q, read as %d", ns, s, got)
		}
	})
}
