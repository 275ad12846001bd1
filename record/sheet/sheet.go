package sheet

import (
	"bufio"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"unicode/utf8"
)

// Options says what a list holds and how much of it is read.
type Options struct {
	File     string   // its name in messages
	Needed   []string // columns it must have
	May      []string // columns it may have; others are ignored and named
	Columns  int      // at most so many
	Bytes    int64    // at most so long
	Problems int      // so many problems are told at once
}

// A Sheet is a list being read: UTF-8, comma, a header row, then one row after
// another. What is wrong is gathered, so that all of it can be told at once.
type Sheet struct {
	o        Options
	in       *io.LimitedReader
	csv      *csv.Reader
	column   map[string]int
	width    int
	row      []string
	line     int
	problems Problems
	ignored  []string
}

// Open reads the header. What is wrong with it is in Err; Next is false then.
func Open(r io.Reader, o Options) *Sheet {
	s := &Sheet{o: o, in: &io.LimitedReader{R: r, N: o.Bytes + 1}, column: map[string]int{}, line: 1}
	b := bufio.NewReader(s.in)
	if head, _ := b.Peek(3); string(head) == "\ufeff" {
		_, _ = b.Discard(3)
	}
	s.csv = csv.NewReader(b)
	s.csv.FieldsPerRecord, s.csv.TrimLeadingSpace, s.csv.ReuseRecord = -1, true, true
	head, err := s.csv.Read()
	switch {
	case errors.Is(err, io.EOF):
		s.Bad("", "", "the list is empty: export it with a header row "+strings.Join(o.Needed, ","))
	case err != nil:
		s.damaged(err)
	case len(head) == 1 && strings.Contains(head[0], ";"):
		s.Bad("", head[0], "separated by semicolons: save it with commas, and points in numbers")
	case len(head) > o.Columns:
		s.Bad("", "", fmt.Sprintf("%d columns: keep to %d", len(head), o.Columns))
	default:
		s.header(head)
	}
	return s
}

func (s *Sheet) header(head []string) {
	s.width = len(head)
	for i, h := range head {
		h = strings.TrimSpace(h)
		if !text(h) {
			s.Bad("", h, notText)
			return
		}
		if _, twice := s.column[h]; twice && h != "" {
			s.Bad(h, "", "the column stands there twice: keep one")
		}
		s.column[h] = i
		if h != "" && !slices.Contains(s.o.Needed, h) && !slices.Contains(s.o.May, h) {
			s.ignored = append(s.ignored, h)
		}
	}
	for _, n := range s.o.Needed {
		if _, ok := s.column[n]; ok {
			continue
		}
		next := "the column is missing: the header needs " + strings.Join(s.o.Needed, ",")
		if len(s.o.May) > 0 {
			next += " and may have " + strings.Join(s.o.May, ",")
		}
		s.Bad(n, "", next+s.near(n))
	}
}

// near names a column that may have been meant.
func (s *Sheet) near(want string) string {
	stem, _, _ := strings.Cut(want, "_")
	for _, h := range s.ignored {
		if l := strings.ToLower(h); strings.HasPrefix(l, stem) || l == want {
			return fmt.Sprintf(" (%q is not it: the unit and the reference must be those of %s; convert the values and rename it)", h, want)
		}
	}
	return ""
}

const notText = "not UTF-8 text: save the sheet as CSV UTF-8"

// text tells whether a cell is text that can be kept.
func text(v string) bool { return utf8.ValidString(v) && !strings.ContainsRune(v, 0) }

// Next goes to the next row that has any content; false at the end, where no
// further row can be read, and when there are problems enough.
func (s *Sheet) Next() bool {
	if s.width == 0 || s.row == nil && len(s.problems) > 0 {
		return false
	}
	for len(s.problems) <= s.o.Problems {
		row, err := s.csv.Read()
		switch {
		case s.in.N <= 0:
			s.Bad("", "", fmt.Sprintf("longer than %d MB: split the list", s.o.Bytes>>20))
			return false
		case errors.Is(err, io.EOF):
			return false
		case err != nil:
			s.damaged(err)
			return false
		}
		s.line, _ = s.csv.FieldPos(0)
		s.row = row
		switch {
		case !slices.ContainsFunc(row, func(v string) bool { return strings.TrimSpace(v) != "" }):
			continue // what spreadsheets leave behind
		case slices.ContainsFunc(row, func(v string) bool { return !text(v) }):
			s.Bad("", "", notText)
			return false
		case len(row) != s.width:
			s.Bad("", "", fmt.Sprintf("%d cells where the header has %d: add the missing commas, or quote a cell that holds one", len(row), s.width))
			continue
		}
		return true
	}
	return false
}

func (s *Sheet) damaged(err error) {
	var p *csv.ParseError
	if errors.As(err, &p) {
		s.line = max(p.StartLine, 1)
		s.Bad("", "", fmt.Sprintf("not readable as CSV (%v): export it again, quotes only around whole cells", p.Err))
		return
	}
	s.Bad("", "", "reading stopped: "+err.Error()+": send the list again")
}

// Bad notes a problem of the current row: its column and value, where one is to
// blame, and the next move.
func (s *Sheet) Bad(column, value, next string) {
	switch n := len(s.problems); {
	case n < s.o.Problems:
		s.problems = append(s.problems, Problem{s.o.File, max(s.line, 1), column, value, next})
	case n == s.o.Problems:
		s.problems = append(s.problems, Problem{File: s.o.File, Line: max(s.line, 1), Next: "and there are more problems: mend these first"})
	}
}

// Empty notes that no row followed the header, unless something else is wrong
// already.
func (s *Sheet) Empty(next string) {
	if len(s.problems) == 0 {
		s.line++
		s.Bad("", "", next)
	}
}

// Err is a Problems of everything wrong so far; nil: nothing.
func (s *Sheet) Err() error {
	if len(s.problems) == 0 {
		return nil
	}
	return s.problems
}

// Line is the number of the current row's first line, 1 for the header.
func (s *Sheet) Line() int { return s.line }

// Ignored lists the columns that the program doesn't know.
func (s *Sheet) Ignored() []string { return s.ignored }
