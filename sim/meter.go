package sim

import (
	"bytes"
	"strings"

	"ventward/daq/wire"
)

// meter is an instrument that answers a line of text with a line of text. What
// it holds it asks for with value and output.
type meter struct {
	opts *wire.QueryOptions
	// value returns the present raw reading of a column.
	value func(column int) float64
	// output reads a switched output, setOutput switches it, by its index in
	// the options' switches.
	output    func(i int) bool
	setOutput func(i int, on bool)

	end, answerEnd string
	buf            []byte
	requests       uint64 // answered
	heard          uint64 // lines that came undamaged
	refused        uint64 // lines it did not understand
	broken         bool   // answers every line with its refusal
	wrongSum       bool   // spoils the checksum of its answers
}

// maxQuestion bounds a line that has no end.
const maxQuestion = 512

func newMeter(o *wire.QueryOptions) *meter {
	m := &meter{opts: o, end: o.End, answerEnd: o.AnswerEnd}
	if m.end == "" {
		m.end = "\r\n"
	}
	if m.answerEnd == "" {
		m.answerEnd = m.end
	}
	return m
}

// take receives bytes and returns the answers that are due.
func (m *meter) take(p []byte) []byte {
	m.buf = append(m.buf, p...)
	var out []byte
	for {
		n := bytes.Index(m.buf, []byte(m.end))
		if n < 0 {
			if len(m.buf) > maxQuestion {
				m.refused++
				m.buf = m.buf[:0]
			}
			return out
		}
		line := string(m.buf[:n])
		m.buf = append(m.buf[:0], m.buf[n+len(m.end):]...)
		if a, ok := m.answer(line); ok {
			out = append(append(out, m.sealed(a)...), m.answerEnd...)
		}
	}
}

// answer obeys one line. ok is false where none is due.
func (m *meter) answer(line string) (string, bool) {
	body, good := m.unsealed(line)
	if !good { // what came damaged is not answered
		m.refused++
		return "", false
	}
	m.heard++
	if m.broken {
		return m.opts.Refusal, m.opts.Refusal != ""
	}
	m.requests++
	column := 0
	for i := range m.opts.Questions {
		q := &m.opts.Questions[i]
		if body == q.Ask {
			return m.numbers(q, column), true
		}
		column += columnsOf(q)
	}
	for i := range m.opts.Switches {
		s := &m.opts.Switches[i]
		switch body {
		case s.On:
			m.setOutput(i, true)
			return s.OnAnswer, s.OnAnswer != ""
		case s.Off:
			m.setOutput(i, false)
			return s.OffAnswer, s.OffAnswer != ""
		case s.Ask:
			if m.output(i) {
				return s.IsOn, true
			}
			return s.IsOff, true
		}
	}
	m.requests--
	m.refused++
	return m.opts.Refusal, m.opts.Refusal != ""
}

// columnsOf is how many numbers of an answer are kept.
func columnsOf(q *wire.Question) int {
	n := 0
	for _, d := range q.Decimals {
		if d != wire.SkipNumber {
			n++
		}
	}
	return n
}

// numbers is the answer to a question whose first kept number is a column.
func (m *meter) numbers(q *wire.Question, column int) string {
	delim := q.Delimiter
	if delim == "" {
		delim = ","
	}
	var fields []string
	for _, d := range q.Decimals {
		if d == wire.SkipNumber {
			fields = append(fields, "0") // a number that nobody reads
			continue
		}
		fields = append(fields, string(appendDecimal(nil, int32(clamp(m.value(column), -1<<31, 1<<31-1)), d)))
		column++
	}
	return q.Prefix + strings.Join(fields, delim) + q.Suffix
}

// sealed appends the checksum.
func (m *meter) sealed(body string) []byte {
	out := []byte(body)
	spoil := uint16(0)
	if m.wrongSum {
		spoil = 0x5a
	}
	switch m.opts.Checksum {
	case "xor":
		return appendHex(append(out, '*'), xorOf(body)^spoil, 2)
	case "crc16":
		return appendHex(append(out, '*'), crc16(out)^spoil, 4)
	}
	return out
}

// unsealed takes the checksum off a line and tells whether it was right.
func (m *meter) unsealed(line string) (string, bool) {
	if m.opts.Checksum != "xor" && m.opts.Checksum != "crc16" {
		return strings.TrimSpace(line), true
	}
	n := strings.LastIndexByte(line, '*')
	if n < 0 {
		return "", false
	}
	body := line[:n]
	keep := m.wrongSum
	m.wrongSum = false
	want := string(m.sealed(body))
	m.wrongSum = keep
	return body, strings.EqualFold(want, line)
}

// xorOf is the XOR of the bytes.
func xorOf(s string) uint16 {
	x := byte(0)
	for i := range len(s) {
		x ^= s[i]
	}
	return uint16(x)
}
