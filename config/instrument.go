package config

import (
	"fmt"

	"ventward/daq"
	"ventward/daq/wire"
)

// parities are the words for a port's parity.
var parities = []string{"none", "even", "odd"}

func (r *reading) readInstruments(list []*section, root *section) {
	r.instruments = map[string]int{}
	ports := map[string]string{}
	if len(list) == 0 {
		root.problem("instrument", "is missing: a bench has at least one instrument", "add an [[instrument]]")
	}
	for i, s := range list {
		in := r.instrument(s)
		once(s, r.instruments, in.Name, i)
		if other, taken := ports[in.Port.Path]; taken && in.Port.Path != "" {
			s.problem("port", fmt.Sprintf("is the port of instrument %q too", other), "give each instrument its own line")
		}
		ports[in.Port.Path] = in.Name
		r.bench.Instruments = append(r.bench.Instruments, in)
	}
}

// once notes a name and reports its second use.
func once(s *section, seen map[string]int, name string, i int) {
	if name == "" {
		return
	}
	if _, taken := seen[name]; taken {
		s.problem("name", "stands in an earlier entry too", "names must differ: rename one")
		return
	}
	seen[name] = i
}

func (r *reading) instrument(s *section) Instrument {
	in := Instrument{Instrument: daq.Instrument{
		Name:     s.needText("name", "a short name to refer to"),
		Protocol: s.choice("protocol", "", "frame", "line", "modbus", "query"),
		Port: daq.Port{
			Path:     s.needText("port", "a stable path, /dev/serial/by-id/..."),
			Baud:     int(s.needWhole("baud", 50, 12_000_000, "the line's bit rate")),
			DataBits: int(s.whole("data_bits", 8, 5, 8)),
			Parity:   s.choice("parity", "none", parities...),
			StopBits: int(s.whole("stop_bits", 1, 1, 2)),
		},
		RateHz:  s.needReal("rate_hz", 0.001, 1e6, "readings a second of each column"),
		SilentS: s.real("silent_ms", 0, 0, 3.6e6) / 1000,
	}}
	in.AdapterS = s.real("adapter_ms", defaultAdapterMS, 0, 1000) / 1000
	switch in.Protocol {
	case "frame":
		in.TickHz = s.needReal("tick_hz", 1, 1e10, "the device's ticks a second")
		in.Columns = int(s.needWhole("columns", 1, wire.MaxColumns, "raw counts in a row"))
		in.Frame = &wire.FrameOptions{Columns: in.Columns}
		in.FrameRows = int(s.whole("frame_rows", 0, 0, 65535))
	case "line":
		in.Line = r.line(s, &in.Instrument)
	case "modbus":
		in.Polled = true
		in.Modbus = r.modbus(s, &in.Instrument)
	case "query":
		in.Polled = true
		in.Query = query(s, &in.Instrument)
	}
	if in.Polled {
		in.RenewS = s.real("renewed_ms", 1000/max(in.RateHz, 0.001), 0, 3.6e6) / 1000
	}
	if in.SilentS == 0 {
		in.SilentS = defaultSilent(in.RateHz)
	}
	if in.Protocol == "" { // which keys belong to it can't be told
		for _, key := range protocolKeys {
			s.take(key)
		}
	}
	s.close()
	return in
}

// protocolKeys are the keys of an [[instrument]] that one protocol has.
var protocolKeys = []string{"tick_hz", "columns", "column", "delimiter", "fields", "checksum", "sequence_field", "sequence_wrap",
	"tick_field", "tick_wrap", "register", "timeout_ms", "quarantine_ms", "verify_ms", "frame_rows", "question", "gap_ms", "end", "answer_end", "refusal", "renewed_ms"}

// defaultAdapterMS is how long a USB serial adapter may keep received bytes back
// before it hands them over: the common setting of its latency timer (common
// practice, no source).
const defaultAdapterMS = 16

// defaultSilent is how long an instrument of that rate may be silent before it
// is stale: ten readings, but no less than 0.2 s, since USB adapters and
// schedulers stall that long.
func defaultSilent(rateHz float64) float64 {
	if rateHz <= 0 {
		return 0.2
	}
	return max(0.2, 10/rateHz)
}

func (r *reading) line(s *section, in *daq.Instrument) *wire.LineOptions {
	o := &wire.LineOptions{
		Delimiter: s.text("delimiter", ","),
		Fields:    int(s.needWhole("fields", 1, wire.MaxFields, "fields in a line, sequence and tick included")),
		Checksum:  s.choice("checksum", wire.ChecksumNone, wire.ChecksumNone, wire.ChecksumXOR, wire.ChecksumCRC16),
		SeqField:  -1,
		TickField: -1,
	}
	if s.has("sequence_field") {
		o.SeqField = fieldOf(s, "sequence_field", o.Fields)
		o.SeqWrap = uint64(s.whole("sequence_wrap", 0, 0, 1<<62))
	}
	if s.has("tick_field") {
		o.TickField = fieldOf(s, "tick_field", o.Fields)
		o.TickWrap = uint64(s.whole("tick_wrap", 0, 0, 1<<62))
		in.TickHz = s.needReal("tick_hz", 1, 1e10, "the device's ticks a second")
	}
	if o.Delimiter == "" || len(o.Delimiter) > 1 {
		s.problem("delimiter", "is not one character", "write the character between the fields, for example \",\"")
	}
	columns := s.tables("column")
	if len(columns) == 0 {
		s.problem("column", "is missing: a line has at least one reading", "add an [[instrument.column]] with field and decimals")
	}
	used := map[int]string{o.SeqField: "the sequence", o.TickField: "the tick"}
	delete(used, -1)
	for i, c := range columns {
		col := wire.LineColumn{Field: fieldOf(c, "field", o.Fields), Decimals: int(c.whole("decimals", 0, 0, wire.MaxDecimals))}
		if what, taken := used[col.Field]; taken && col.Field >= 0 {
			c.problem("field", "is "+what+" already", "give each column its own field")
		}
		used[col.Field] = fmt.Sprintf("column %d", i+1)
		o.Columns = append(o.Columns, col)
		c.close()
	}
	in.Columns = len(o.Columns)
	return o
}

// fieldOf reads the number of a field, from 1, as an index from 0.
func fieldOf(s *section, key string, fields int) int {
	return int(s.needWhole(key, 1, int64(max(fields, 1)), "the field's number in the line, from 1")) - 1
}

func (r *reading) modbus(s *section, in *daq.Instrument) *wire.ModbusOptions {
	o := &wire.ModbusOptions{
		PollS:       1 / max(in.RateHz, 0.001),
		TimeoutS:    s.real("timeout_ms", 100, 1, 10_000) / 1000,
		QuarantineS: s.real("quarantine_ms", 200, 1, 10_000) / 1000,
		VerifyS:     s.real("verify_ms", 1000, 10, 60_000) / 1000,
		Baud:        in.Port.Baud,
	}
	for _, c := range s.tables("register") {
		o.Registers = append(o.Registers, register(c))
	}
	in.Columns = len(o.Registers)
	return o
}

func register(s *section) wire.Register {
	reg := wire.Register{
		Unit:     int(s.needWhole("unit", 1, 247, "the device's number on the line")),
		Function: int(s.needWhole("function", 1, 4, "1 coils, 2 discrete inputs, 3 holding registers, 4 input registers")),
		Address:  int(s.needWhole("address", 0, 65535, "the register's address on the wire, from 0")),
		Type:     s.choice("type", "", "u16", "i16", "u32", "i32", "f32", "bit"),
		Order:    s.choice("order", "ABCD", "ABCD", "CDAB", "BADC", "DCBA"),
	}
	bits := reg.Function <= 2
	if reg.Type != "" && bits != (reg.Type == "bit") {
		s.problem("type", fmt.Sprintf("does not go with function %d", reg.Function), "functions 1 and 2 read bits; 3 and 4 read registers")
	}
	s.close()
	return reg
}
