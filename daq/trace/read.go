package trace

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"

	"ventward/daq"
)

// Options says how a trace is read.
type Options struct {
	Name      string            // of the source, for messages
	Reference daq.Reference     // of pressures whose unit does not say; empty: such a column is an error
	Bytes     int64             // that the source has; 0: not known. Room for its rows is taken at once
	Map       map[string]string // column (header, or name without unit) -> role; overrides roles by name; none: no role
}

// Bounds of what is read.
const (
	maxLine    = 1 << 20 // bytes
	maxColumns = 1024
	maxCells   = 1 << 28 // readings: 2 GiB of float64
)

// An Error tells what is wrong with a trace, where, and the next move.
type Error struct {
	File    string
	Line    int    // from 1; 0: the whole file
	Field   string // column's header
	Value   string // as written
	Problem string
	Next    string
}

func (e *Error) Error() string {
	s := e.File
	if s == "" {
		s = "trace"
	}
	if e.Line > 0 {
		s += fmt.Sprintf(":%d", e.Line)
	}
	if e.Field != "" {
		s += ": " + e.Field
	}
	if e.Value != "" {
		s += fmt.Sprintf(": %q", shorten(e.Value))
	}
	return s + ": " + e.Problem + "; " + e.Next
}

// shorten keeps messages readable whatever is in the file.
func shorten(s string) string {
	const most = 60
	if len(s) > most {
		return s[:most] + "..."
	}
	return s
}

// reader is the state of one Read.
type reader struct {
	o     Options
	trace *Trace
	units []unit
	place []int // last decimal place seen, by column
	any   []bool
	line  int
	bytes int64 // read so far
}

func (r *reader) fail(field, value, problem, next string) error {
	return &Error{File: r.o.Name, Line: r.line, Field: field, Value: value, Problem: problem, Next: next}
}

// Read reads a trace. Every error is an *Error, or names the reading that
// failed.
func Read(src io.Reader, o Options) (*Trace, error) {
	r := &reader{o: o, trace: &Trace{Name: o.Name, Ignored: []string{}}}
	in := bufio.NewReaderSize(src, maxLine)
	line, err := r.next(in)
	if err == io.EOF {
		r.line = 0
		return nil, r.fail("", "", "the file is empty", "give a header row and at least one row of readings")
	}
	if err == nil {
		err = r.header(line)
	}
	if err != nil {
		return nil, err
	}
	r.place, r.any = make([]int, len(r.units)), make([]bool, len(r.units))
	if err := r.rows(in); err != nil {
		return nil, err
	}
	if len(r.trace.T) == 0 {
		return nil, r.fail("", "", "there is a header and no row of readings", "give at least one row")
	}
	r.trace.RateHz = rate(r.trace.T)
	for i := range r.trace.Columns {
		if r.any[i] {
			u := r.units[i]
			r.trace.Columns[i].Resolution = math.Pow10(u.exp10-r.place[i]) * u.factor
		}
	}
	return r.trace, nil
}

// next returns the next line without its end; io.EOF after the last.
func (r *reader) next(in *bufio.Reader) ([]byte, error) {
	line, err := in.ReadSlice('\n')
	if len(line) > 0 {
		r.line++
		r.bytes += int64(len(line))
	}
	switch {
	case errors.Is(err, bufio.ErrBufferFull):
		return nil, r.fail("", string(line[:40]), fmt.Sprintf("the line is longer than %d bytes", maxLine), "is this a CSV of readings, with line ends?")
	case err == io.EOF && len(line) > 0:
	case err == io.EOF:
		return nil, io.EOF
	case err != nil:
		return nil, fmt.Errorf("%s:%d: reading failed: %w; check the file and try again", r.o.Name, r.line, err)
	}
	line = bytes.TrimSuffix(line, []byte("\n"))
	return bytes.TrimSuffix(line, []byte("\r")), nil
}

// rows reads everything after the header. Blank lines are tolerated at the end
// only: elsewhere a blank line is a row that lost its cells.
func (r *reader) rows(in *bufio.Reader) error {
	blank := 0
	for {
		line, err := r.next(in)
		if err == io.EOF {
			return nil
		}
		if err != nil {
			return err
		}
		if len(bytes.TrimSpace(line)) == 0 {
			if blank == 0 {
				blank = r.line
			}
			continue
		}
		if blank > 0 {
			r.line = blank
			return r.fail("", "", "a row is blank and others follow", "give every row its cells, or end the file here")
		}
		if err := r.row(line); err != nil {
			return err
		}
		if len(r.trace.T) == rowsBefore {
			r.reserve()
		}
		if len(r.trace.T)*len(r.units) > maxCells {
			return r.fail("", "", fmt.Sprintf("more than %d readings are more than this program reads at once", maxCells), "cut the trace into parts")
		}
	}
}

// rowsBefore is the number of rows whose length tells that of the others.
const rowsBefore = 256

// reserve takes room for the rows that the source still has.
func (r *reader) reserve() {
	rows := float64(r.o.Bytes-r.bytes) / float64(r.bytes) * rowsBefore
	n := int(min(rows, maxCells/float64(len(r.units)+1)))
	if n <= 0 {
		return
	}
	r.trace.T = slices.Grow(r.trace.T, n)
	for i := range r.trace.Columns {
		r.trace.Columns[i].Values = slices.Grow(r.trace.Columns[i].Values, n)
	}
}

// row takes one row's cells.
func (r *reader) row(line []byte) error {
	cell, rest, more := bytes.Cut(line, comma)
	if err := r.time(trim(cell)); err != nil {
		return err
	}
	for i := range r.trace.Columns {
		if !more {
			return r.ragged(i+1, line)
		}
		cell, rest, more = bytes.Cut(rest, comma)
		v, err := r.value(i, trim(cell))
		if err != nil {
			return err
		}
		r.trace.Columns[i].Values = append(r.trace.Columns[i].Values, v)
	}
	if more {
		return r.ragged(len(r.trace.Columns)+2+bytes.Count(rest, comma), line)
	}
	return nil
}

var comma = []byte{','}

func (r *reader) ragged(have int, line []byte) error {
	return r.fail("", string(line), fmt.Sprintf("the row has %d cells, the header %d", have, len(r.trace.Columns)+1),
		"give each row one cell a column (empty where a reading is missing), with points for decimals")
}

// trim takes blanks and quotes off a cell.
func trim(c []byte) []byte {
	if len(c) == 0 || c[0] > ' ' && c[0] != '"' && c[len(c)-1] > ' ' {
		return c
	}
	c = bytes.TrimSpace(c)
	if len(c) >= 2 && c[0] == '"' && c[len(c)-1] == '"' {
		c = bytes.TrimSpace(c[1 : len(c)-1])
	}
	return c
}

// time takes a row's time.
func (r *reader) time(cell []byte) error {
	if len(cell) == 0 {
		return r.fail("t_s", "", "the time is missing", "give every row its time in seconds")
	}
	d, ok := parseDecimal(cell)
	if !ok {
		return r.fail("t_s", string(cell), "is no decimal number", nextOfTime(cell))
	}
	ns, ok := d.nanoseconds()
	if !ok {
		return r.fail("t_s", string(cell), "is beyond what a time in nanoseconds can hold", "count seconds from the start of the run")
	}
	if n := len(r.trace.T); n > 0 && ns <= r.trace.T[n-1] {
		what, next := "time runs backwards", "sort the rows by time, or give each recording a file of its own"
		if ns == r.trace.T[n-1] {
			what, next = "time stands still (to the nanosecond)", "delete the repeated row, or write enough decimals to tell the rows apart"
		}
		before := string(appendSeconds(nil, r.trace.T[n-1]))
		return r.fail("t_s", string(cell), what+": the row before has "+before, next)
	}
	r.trace.T = append(r.trace.T, ns)
	return nil
}

// nextOfTime is the next move after a time that is no number.
func nextOfTime(cell []byte) string {
	switch {
	case bytes.IndexByte(cell, '"') >= 0:
		return "write decimals with a point: a comma separates columns, also between quotes"
	case bytes.IndexByte(cell, ':') >= 0:
		return "give seconds since the start of the run instead of a time of day, for example 12.3456"
	}
	return "give seconds, for example 12.3456"
}

// value takes one reading of column i in its SI unit.
func (r *reader) value(i int, cell []byte) (float64, error) {
	if len(cell) == 0 || len(cell) == 3 && bytes.EqualFold(cell, nan) {
		return math.NaN(), nil
	}
	c, u := &r.trace.Columns[i], &r.units[i]
	d, ok := parseDecimal(cell)
	if !ok {
		return 0, r.fail(c.Header, string(cell), "is no decimal number", "give decimal digits, or leave the cell empty where a reading is missing")
	}
	v, ok := d.float(cell, u.exp10)
	if ok && u.factor != 1 || u.shift != 0 {
		v = u.si(v)
	}
	if !ok || math.IsInf(v, 0) {
		return 0, r.fail(c.Header, string(cell), "is too large for any reading", "correct the cell, or leave it empty")
	}
	if c.Quantity == daq.Digital && v != 0 && v != 1 {
		return 0, r.fail(c.Header, string(cell), "is neither 0 nor 1", "a 0/1 input is 0, 1 or empty")
	}
	if p := d.decimals(); !r.any[i] || p > r.place[i] {
		r.place[i], r.any[i] = p, true
	}
	return v, nil
}

var nan = []byte("nan")
