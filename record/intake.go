package record

import (
	"bufio"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"
)

// Bounds of a list of specimens.
const (
	MaxIntakeBytes = 4 << 20
	MaxIntakeRows  = 20000
	maxColumns     = 100
	// MaxRowProblems bounds the problems told at once; RowProblems says when
	// there were more.
	MaxRowProblems = 200
)

// A RowProblem is one thing wrong with a list: where, which value, and what to
// do about it.
type RowProblem struct {
	File   string `json:"file"`
	Line   int    `json:"line"`
	Column string `json:"column,omitempty"`
	Value  string `json:"value,omitempty"`
	Next   string `json:"next"` // what is wrong and the next move
}

func (p RowProblem) Error() string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s:%d: ", p.File, p.Line)
	if p.Column != "" {
		fmt.Fprintf(&b, "%s: ", p.Column)
	}
	if p.Value != "" {
		fmt.Fprintf(&b, "%.60q: ", p.Value)
	}
	return b.String() + p.Next
}

// RowProblems is every thing wrong with a list, up to a bound.
type RowProblems []RowProblem

func (p RowProblems) Error() string {
	lines := make([]string, len(p))
	for i := range p {
		lines[i] = p[i].Error()
	}
	return strings.Join(lines, "\n")
}

// needed and columns are what a list of specimens must and may have.
var (
	needed  = []string{"id", "lot", "feature"}
	columns = []string{"id", "lot", "feature", "residual_um", "die", "strokes", "medium", "trigger", "surrounding", "temperature_C", "note"}
)

// A Row is a specimen and the line of the list that it stands in.
type Row struct {
	Specimen
	Line int
}

// ReadSpecimens reads a list of specimens from CSV: UTF-8, comma, a header row,
// one row a specimen. file is its name in messages. The columns id, lot and
// feature are needed; residual_um, die, strokes, medium, trigger, surrounding,
// temperature_C and note may be there; others are returned in ignored. Either
// all rows are good, or the error is a RowProblems that names every one that
// isn't.
func ReadSpecimens(r io.Reader, file string) (rows []Row, ignored []string, err error) {
	s := &list{file: file, column: map[string]int{}}
	if !s.open(r) {
		return nil, s.ignored, s.problems
	}
	seen := map[string]int{}
	for s.next() {
		row := Row{Specimen: s.specimen(), Line: s.line}
		if first, ok := seen[row.ID]; ok && row.ID != "" {
			s.bad("id", row.ID, fmt.Sprintf("it stands in line %d already: each specimen has an id of its own", first))
		}
		seen[row.ID] = s.line
		if rows = append(rows, row); len(rows) > MaxIntakeRows {
			s.bad("", "", fmt.Sprintf("more than %d specimens: split the list", MaxIntakeRows))
			break
		}
	}
	if len(rows) == 0 && len(s.problems) == 0 {
		s.line++
		s.bad("", "", "no specimen follows the header: export the rows too")
	}
	if len(s.problems) > 0 {
		return nil, s.ignored, s.problems
	}
	return rows, s.ignored, nil
}

// list is a CSV file being read.
type list struct {
	file     string
	in       *io.LimitedReader
	csv      *csv.Reader
	column   map[string]int
	width    int
	row      []string
	line     int
	problems RowProblems
	ignored  []string
}

func (s *list) bad(column, value, next string) {
	switch n := len(s.problems); {
	case n < MaxRowProblems:
		s.problems = append(s.problems, RowProblem{s.file, max(s.line, 1), column, value, next})
	case n == MaxRowProblems:
		s.problems = append(s.problems, RowProblem{s.file, max(s.line, 1), "", "", "and there are more problems: mend these first"})
	}
}

// open reads the header; false: it can't be used.
func (s *list) open(r io.Reader) bool {
	s.in = &io.LimitedReader{R: r, N: MaxIntakeBytes + 1}
	b := bufio.NewReader(s.in)
	if head, _ := b.Peek(3); string(head) == "\ufeff" {
		_, _ = b.Discard(3)
	}
	s.csv = csv.NewReader(b)
	s.csv.FieldsPerRecord, s.csv.TrimLeadingSpace, s.csv.ReuseRecord = -1, true, true
	head, err := s.csv.Read()
	s.line = 1
	switch {
	case errors.Is(err, io.EOF):
		s.bad("", "", "the list is empty: export it with a header row "+strings.Join(needed, ","))
	case err != nil:
		s.damaged(err)
	case len(head) == 1 && strings.Contains(head[0], ";"):
		s.bad("", head[0], "separated by semicolons: save it with commas, and points in numbers")
	case len(head) > maxColumns:
		s.bad("", "", fmt.Sprintf("%d columns: keep to %d", len(head), maxColumns))
	default:
		s.header(head)
	}
	return len(s.problems) == 0
}

func (s *list) header(head []string) {
	s.width = len(head)
	for i, h := range head {
		h = strings.TrimSpace(h)
		if !utf8.ValidString(h) || strings.ContainsRune(h, 0) {
			s.bad("", h, "not UTF-8 text: save the sheet as CSV UTF-8")
			return
		}
		if _, twice := s.column[h]; twice && h != "" {
			s.bad(h, "", "the column stands there twice: keep one")
		}
		s.column[h] = i
		if h != "" && !slices.Contains(columns, h) {
			s.ignored = append(s.ignored, h)
		}
	}
	for _, n := range needed {
		if _, ok := s.column[n]; !ok {
			s.bad(n, "", "the column is missing: the header needs "+strings.Join(needed, ",")+" and may have "+strings.Join(columns[len(needed):], ","))
		}
	}
}

func (s *list) damaged(err error) {
	var p *csv.ParseError
	if errors.As(err, &p) {
		s.line = max(p.StartLine, 1)
		s.bad("", "", "the row can't be read: "+p.Err.Error()+": mend the quotes")
		return
	}
	s.bad("", "", "reading stopped: "+err.Error()+": send the list again")
}

// next reads a row; false at the end, and where no further row can be read.
func (s *list) next() bool {
	for {
		row, err := s.csv.Read()
		if s.in.N <= 0 {
			s.bad("", "", fmt.Sprintf("longer than %d MB: split the list", MaxIntakeBytes>>20))
			return false
		}
		if errors.Is(err, io.EOF) || len(s.problems) > MaxRowProblems {
			return false
		}
		if err != nil {
			s.damaged(err)
			return false
		}
		s.line, _ = s.csv.FieldPos(0)
		s.row = row
		if slices.ContainsFunc(row, func(v string) bool { return strings.TrimSpace(v) != "" }) {
			break // a row of empty cells is what spreadsheets leave behind
		}
	}
	if len(s.row) != s.width {
		s.bad("", "", fmt.Sprintf("%d cells where the header has %d: quote cells that hold a comma", len(s.row), s.width))
	}
	return true
}

func (s *list) text(column string) string {
	i, ok := s.column[column]
	if !ok || i >= len(s.row) {
		return ""
	}
	return strings.TrimSpace(s.row[i])
}

func (s *list) name(column string) string {
	v := s.text(column)
	if why := NameProblem(v); why != "" {
		s.bad(column, v, why)
	}
	return v
}

func (s *list) remark(column string) string {
	v := s.text(column)
	if why := TextProblem(v, MaxRemark); why != "" {
		s.bad(column, v, why)
	}
	return v
}

func (s *list) specimen() Specimen {
	out := Specimen{ID: s.name("id"), Lot: s.name("lot"), Feature: strings.ToLower(s.text("feature")), Die: s.remark("die"), Medium: s.remark("medium"),
		Trigger: s.remark("trigger"), Surrounding: s.remark("surrounding"), Note: s.remark("note")}
	if !known(out.Feature) {
		s.bad("feature", s.text("feature"), "use "+strings.Join(Features(), ", "))
	}
	const um = 1e-6
	out.ResidualM = s.number("residual_um", 0, 1e5, um)
	out.Strokes = s.number("strokes", 0, 1e12, 1)
	out.TemperatureC = s.number("temperature_C", -273.15, 5000, 1)
	return out
}

// number reads a plain decimal number that may be left out.
func (s *list) number(column string, least, most, scale float64) *float64 {
	text := s.text(column)
	if text == "" {
		return nil
	}
	v, err := strconv.ParseFloat(text, 64)
	plain := strings.Trim(text, "0123456789+-.eE") == "" && err == nil && !math.IsInf(v, 0)
	switch {
	case strings.Contains(text, ","):
		s.bad(column, text, "a comma in a number: write the decimal point as a point")
	case !plain:
		s.bad(column, text, "not a plain decimal number: remove units and text, leave a missing value empty")
	case v < least || v > most:
		s.bad(column, text, fmt.Sprintf("give a number from %g to %g, or leave it empty", least, most))
	default:
		v *= scale
		return &v
	}
	return nil
}
