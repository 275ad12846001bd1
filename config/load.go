package config

import (
	"strings"

	"ventward/daq/wire"
)

// bitsPerByte is what one byte takes on the line: start, data, parity, stop.
func bitsPerByte(in *Instrument) float64 {
	n := 1 + in.Port.DataBits + in.Port.StopBits
	if in.Port.Parity != "none" {
		n++
	}
	return float64(n)
}

// load is the least part of its line's capacity that an instrument needs, and
// a word for what needs it.
func load(in *Instrument) (float64, string) {
	bytesPerS := float64(in.Port.Baud) / bitsPerByte(in)
	switch {
	case in.Frame != nil:
		return frameRow(in.Frame.Columns) * in.RateHz / bytesPerS, "the frames' rate"
	case in.Line != nil:
		return lineRow(in) * in.RateHz / bytesPerS, "the lines' rate"
	case in.Modbus != nil:
		return modbusPoll(in) * in.RateHz / bytesPerS, "polling its registers"
	case in.Query != nil:
		return queryPoll(in)*in.RateHz/bytesPerS + float64(len(in.Query.Questions))*in.Query.GapS*in.RateHz, "asking its questions"
	}
	return 0, ""
}

// frameFixed is a frame's bytes beside its counts: header 20, CRC 4, delimiter
// 1; COBS adds one in 254.
const frameFixed = 25

// frameRow is the least number of bytes that a row of counts takes: that of
// the longest frames.
func frameRow(columns int) float64 {
	row := float64(4 * columns)
	rows := (wire.MaxFrame*254.0/255 - frameFixed) / row
	return (row + frameFixed/rows) * 255 / 254
}

// lineRow is the least number of bytes of a text line: one digit for each
// field, for a decimal column a digit, the point and its decimals, the
// delimiters, the checksum and the end of line.
func lineRow(in *Instrument) float64 {
	o := in.Line
	n := o.Fields + o.Fields - 1 + 1
	for _, c := range o.Columns {
		if c.Decimals > 0 {
			n += 1 + c.Decimals
		}
	}
	switch o.Checksum {
	case wire.ChecksumXOR:
		n += 3
	case wire.ChecksumCRC16:
		n += 5
	}
	return float64(n)
}

// modbusPoll is the least number of byte times of one poll of all registers:
// for each run of neighbouring registers a request of 8 bytes, an answer of 5
// and the data, and the two silences of 3.5 bytes that the protocol asks for.
func modbusPoll(in *Instrument) float64 {
	total := 0.0
	end, unit, function := -1, 0, 0
	for _, r := range in.Modbus.Registers {
		words := 1
		if strings.HasSuffix(r.Type, "32") {
			words = 2
		}
		if r.Unit != unit || r.Function != function || r.Address != end {
			total += 8 + 5 + 7
		}
		total += float64(2 * words)
		end, unit, function = r.Address+words, r.Unit, r.Function
	}
	return total
}

// queryPoll is the least number of byte times of one cycle of questions: each
// question and an answer of one digit a number, with their ends and checksums.
func queryPoll(in *Instrument) float64 {
	o := in.Query
	ends := len(o.End) + len(o.AnswerEnd)
	switch o.Checksum {
	case wire.ChecksumXOR:
		ends += 6
	case wire.ChecksumCRC16:
		ends += 10
	}
	n := 0
	for _, q := range o.Questions {
		n += len(q.Ask) + len(q.Prefix) + len(q.Suffix) + ends
		for _, d := range q.Decimals {
			if n += 2; d > 0 { // a digit, and a delimiter or the silence between messages
				n += 1 + d
			}
		}
	}
	return float64(n)
}

// movable tells whether a port's path depends on the order in which devices
// were found.
func movable(path string) bool {
	for _, p := range []string{"/dev/ttyUSB", "/dev/ttyACM", "/dev/pts/"} {
		if strings.HasPrefix(path, p) {
			return true
		}
	}
	return false
}
