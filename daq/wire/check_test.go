package wire

import (
	"strings"
	"testing"

	"ventward/daq"
)

func TestProblemNamesAll(t *testing.T) {
	o := ModbusOptions{PollS: 0, Baud: -1, Registers: []Register{{Unit: 300, Function: 9, Address: -1, Type: "f64", Order: "ACDB"}},
		Coils: []Coil{{Unit: 1, Address: 2, Output: 3, Function: 7}, {Unit: 1, Address: 2, Output: 3}}}
	got := map[string]bool{}
	for _, p := range o.Check() {
		if p.Message == "" || p.Next == "" || p.Value == "" {
			t.Errorf("%+v: a part is missing", p)
		}
		got[p.Field] = true
	}
	for _, f := range []string{"poll_s", "baud", "registers[0].unit", "registers[0].function", "registers[0].address", "registers[0].type",
		"registers[0].order", "coils[0].function", "coils[1].output", "coils[1].address"} {
		if !got[f] {
			t.Errorf("no problem named at %s: %v", f, got)
		}
	}
	_, err := NewModbus(o, daq.Instrument{}, 0)
	if err == nil || !strings.Contains(err.Error(), `registers[0].order = "ACDB": no such word order; write ABCD, CDAB, BADC or DCBA`) {
		t.Errorf("the constructor says: %v", err)
	}
}

func TestOptionsChecked(t *testing.T) {
	line := func(change func(*LineOptions)) []Problem {
		o := LineOptions{Delimiter: ",", Fields: 3, Columns: []LineColumn{{Field: 2, Decimals: 3}}, SeqField: 0, TickField: 1, Checksum: "none"}
		change(&o)
		return o.Check()
	}
	modbus := func(change func(*ModbusOptions)) []Problem {
		o := ModbusOptions{PollS: 0.1, Registers: []Register{{Unit: 1, Function: 3, Type: "u16"}}}
		change(&o)
		return o.Check()
	}
	frame := func(n int) []Problem { o := FrameOptions{Columns: n}; return o.Check() }
	for name, c := range map[string]struct {
		ps    []Problem
		field string // of the only problem; empty: none
	}{
		"good line":           {line(func(o *LineOptions) {}), ""},
		"no counters":         {line(func(o *LineOptions) { o.SeqField, o.TickField = -1, -1 }), ""},
		"empty delimiter":     {line(func(o *LineOptions) { o.Delimiter = "" }), "delimiter"},
		"digit as delimiter":  {line(func(o *LineOptions) { o.Delimiter = "1" }), "delimiter"},
		"two characters":      {line(func(o *LineOptions) { o.Delimiter = ", " }), "delimiter"},
		"no columns":          {line(func(o *LineOptions) { o.Columns = nil }), "columns"},
		"column outside":      {line(func(o *LineOptions) { o.Columns[0].Field = 3 }), "columns[0].field"},
		"column is the tick":  {line(func(o *LineOptions) { o.Columns[0].Field = 1 }), "columns[0].field"},
		"too many decimals":   {line(func(o *LineOptions) { o.Columns[0].Decimals = 10 }), "columns[0].decimals"},
		"unknown checksum":    {line(func(o *LineOptions) { o.Checksum = "sum" }), "checksum"},
		"sequence outside":    {line(func(o *LineOptions) { o.SeqField = 3 }), "seq_field"},
		"two counters in one": {line(func(o *LineOptions) { o.TickField = 0 }), "tick_field"},
		"short wrap":          {line(func(o *LineOptions) { o.SeqWrap = 2 }), "seq_wrap"},
		"good frame":          {frame(8), ""},
		"frame of nothing":    {frame(0), "columns"},
		"frame too wide":      {frame(256), "columns"},
		"good modbus":         {modbus(func(o *ModbusOptions) {}), ""},
		"coils only":          {modbus(func(o *ModbusOptions) { o.Registers, o.PollS, o.Coils = nil, 0, []Coil{{Unit: 1}} }), ""},
		"nothing to do":       {modbus(func(o *ModbusOptions) { o.Registers = nil }), "registers"},
		"bit of a register":   {modbus(func(o *ModbusOptions) { o.Registers[0].Type = "bit" }), "registers[0].type"},
		"register of coils":   {modbus(func(o *ModbusOptions) { o.Registers[0].Function = 1 }), "registers[0].type"},
		"past the end":        {modbus(func(o *ModbusOptions) { o.Registers[0].Type, o.Registers[0].Address = "f32", 65535 }), "registers[0].address"},
		"endless timeout":     {modbus(func(o *ModbusOptions) { o.TimeoutS = 1e9 }), "timeout_s"},
	} {
		switch {
		case c.field == "" && len(c.ps) > 0:
			t.Errorf("%s: %v", name, c.ps)
		case c.field != "" && (len(c.ps) != 1 || c.ps[0].Field != c.field):
			t.Errorf("%s: %v, want one at %s", name, c.ps, c.field)
		}
	}
}

func TestConstructorsRefuse(t *testing.T) {
	lo := LineOptions{Delimiter: ",", Fields: 1, Columns: []LineColumn{{}}, SeqField: -1, TickField: -1}
	mo := ModbusOptions{PollS: 1, Registers: []Register{{Unit: 1, Function: 3, Type: "u16"}}}
	_, noBaud := NewModbus(mo, daq.Instrument{}, 0)
	_, columns := NewLine(lo, daq.Instrument{Columns: 2}, 0)
	_, index := NewFrame(FrameOptions{Columns: 1}, daq.Instrument{}, 1<<16)
	for err, says := range map[error]string{noBaud: "baud", columns: "2 columns", index: "65536"} {
		if err == nil || !strings.Contains(err.Error(), says) {
			t.Errorf("%v does not say %q", err, says)
		}
	}
	if _, err := NewModbus(mo, daq.Instrument{Port: daq.Port{Baud: 9600}}, 0); err != nil {
		t.Error(err)
	}
}
