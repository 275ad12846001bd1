package store

import (
	"fmt"
	"io"

	"github.com/parquet-go/parquet-go"
	"github.com/parquet-go/parquet-go/compress/zstd"
)

// A SampleRow is one sample of a run in a Parquet file. Rows of a channel are
// in the order of time; channels take turns.
type SampleRow struct {
	Channel string `parquet:"channel,dict"`
	Unit    string `parquet:"unit,dict"`    // of Value: Pa gauge, Pa absolute, °C, V, A, N, or empty
	TimeNS  int64  `parquet:"t_ns,delta"`   // since the run's zero
	UTCNS   int64  `parquet:"utc_ns,delta"` // since 1970-01-01 UTC, by the wall clock when the record began
	// Count is the raw reading of an instrument that counts, Raw that of one that
	// speaks floating point: one of them is null.
	Count   *int32   `parquet:"count,optional"`
	Raw     *float64 `parquet:"raw,optional"`
	Value   *float64 `parquet:"value,optional"` // null: no reading
	Quality string   `parquet:"quality,dict"`   // good, or words such as "saturated gap"
}

// rowGroup is how many rows of a Parquet file are one group, which a reader
// takes into memory at once.
const rowGroup = 1 << 20

// ParquetWriter writes samples as a Parquet file.
type ParquetWriter struct {
	w    *parquet.GenericWriter[SampleRow]
	held int64
}

// NewParquetWriter begins a file on w.
func NewParquetWriter(w io.Writer) *ParquetWriter {
	return &ParquetWriter{w: parquet.NewGenericWriter[SampleRow](w, parquet.Compression(&zstd.Codec{Level: zstd.SpeedDefault}))}
}

// About puts a text into the file's own key-value metadata, before Close.
func (p *ParquetWriter) About(key, text string) { p.w.SetKeyValueMetadata(key, text) }

// Write adds rows.
func (p *ParquetWriter) Write(rows []SampleRow) error {
	if _, err := p.w.Write(rows); err != nil {
		return fmt.Errorf("store: Parquet: %w", err)
	}
	if p.held += int64(len(rows)); p.held < rowGroup {
		return nil
	}
	p.held = 0
	return p.end(p.w.Flush())
}

// Close writes the file's end. Without it no reader takes the file.
func (p *ParquetWriter) Close() error { return p.end(p.w.Close()) }

func (p *ParquetWriter) end(err error) error {
	if err != nil {
		return fmt.Errorf("store: Parquet: %w", err)
	}
	return nil
}
