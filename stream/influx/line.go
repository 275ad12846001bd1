package influx

import (
	"fmt"
	"math"
	"time"

	"github.com/influxdata/line-protocol/v2/lineprotocol"

	"ventward/daq"
)

// fieldOf is the field of each quantity but pressure.
var fieldOf = map[daq.Quantity]string{
	daq.Temperature: "value_C", daq.Voltage: "value_V", daq.Current: "value_A", daq.Force: "value_N",
	daq.Digital: "value", daq.Number: "value",
}

// valueField names the field that holds a series' value.
func valueField(s Series) string {
	if s.Quantity == daq.Pressure {
		return string(s.Reference) + "_Pa"
	}
	return fieldOf[s.Quantity]
}

// judge tells what is wrong with a series, "" for nothing.
func judge(s Series) string {
	switch {
	case s.Channel == "":
		return "a series without a channel's name"
	case s.Quantity == daq.Pressure && s.Reference != daq.Gauge && s.Reference != daq.Absolute:
		return fmt.Sprintf("channel %q: a pressure that is neither gauge nor absolute", s.Channel)
	case valueField(s) == "":
		return fmt.Sprintf("channel %q: no such quantity: %q", s.Channel, s.Quantity)
	}
	return ""
}

// lines is a batch as line protocol: text holds the lines, each ended by a
// line feed, and ends the offset behind each of them.
type lines struct {
	text []byte
	ends []int
}

func (l *lines) len() int { return len(l.ends) }

// part returns the text of the lines from i up to, not including, j.
func (l *lines) part(i, j int) []byte {
	from := 0
	if i > 0 {
		from = l.ends[i-1]
	}
	return l.text[from:l.ends[j-1]]
}

// encoder turns batches into lines. It keeps each channel's newest stamp, so
// that stamps strictly increase.
type encoder struct {
	bench string
	enc   lineprotocol.Encoder
	out   lines
	last  map[string]int64 // channel -> newest stamp of this run, ns
	moved uint64           // points of the newest batch whose stamp had to be moved on
	empty uint64           // points of the newest batch without value and flag
	bad   func(line, reason string) error
}

func newEncoder(bench string) *encoder {
	e := &encoder{bench: bench, last: map[string]int64{}}
	e.enc.SetPrecision(lineprotocol.Nanosecond)
	return e
}

// batch encodes b; what can't be encoded goes to e.bad. The lines are valid
// until the next call.
func (e *encoder) batch(b *Batch) (*lines, error) {
	e.enc.Reset()
	e.out.ends = e.out.ends[:0]
	e.moved, e.empty = 0, 0
	for _, s := range b.Series {
		if why := judge(s); why != "" {
			return nil, fmt.Errorf("influx: the source gave %s; report this as a defect", why)
		}
	}
	for i := range b.Points {
		p := &b.Points[i]
		if p.Series < 0 || p.Series >= len(b.Series) {
			return nil, fmt.Errorf("influx: the source gave a point of series %d of %d; report this as a defect", p.Series, len(b.Series))
		}
		if err := e.point(&b.Series[p.Series], p); err != nil {
			return nil, err
		}
	}
	for i := range b.Marks {
		if err := e.mark(&b.Marks[i]); err != nil {
			return nil, err
		}
	}
	e.out.text = e.enc.Bytes()
	return &e.out, nil
}

func (e *encoder) point(s *Series, p *Point) error {
	value, finite := lineprotocol.FloatValue(p.V)
	if !finite && p.Q == 0 {
		e.empty++
		return nil
	}
	t := p.T
	if last, ok := e.last[s.Channel]; ok && t <= last {
		t = last + 1
		e.moved++
	}
	e.last[s.Channel] = t
	e.start(string(s.Quantity), s.Channel)
	if finite {
		e.enc.AddField(valueField(*s), value)
	}
	if p.Q != 0 {
		e.enc.AddField("quality", lineprotocol.IntValue(int64(p.Q)))
	}
	return e.end(t, func() string { return fmt.Sprintf("%s %q %v %d", s.Quantity, s.Channel, p.V, p.T) })
}

func (e *encoder) mark(m *Mark) error {
	e.start(m.Measurement, m.Channel)
	n := 0
	for _, f := range m.Fields {
		if v, ok := fieldValue(f.Value); ok {
			e.enc.AddField(f.Name, v)
			n++
		}
	}
	if n == 0 {
		e.enc.AddField("empty", lineprotocol.BoolValue(true))
	}
	return e.end(m.T, func() string { return fmt.Sprintf("%s %q %v %d", m.Measurement, m.Channel, m.Fields, m.T) })
}

func (e *encoder) start(measurement, channel string) {
	e.enc.StartLine(measurement)
	e.enc.AddTag("bench", e.bench) // tags in the order of their names
	if channel != "" {
		e.enc.AddTag("channel", channel)
	}
}

// end closes a line, or hands what can't be encoded to e.bad.
func (e *encoder) end(t int64, describe func() string) error {
	e.enc.EndLine(time.Unix(0, t))
	if err := e.enc.Err(); err != nil {
		e.enc.ClearErr()
		return e.bad(describe(), err.Error())
	}
	e.out.ends = append(e.out.ends, len(e.enc.Bytes()))
	return nil
}

// fieldValue converts a mark's figure; ok is false for what has no field.
func fieldValue(v any) (lineprotocol.Value, bool) {
	switch x := v.(type) {
	case float64:
		return lineprotocol.FloatValue(x)
	case *float64:
		if x == nil {
			return lineprotocol.Value{}, false
		}
		return lineprotocol.FloatValue(*x)
	case int64:
		return lineprotocol.IntValue(x), true
	case int:
		return lineprotocol.IntValue(int64(x)), true
	case uint64:
		return lineprotocol.IntValue(int64(min(x, math.MaxInt64))), true
	case bool:
		return lineprotocol.BoolValue(x), true
	case string:
		if x == "" {
			return lineprotocol.Value{}, false
		}
		return lineprotocol.StringValue(x)
	}
	return lineprotocol.Value{}, false
}
