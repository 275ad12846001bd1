package trace

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"ventward/daq"
)

// same tells whether two traces hold the same, NaN being NaN. ulps is how many
// last bits the values may differ by.
func same(a, b *Trace, ulps int) error {
	if !slices.Equal(a.T, b.T) || len(a.Columns) != len(b.Columns) || !slices.Equal(a.Ignored, b.Ignored) || a.RateHz != b.RateHz {
		return fmt.Errorf("%d rows, %d columns, ignored %q, %g Hz; want %d, %d, %q, %g", len(b.T), len(b.Columns), b.Ignored, b.RateHz, len(a.T), len(a.Columns), a.Ignored, a.RateHz)
	}
	for i := range a.Columns {
		x, y := a.Columns[i], b.Columns[i]
		if x.Name != y.Name || x.Unit != y.Unit || x.Role != y.Role || x.Quantity != y.Quantity || x.Reference != y.Reference {
			return fmt.Errorf("column %+v became %+v", x, y)
		}
		for k := range x.Values {
			u, v := x.Values[k], y.Values[k]
			for range ulps {
				u = math.Nextafter(u, v)
			}
			if u != v && !(math.IsNaN(u) && math.IsNaN(v)) {
				return fmt.Errorf("%s row %d: %.17g became %.17g", x.Header, k, x.Values[k], y.Values[k])
			}
		}
	}
	return nil
}

func roundTrip(tr *Trace, o Options) (*Trace, error) {
	var buf bytes.Buffer
	if err := Write(&buf, tr); err != nil {
		return nil, err
	}
	return Read(&buf, o)
}

func TestWriteIsTheInverseOfRead(t *testing.T) {
	for _, name := range []string{"burst.csv", "runaway-jitter-gap.csv", "units.csv", "bom-crlf-quotes.csv", "bare-pressure.csv"} {
		o := Options{Reference: daq.Absolute}
		tr := read(t, name, o)
		got, err := roundTrip(tr, o)
		if err == nil {
			err = same(tr, got, 1)
		}
		if err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
	// A file that Write wrote is written again byte for byte.
	src, err := os.ReadFile(samples + "burst.csv")
	if err != nil {
		t.Fatal(err)
	}
	tr := read(t, "burst.csv", Options{})
	var a, b bytes.Buffer
	if err := Write(&a, tr); err != nil {
		t.Fatal(err)
	}
	tr, err = Read(bytes.NewReader(a.Bytes()), Options{})
	if err != nil {
		t.Fatal(err)
	}
	if err := Write(&b, tr); err != nil || !bytes.Equal(a.Bytes(), b.Bytes()) {
		t.Errorf("the second writing differs (%v)", err)
	}
	if !strings.HasPrefix(a.String(), strings.SplitAfter(string(src), "\n")[0]) {
		t.Errorf("header is %q", strings.SplitAfter(a.String(), "\n")[0])
	}
}

// Any values at all, in units that are powers of ten of the SI unit, come back
// to the last bit.
func TestAnyTraceComesBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 20).Draw(t, "rows")
		tr := &Trace{}
		at := rapid.Int64Range(-1e18, 1e18).Draw(t, "start")
		for range n {
			tr.T = append(tr.T, at)
			at += rapid.Int64Range(1, 1e12).Draw(t, "step")
		}
		for i, u := range []string{"bara", "mbarg", "kPaa", "MPag", "Pag", "C", "mV", "mA", "N", ""} {
			c := Column{Name: fmt.Sprint("c", i), Unit: u, Quantity: daq.Number}
			c.Header = c.Name
			if u != "" {
				k, _ := findUnit(u)
				c.Header, c.Quantity, c.Reference = c.Name+"_"+u, k.quantity, k.reference
			}
			tr.Ignored = append(tr.Ignored, c.Header)
			for range n {
				v := rapid.Float64().Draw(t, "v")
				if math.IsInf(v, 0) || rapid.IntRange(0, 9).Draw(t, "missing") == 0 {
					v = math.NaN()
				}
				c.Values = append(c.Values, v+0) // a written zero has no sign
			}
			tr.Columns = append(tr.Columns, c)
		}
		tr.RateHz = rate(tr.T)
		got, err := roundTrip(tr, Options{})
		if err == nil {
			err = same(tr, got, 0)
		}
		if err != nil {
			t.Fatal(err)
		}
	})
}

func TestWriteRefuses(t *testing.T) {
	col := func(name, unit string) *Trace {
		return &Trace{T: []int64{1, 2}, Columns: []Column{{Name: name, Unit: unit, Values: []float64{1, 2}}}}
	}
	back := col("x", "")
	back.T[1] = 0
	short := col("x", "")
	short.Columns[0].Values = nil
	for _, c := range []struct {
		tr   *Trace
		says string
	}{{col("", ""), "can't name"}, {col("a,b", "bara"), "can't name"}, {col(" a", "bara"), "can't name"}, {col("a\xff", "bara"), "can't name"}, {col("a_b", ""), "has no unit"},
		{col("a", "torr"), "no unit of a trace"}, {back, "sort the rows"}, {short, "0 values for 2 times"}} {
		if err := Write(io.Discard, c.tr); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%v, want %q", err, c.says)
		}
	}
	if err := Write(io.Discard, col("dump_valve", "")); err != nil {
		t.Error(err)
	}
	full := errors.New("disk full")
	if err := Write(writer{full}, col("x", "")); !errors.Is(err, full) {
		t.Errorf("%v, want the writer's error", err)
	}
}

type writer struct{ err error }

func (w writer) Write([]byte) (int, error) { return 0, w.err }

// Whatever the bytes, Read gives a sound trace that comes back through Write,
// or an error of bounded length that names the file.
func FuzzRead(f *testing.F) {
	for _, name := range []string{"bom-crlf-quotes.csv", "units.csv", "bare-pressure.csv", "hex.csv", "ragged.csv", "binary.csv", "backwards.csv"} {
		b, err := os.ReadFile(samples + name)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(b, true)
		f.Add(b, false)
	}
	f.Fuzz(func(t *testing.T, b []byte, gauge bool) {
		o := Options{Name: "f.csv", Reference: daq.Absolute}
		if gauge {
			o.Reference = daq.Gauge
		}
		tr, err := Read(bytes.NewReader(b), o)
		if err != nil {
			if s := err.Error(); !strings.HasPrefix(s, "f.csv") || len(s) > 1000+12*len(b) {
				t.Errorf("message %q", s)
			}
			return
		}
		for i := range tr.T[1:] {
			if tr.T[i+1] <= tr.T[i] {
				t.Fatal("time does not increase")
			}
		}
		for _, c := range tr.Columns {
			if len(c.Values) != len(tr.T) || slices.ContainsFunc(c.Values, func(v float64) bool { return math.IsInf(v, 0) }) {
				t.Fatalf("column %+v", c)
			}
		}
		for _, c := range tr.Columns {
			if c.Name != strings.TrimSpace(c.Name) || strings.ContainsAny(c.Name, "\"\r\x00") {
				return // a header that Write rightly refuses
			}
		}
		got, err := roundTrip(tr, o)
		if err == nil {
			err = same(tr, got, 2)
		}
		if err != nil {
			t.Fatal(err)
		}
	})
}

// table is a trace of 8 pressures at 10 kHz as CSV.
func table(seconds int) []byte {
	r := rand.New(rand.NewPCG(1, 1))
	b := []byte("t_s,p1_barg,p2_barg,p3_barg,p4_barg,p5_barg,p6_barg,p7_barg,p8_barg\n")
	for i := range seconds * 10000 {
		b = appendSeconds(b, int64(i)*1e5)
		for range 8 {
			b = fmt.Appendf(b, ",%.4f", 10+r.Float64())
		}
		b = append(b, '\n')
	}
	return b
}

func BenchmarkRead(b *testing.B) {
	text := table(2)
	b.SetBytes(int64(len(text)))
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Read(bytes.NewReader(text), Options{}); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/(2*10000*8), "ns/reading")
}

func BenchmarkWrite(b *testing.B) {
	tr, err := Read(bytes.NewReader(table(1)), Options{})
	if err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	for b.Loop() {
		if err := Write(io.Discard, tr); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/(10000*8), "ns/reading")
}
