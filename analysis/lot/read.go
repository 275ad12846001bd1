package lot

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

// Bounds of a spreadsheet.
const (
	maxProblems = 20
	maxColumns  = 200
	maxBytes    = 64 << 20
	maxBar      = 1e5
)

// A Problem is one thing wrong with a spreadsheet: where, which value, and
// what to do about it.
type Problem struct {
	File  string
	Line  int
	Field string
	Value string
	Next  string // what is wrong and the next move
}

func (p Problem) Error() string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s:%d: ", p.File, p.Line)
	if p.Field != "" {
		fmt.Fprintf(&b, "%s: ", p.Field)
	}
	if p.Value != "" {
		fmt.Fprintf(&b, "%.60q: ", p.Value)
	}
	return b.String() + p.Next
}

// Problems is every thing wrong with a spreadsheet, up to a bound.
type Problems []Problem

func (p Problems) Error() string {
	lines := make([]string, len(p))
	for i := range p {
		lines[i] = p[i].Error()
	}
	return strings.Join(lines, "\n")
}

// columns that a list of shots may have.
var columns = []string{"lot", "shot", "feature", "pressure_barg", "status", "reason", "residual_um", "die", "strokes", "medium", "ramp_bar_s",
	"temperature_C", "trigger", "surrounding", "measurement_s_bar"}

// sheet is a CSV file being read.
type sheet struct {
	file     string
	csv      *csv.Reader
	column   map[string]int
	width    int // fields of the header
	row      []string
	line     int
	problems Problems
	ignored  []string
}

// ReadShots reads a list of shots from CSV: UTF-8, comma, a header row, one row
// a lot, shot and feature. file is its name in messages. Columns that the
// program doesn't know are returned in ignored. All problems are reported at
// once, as Problems.
func ReadShots(r io.Reader, file string) (shots []Shot, ignored []string, err error) {
	s, err := open(r, file, columns, []string{"lot", "shot", "feature", "pressure_barg"})
	if err != nil {
		return nil, nil, err
	}
	seen := map[[3]string]int{}
	for s.next() {
		shot := s.shot()
		k := [3]string{shot.Lot, shot.ID, shot.Feature}
		if first, ok := seen[k]; ok {
			s.bad("shot", shot.ID, fmt.Sprintf("lot %s, shot %s, %s stands in line %d already: a specimen opens a feature once, give each shot its own number", shot.Lot, shot.ID, shot.Feature, first))
		}
		seen[k] = s.line
		shots = append(shots, shot)
		if len(shots) > maxShots {
			s.bad("", "", fmt.Sprintf("more than %d shots: split the file", maxShots))
			break
		}
	}
	if len(shots) == 0 && len(s.problems) == 0 {
		s.line++
		s.bad("", "", "no shot follows the header: export the rows too")
	}
	if len(s.problems) > 0 {
		return nil, s.ignored, s.problems
	}
	return shots, s.ignored, nil
}

// shot reads the current row.
func (s *sheet) shot() Shot {
	shot := Shot{
		Line: s.line, Lot: s.must("lot"), ID: s.must("shot"), Feature: strings.ToLower(s.must("feature")), Reason: s.text("reason"),
		Die: s.text("die"), Medium: s.text("medium"), Trigger: s.text("trigger"), Surrounding: s.text("surrounding"),
		Status: Status(strings.ToLower(s.text("status"))),
	}
	if shot.Status == "" {
		shot.Status = Valid
	}
	if !slices.Contains(statuses, shot.Status) {
		s.bad("status", s.text("status"), "use valid, invalid, saturated (at least this) or aborted (held to at least this)")
	}
	shot.PressurePa = s.pressure(shot.Status)
	const um = 1e-6
	shot.ResidualM = s.optional("residual_um", 0, 1e5, um)
	shot.Strokes = s.optional("strokes", 0, 1e12, 1)
	shot.RampPaS = s.optional("ramp_bar_s", 0, maxBar, paPerBar)
	shot.MeasurementPa = s.optional("measurement_s_bar", 0, maxBar, paPerBar)
	shot.TemperatureC = s.optional("temperature_C", -273.15, 5000, 1)
	return shot
}

// pressure reads what the status asks for: an opening happens above zero, an
// invalid shot needs no pressure.
func (s *sheet) pressure(status Status) float64 {
	text := s.text("pressure_barg")
	if text == "" {
		if status != Invalid {
			s.bad("pressure_barg", "", fmt.Sprintf("a %s shot needs its pressure in bar gauge: fill it in, or set status to invalid", status))
		}
		return math.NaN()
	}
	v, why := number(text)
	switch {
	case why != "":
		s.bad("pressure_barg", text, why)
	case v > maxBar:
		s.bad("pressure_barg", text, "beyond any bench: the column is bar gauge, convert from kPa or Pa")
	case status == Valid && v <= 0, v < 0 && status != Invalid:
		s.bad("pressure_barg", text, "an opening happens above zero gauge: check the zero and the reference, or set status to invalid with a reason")
	}
	return v * paPerBar
}

// optional reads a number that may be left out.
func (s *sheet) optional(field string, least, most, scale float64) *float64 {
	text := s.text(field)
	if text == "" {
		return nil
	}
	v, why := number(text)
	if why == "" && (v < least || v > most) {
		why = fmt.Sprintf("give a number from %g to %g, or leave it empty", least, most)
	}
	if why != "" {
		s.bad(field, text, why)
		return nil
	}
	v *= scale
	return &v
}

// number reads a plain decimal number and otherwise says what is wrong.
func number(text string) (float64, string) {
	for i := range len(text) {
		if c := text[i]; (c < '0' || c > '9') && !strings.ContainsRune("+-.eE", rune(c)) {
			if c == ',' {
				return 0, "a comma in a number: write the decimal point as a point"
			}
			return 0, "not a plain decimal number: remove units and text, leave a missing value empty"
		}
	}
	v, err := strconv.ParseFloat(text, 64)
	if err != nil || math.IsInf(v, 0) {
		return 0, "not a plain decimal number: write it like 27.42"
	}
	return v, ""
}

// ReadLimits reads acceptance limits by feature from CSV with the columns
// feature, low_barg and high_barg; either limit may be empty.
func ReadLimits(r io.Reader, file string) (map[string]Limits, error) {
	s, err := open(r, file, []string{"feature", "low_barg", "high_barg"}, []string{"feature", "low_barg", "high_barg"})
	if err != nil {
		return nil, err
	}
	out := map[string]Limits{}
	for s.next() {
		feature := strings.ToLower(s.must("feature"))
		if _, ok := out[feature]; ok {
			s.bad("feature", feature, "it has limits already: keep one row a feature")
		}
		l := Limits{Low: s.optional("low_barg", 0, maxBar, paPerBar), High: s.optional("high_barg", 0, maxBar, paPerBar)}
		if l.Both() && *l.Low >= *l.High {
			s.bad("high_barg", s.text("high_barg"), "the upper limit must be above low_barg")
		}
		if !l.Any() && len(s.problems) == 0 {
			s.bad("low_barg", "", "neither limit is given: give one, or remove the row")
		}
		out[feature] = l
		if len(out) > maxColumns {
			s.bad("", "", fmt.Sprintf("more than %d features: keep one row a feature", maxColumns))
			break
		}
	}
	if len(out) == 0 && len(s.problems) == 0 {
		s.line++
		s.bad("", "", "no limit follows the header: add a row a feature")
	}
	if len(s.problems) > 0 {
		return nil, s.problems
	}
	return out, nil
}

// open reads the header.
func open(r io.Reader, file string, known, needed []string) (*sheet, error) {
	b := bufio.NewReader(io.LimitReader(r, maxBytes+1))
	if head, _ := b.Peek(3); string(head) == "\ufeff" {
		_, _ = b.Discard(3)
	}
	s := &sheet{file: file, csv: csv.NewReader(b), column: map[string]int{}}
	s.csv.FieldsPerRecord = -1
	s.csv.TrimLeadingSpace = true
	s.csv.ReuseRecord = true
	head, err := s.csv.Read()
	s.line = 1
	switch {
	case errors.Is(err, io.EOF):
		s.bad("", "", "the file is empty: export it with a header row "+strings.Join(needed, ","))
		return nil, s.problems
	case err != nil:
		s.damaged(err)
		return nil, s.problems
	case len(head) == 1 && strings.Contains(head[0], ";"):
		s.bad("", head[0], "separated by semicolons: save it with commas, and points in numbers")
		return nil, s.problems
	case len(head) > maxColumns:
		s.bad("", "", fmt.Sprintf("%d columns: keep to %d", len(head), maxColumns))
		return nil, s.problems
	}
	s.width = len(head)
	for i, h := range head {
		h = strings.TrimSpace(h)
		if !utf8.ValidString(h) || strings.ContainsRune(h, 0) {
			s.bad("", h, "not UTF-8 text: save the sheet as CSV UTF-8")
			return nil, s.problems
		}
		if _, twice := s.column[h]; twice && h != "" {
			s.bad(h, "", "the column stands there twice: keep one")
		}
		s.column[h] = i
		if h != "" && !slices.Contains(known, h) {
			s.ignored = append(s.ignored, h)
		}
	}
	for _, n := range needed {
		if _, ok := s.column[n]; !ok {
			s.bad(n, "", "the column is missing: the header needs "+strings.Join(needed, ",")+s.near(n))
		}
	}
	if len(s.problems) > 0 {
		return nil, s.problems
	}
	return s, nil
}

// near names a column that may have been meant.
func (s *sheet) near(want string) string {
	stem, _, _ := strings.Cut(want, "_")
	for _, h := range s.ignored {
		if l := strings.ToLower(h); strings.HasPrefix(l, stem) || l == want {
			return fmt.Sprintf(" (%q is not it: the unit and the reference must be those of %s; convert the values and rename it)", h, want)
		}
	}
	return ""
}

// next reads a row; false at the end, and when there are too many problems.
func (s *sheet) next() bool {
	for len(s.problems) < maxProblems {
		row, err := s.csv.Read()
		if errors.Is(err, io.EOF) {
			if s.csv.InputOffset() > maxBytes {
				s.bad("", "", fmt.Sprintf("longer than %d MB: split the file", maxBytes>>20))
			}
			return false
		}
		if err != nil {
			s.damaged(err)
			return false
		}
		s.line, _ = s.csv.FieldPos(0)
		s.row = row
		switch {
		case len(row) != s.width:
			s.bad("", "", fmt.Sprintf("%d fields where the header has %d: add the missing commas, or quote a field that contains one", len(row), s.width))
			continue
		case slices.ContainsFunc(row, func(f string) bool { return !utf8.ValidString(f) || strings.ContainsRune(f, 0) }):
			s.bad("", "", "not UTF-8 text: save the sheet as CSV UTF-8")
			return false
		case !slices.ContainsFunc(row, func(f string) bool { return strings.TrimSpace(f) != "" }):
			continue // a row without any content, as spreadsheets leave behind
		}
		return true
	}
	return false
}

func (s *sheet) damaged(err error) {
	var p *csv.ParseError
	if errors.As(err, &p) {
		s.line = p.Line
		err = p.Err
	}
	s.bad("", "", fmt.Sprintf("not readable as CSV (%v): export it again, quotes only around whole fields", err))
}

func (s *sheet) bad(field, value, next string) {
	if len(s.problems) < maxProblems {
		s.problems = append(s.problems, Problem{File: s.file, Line: s.line, Field: field, Value: value, Next: next})
	}
}

// text returns a field of the row without blanks round it; empty where the
// file doesn't have the column.
func (s *sheet) text(field string) string {
	i, ok := s.column[field]
	if !ok || i >= len(s.row) {
		return ""
	}
	return strings.TrimSpace(s.row[i])
}

// must returns a field that has to be filled in.
func (s *sheet) must(field string) string {
	t := s.text(field)
	if t == "" {
		s.bad(field, "", "it is empty: fill it in")
	}
	return t
}
