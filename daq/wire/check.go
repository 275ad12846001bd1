package wire

import (
	"fmt"
	"math"
)

// Limits of the protocols.
const (
	MaxLine      = 1024 // bytes of a line without its end
	MaxFields    = 64   // fields of a line
	MaxDecimals  = 9    // decimals of a line's column: an int32 holds no more
	MaxFrame     = 4096 // bytes of an encoded frame with its delimiter
	MaxColumns   = 255  // columns of a frame: its count is one byte
	maxRegisters = 125  // registers in one Modbus answer
	maxBits      = 2000 // coils or inputs in one Modbus answer
)

// Check returns everything wrong with the options.
func (o *LineOptions) Check() []Problem {
	var ps problems
	if len(o.Delimiter) != 1 || o.Delimiter[0] >= 0x80 || isNumberByte(o.Delimiter[0]) || o.Delimiter[0] == '\n' || o.Delimiter[0] == '\r' {
		ps.add("delimiter", o.Delimiter, `write one character such as ",", ";" or " "`, "a delimiter is one ASCII character that no number holds")
	}
	if o.Fields < 1 || o.Fields > MaxFields {
		ps.add("fields", o.Fields, "count the fields of one line, sequence and tick included", "must be 1 to %d", MaxFields)
	}
	switch o.Checksum {
	case ChecksumNone, ChecksumXOR, ChecksumCRC16, "":
	default:
		ps.add("checksum", o.Checksum, `write "none", "xor" or "crc16"`, "no such checksum")
	}
	if len(o.Columns) == 0 {
		ps.add("columns", "[]", "map at least one field to a column", "the instrument has no columns")
	}
	for i, c := range o.Columns {
		at := fmt.Sprintf("columns[%d]", i)
		if c.Field < 0 || c.Field >= o.Fields {
			ps.add(at+".field", c.Field, "fields are numbered from 0", "the line has fields 0 to %d", o.Fields-1)
		}
		if c.Field == o.SeqField || c.Field == o.TickField {
			ps.add(at+".field", c.Field, "map another field, or set seq_field or tick_field to -1", "the field is already the sequence or the tick")
		}
		if c.Decimals < 0 || c.Decimals > MaxDecimals {
			ps.add(at+".decimals", c.Decimals, "write the decimals the instrument prints", "must be 0 to %d", MaxDecimals)
		}
	}
	o.checkCounters(&ps)
	return ps
}

func (o *LineOptions) checkCounters(ps *problems) {
	counter := func(name string, field int, wrap uint64) {
		if field < -1 || field >= o.Fields {
			ps.add(name+"_field", field, "write the field's index from 0, or -1 for none", "the line has fields 0 to %d", o.Fields-1)
		}
		if wrap != 0 && wrap < 4 {
			ps.add(name+"_wrap", wrap, "write how many values the counter has, 65536 for 16 bits", "a counter that short can't tell loss from a repetition")
		}
	}
	counter("seq", o.SeqField, o.SeqWrap)
	counter("tick", o.TickField, o.TickWrap)
	if o.SeqField >= 0 && o.SeqField == o.TickField {
		ps.add("tick_field", o.TickField, "set one of them to -1", "sequence and tick are the same field")
	}
}

// isNumberByte tells whether a number, or a checksum, may hold the byte.
func isNumberByte(b byte) bool {
	switch b {
	case '+', '-', '.', 'e', 'E', '*', '$':
		return true
	}
	return b >= '0' && b <= '9'
}

// Check returns everything wrong with the options.
func (o *FrameOptions) Check() []Problem {
	var ps problems
	if o.Columns < 1 || o.Columns > MaxColumns {
		ps.add("columns", o.Columns, "write the number of channels in one row of the frame", "must be 1 to %d", MaxColumns)
	}
	return ps
}

// Check returns everything wrong with the options.
func (o *ModbusOptions) Check() []Problem {
	var ps problems
	pace{o.PollS, o.TimeoutS, o.QuarantineS, o.VerifyS}.check(&ps, len(o.Registers) > 0, o.Baud)
	if len(o.Registers) == 0 && len(o.Coils) == 0 {
		ps.add("registers", "[]", "name at least one register or coil", "the line has nothing to ask or to switch")
	}
	for i, r := range o.Registers {
		r.check(fmt.Sprintf("registers[%d]", i), &ps)
	}
	outputs := map[int]int{}
	for i, c := range o.Coils {
		at := fmt.Sprintf("coils[%d]", i)
		c.check(at, &ps)
		if j, twice := outputs[c.Output]; twice {
			ps.add(at+".output", c.Output, "give each output one coil", "coils[%d] carries the same output", j)
		}
		outputs[c.Output] = i
		for j, d := range o.Coils[:i] {
			if d.Unit == c.Unit && d.Address == c.Address && d.inRegister() == c.inRegister() {
				ps.add(at+".address", c.Address, "give each output its own coil", "coils[%d] is the same coil of unit %d", j, c.Unit)
			}
		}
	}
	return ps
}

func checkUnit(at string, unit, address int, ps *problems) {
	if unit < 1 || unit > 247 {
		ps.add(at+".unit", unit, "write the device's address on the line", "must be 1 to 247")
	}
	if address < 0 || address > 65535 {
		ps.add(at+".address", address, "write the address as on the wire, counted from 0 (40001 in a manual is often holding register 0)", "must be 0 to 65535")
	}
}

func (r *Register) check(at string, ps *problems) {
	checkUnit(at, r.Unit, r.Address, ps)
	bits := r.Function == 1 || r.Function == 2
	if !bits && r.Function != 3 && r.Function != 4 {
		ps.add(at+".function", r.Function, "write 1 coils, 2 discrete inputs, 3 holding registers or 4 input registers", "the function reads nothing")
	}
	switch r.Type {
	case "u16", "i16", "u32", "i32", "f32":
		if bits {
			ps.add(at+".type", r.Type, `write "bit", or function 3 or 4`, "function %d reads single bits", r.Function)
		}
	case "bit":
		if !bits {
			ps.add(at+".type", r.Type, "write function 1 or 2, or another type", "function %d reads 16-bit registers", r.Function)
		}
	default:
		ps.add(at+".type", r.Type, "write u16, i16, u32, i32, f32 or bit", "no such type")
	}
	if _, ok := orders[r.Order]; !ok {
		ps.add(at+".order", r.Order, "write ABCD, CDAB, BADC or DCBA", "no such word order")
	}
	if r.words() == 2 && r.Address == 65535 {
		ps.add(at+".address", r.Address, "a 32-bit value starts at 65534 at the latest", "the second register is past the end")
	}
}

func (c *Coil) check(at string, ps *problems) {
	checkUnit(at, c.Unit, c.Address, ps)
	switch c.Function {
	case 0, 5, 6, 15, 16:
	default:
		ps.add(at+".function", c.Function, "write 5 or 15 for a coil, 6 or 16 for a holding register", "the function writes nothing")
	}
	if c.Output < 0 {
		ps.add(at+".output", c.Output, "name an output of the bench", "no such output")
	}
}

// check judges the times of an asker; polls tells whether it has a cycle.
func (p pace) check(ps *problems, polls bool, baud int) {
	for _, f := range []struct {
		name string
		v    float64
		zero bool
	}{{"poll_s", p.poll, !polls}, {"timeout_s", p.timeout, true}, {"quarantine_s", p.quarantine, true}, {"verify_s", p.verify, true}} {
		if math.IsNaN(f.v) || f.v < 0 || f.v > 3600 || (f.v == 0 && !f.zero) || (f.v > 0 && f.v < 1e-3) {
			ps.add(f.name, f.v, "write seconds, for example 0.1", "must be 0.001 to 3600 s")
		}
	}
	if baud < 0 || baud > 20_000_000 {
		ps.add("baud", baud, "write the line's speed, for example 19200, or leave it to the port's", "no such speed")
	}
}

// Check returns everything wrong with the options.
func (o *QueryOptions) Check() []Problem {
	var ps problems
	pace{o.PollS, o.TimeoutS, o.QuarantineS, o.VerifyS}.check(&ps, len(o.Questions) > 0, o.Baud)
	if math.IsNaN(o.GapS) || o.GapS < 0 || o.GapS > 60 {
		ps.add("gap_s", o.GapS, "write seconds, for example 0.005, or leave it out", "must be 0 to 60 s")
	}
	for _, f := range [][2]string{{"end", o.End}, {"answer_end", o.AnswerEnd}} {
		switch f[1] {
		case "", "\r\n", "\r", "\n":
		default:
			ps.add(f[0], f[1], `write CR LF, CR or LF`, "no such end of line")
		}
	}
	switch o.Checksum {
	case ChecksumNone, ChecksumXOR, ChecksumCRC16, "":
	default:
		ps.add("checksum", o.Checksum, `write "none", "xor" or "crc16"`, "no such checksum")
	}
	checkText(&ps, "refusal", o.Refusal, true)
	if len(o.Questions) == 0 && len(o.Switches) == 0 {
		ps.add("questions", "[]", "state at least one question or switch", "the line has nothing to ask or to switch")
	}
	for i := range o.Questions {
		o.Questions[i].check(fmt.Sprintf("questions[%d]", i), &ps)
	}
	if n := o.Columns(); n > MaxColumns {
		ps.add("questions", n, "split the instrument", "a cycle has more than %d numbers", MaxColumns)
	}
	outputs := map[int]int{}
	for i := range o.Switches {
		s := &o.Switches[i]
		at := fmt.Sprintf("switches[%d]", i)
		s.check(at, &ps)
		if j, twice := outputs[s.Output]; twice {
			ps.add(at+".output", s.Output, "give each output one switch", "switches[%d] carries the same output", j)
		}
		outputs[s.Output] = i
	}
	return ps
}

// checkText wants printable ASCII without blanks at its ends, which an answer
// loses.
func checkText(ps *problems, field, s string, empty bool) {
	if s == "" && !empty {
		ps.add(field, s, "write what goes over the line, without its end", "is missing")
		return
	}
	bad := len(s) > maxText
	for i := range len(s) {
		bad = bad || s[i] < ' ' || s[i] > '~'
	}
	if bad || string(trim([]byte(s))) != s {
		ps.add(field, s, "write what goes over the line, without its end", "must be at most %d printable ASCII characters, no blanks at either end", maxText)
	}
}

func (q *Question) check(at string, ps *problems) {
	checkText(ps, at+".ask", q.Ask, false)
	for _, f := range [][2]string{{".prefix", q.Prefix}, {".suffix", q.Suffix}} {
		checkText(ps, at+f[0], string(trim([]byte(f[1]))), true)
	}
	if d := q.Delimiter; d != "" && (len(d) != 1 || d[0] < ' ' || d[0] > '~' || isNumberByte(d[0])) {
		ps.add(at+".delimiter", d, `write one character such as "," or ";"`, "a delimiter is one character that no number holds")
	}
	read := 0
	for i, d := range q.Decimals {
		if d != SkipNumber {
			read++
		}
		if d < SkipNumber || d > MaxDecimals {
			ps.add(fmt.Sprintf("%s.decimals[%d]", at, i), d, "write the decimals the instrument prints, or -1 to read over the number", "must be -1 to %d", MaxDecimals)
		}
	}
	if read == 0 || len(q.Decimals) > MaxFields {
		ps.add(at+".decimals", len(q.Decimals), "write the decimals of each number of the answer", "an answer has 1 to %d numbers, of which at least one is read", MaxFields)
	}
}

func (s *Switch) check(at string, ps *problems) {
	for _, f := range []struct {
		name, v string
		empty   bool
	}{{".on", s.On, false}, {".off", s.Off, false}, {".on_answer", s.OnAnswer, true}, {".off_answer", s.OffAnswer, true},
		{".ask", s.Ask, false}, {".is_on", s.IsOn, false}, {".is_off", s.IsOff, false}} {
		checkText(ps, at+f.name, f.v, f.empty)
	}
	if s.On != "" && s.On == s.Off {
		ps.add(at+".off", s.Off, "write the command that switches it off", "is the same as on")
	}
	if s.IsOn != "" && s.IsOn == s.IsOff {
		ps.add(at+".is_off", s.IsOff, "write what the device answers while the output is off", "is the same as is_on")
	}
	if s.Output < 0 {
		ps.add(at+".output", s.Output, "name an output of the bench", "no such output")
	}
}
