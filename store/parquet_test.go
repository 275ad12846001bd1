package store

import (
	"bytes"
	"math"
	"reflect"
	"testing"

	"github.com/parquet-go/parquet-go"
)

// What was written is read back, nulls told from zeros; a file without its end
// is refused.
func TestParquetKeepsEverySample(t *testing.T) {
	zero, count, value, raw := int32(0), int32(-5), 1.25e5, math.Pi
	rows := []SampleRow{
		{Channel: "p1", Unit: "Pa gauge", TimeNS: -5, UTCNS: 1 << 60, Count: &zero, Value: &value, Quality: "good"},
		{Channel: "p1", Unit: "Pa gauge", TimeNS: 100, UTCNS: 1<<60 + 105, Count: &count, Quality: "missing"},
		{Channel: "tc1", Unit: "°C", TimeNS: 50, UTCNS: 1<<60 + 55, Raw: &raw, Value: &raw, Quality: "saturated gap"},
	}
	var b bytes.Buffer
	w := NewParquetWriter(&b)
	w.About("run", `{"id":"x"}`)
	if err := w.Write(rows); err != nil {
		t.Fatal(err)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	f, err := parquet.OpenFile(bytes.NewReader(b.Bytes()), int64(b.Len()))
	if err != nil {
		t.Fatal(err)
	}
	if v, ok := f.Lookup("run"); !ok || v != `{"id":"x"}` {
		t.Errorf("metadata run = %q", v)
	}
	got, err := parquet.Read[SampleRow](bytes.NewReader(b.Bytes()), int64(b.Len()))
	if err != nil || !reflect.DeepEqual(got, rows) {
		t.Errorf("%v\n got %+v\nwant %+v", err, got, rows)
	}
	cut := b.Bytes()[:b.Len()-9]
	if _, err := parquet.OpenFile(bytes.NewReader(cut), int64(len(cut))); err == nil {
		t.Error("a file without its end was taken")
	}
}
