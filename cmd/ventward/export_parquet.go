package main

import (
	"encoding/json"
	"errors"
	"io"

	"ventward/daq"
	"ventward/report"
	"ventward/store"
)

// heldRows is how many rows of a channel are gathered before they are written,
// so that rows of a channel stand together and compress well.
const heldRows = 1 << 15

// parquetExport writes one row a sample.
type parquetExport struct {
	meta  *store.Meta
	chans []daq.Channel
	w     *store.ParquetWriter
	held  [][]store.SampleRow // by channel
	rows  int
}

func (x *parquetExport) begin(m *store.Meta, e *engine, w io.Writer) error {
	x.meta, x.chans = m, e.bench.Channels
	x.held = make([][]store.SampleRow, len(x.chans))
	x.w = store.NewParquetWriter(w)
	return errors.Join(x.about("run", m), x.about("channels", x.chans))
}

func (x *parquetExport) about(key string, what any) error {
	b, err := json.Marshal(what)
	if err == nil {
		x.w.About(key, string(b))
	}
	return err
}

func (x *parquetExport) take(en *daq.Entry, e *engine) error {
	for _, ch := range e.touched {
		counts := en.Batch.Counts != nil
		for i := range e.samples[ch] {
			x.held[ch] = append(x.held[ch], x.row(ch, &e.samples[ch][i], counts))
		}
		if len(x.held[ch]) >= heldRows {
			if err := x.flush(ch); err != nil {
				return err
			}
		}
	}
	return nil
}

func (x *parquetExport) row(ch daq.ChannelID, s *daq.Sample, counts bool) store.SampleRow {
	r := store.SampleRow{Channel: x.chans[ch].Name, Unit: unitOf(&x.chans[ch]), TimeNS: s.T - x.meta.Start, UTCNS: x.meta.EpochUTC + s.T, Quality: s.Q.String()}
	switch {
	case counts:
		n := int32(s.Raw)
		r.Count = &n
	case s.Raw == s.Raw:
		v := s.Raw
		r.Raw = &v
	}
	if s.Q&daq.Missing == 0 && s.V == s.V {
		v := s.V
		r.Value = &v
	}
	return r
}

func (x *parquetExport) flush(ch daq.ChannelID) error {
	x.rows += len(x.held[ch])
	err := x.w.Write(x.held[ch])
	x.held[ch] = x.held[ch][:0]
	return err
}

func (x *parquetExport) finish(events []report.Line) (rows, leftOut int, err error) {
	for ch := range x.held {
		if err := x.flush(daq.ChannelID(ch)); err != nil {
			return 0, 0, err
		}
	}
	if err := x.about("events", events); err != nil {
		return 0, 0, err
	}
	return x.rows, 0, x.w.Close()
}

// unitOf names the unit of a channel's samples.
func unitOf(c *daq.Channel) string {
	switch c.Quantity {
	case daq.Pressure:
		return "Pa " + string(c.Reference)
	case daq.Temperature:
		return "°C"
	case daq.Voltage:
		return "V"
	case daq.Current:
		return "A"
	case daq.Force:
		return "N"
	}
	return ""
}
