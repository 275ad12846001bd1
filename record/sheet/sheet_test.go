package sheet

import (
	"errors"
	"slices"
	"strings"
	"testing"
)

var options = Options{File: "f.csv", Needed: []string{"id", "size_um"}, May: []string{"note"}, Columns: 5, Bytes: 1 << 16, Problems: 3}

func TestSheetReadsRows(t *testing.T) {
	s := Open(strings.NewReader("\ufeffid, size_um,colour\r\na,1.5,red\r\n,,\r\n\"b\nb\",,\r\n"), options)
	var got []string
	for s.Next() {
		size := "-"
		if v := s.Number("size_um", 0, 10, 2); v != nil && *v == 3 {
			size = "3"
		}
		got = append(got, s.Must("id")+" "+size+s.Text("note"))
	}
	if want := []string{"a 3", "b\nb -"}; !slices.Equal(got, want) || s.Err() != nil || !slices.Equal(s.Ignored(), []string{"colour"}) || s.Line() != 4 {
		t.Errorf("%q to line %d, ignored %q, %v", got, s.Line(), s.Ignored(), s.Err())
	}
}

// A column that nearly has the right name is told; problems are bounded, and
// the last one says that there are more.
func TestSheetTellsProblems(t *testing.T) {
	s := Open(strings.NewReader("id,size_mm\na,1\n"), options)
	if s.Next() || s.Err() == nil || !strings.Contains(s.Err().Error(), `"size_mm" is not it`) {
		t.Errorf("%v", s.Err())
	}
	s = Open(strings.NewReader("id,size_um\n"+strings.Repeat("a,1,2\n", 9)), options)
	var p Problems
	if s.Next() || !errors.As(s.Err(), &p) || len(p) != 4 || p[2].Line != 4 || !strings.Contains(p[3].Next, "more problems") {
		t.Errorf("%v", p)
	}
	s = Open(strings.NewReader("id,size_um\n"), options)
	s.Empty("add rows")
	if !errors.As(s.Err(), &p) || p[0].Line != 2 {
		t.Errorf("%v", p)
	}
}

// Whatever comes in, every row is whole and is text, and what stops the reading
// has a place and a next move.
func FuzzSheet(f *testing.F) {
	f.Add([]byte("id,size_um\na,1\n"))
	f.Add([]byte("\ufeffid;size_um\n"))
	f.Add([]byte("id,size_um\n\"a\nb\",1e5\n\x00,2\n"))
	f.Fuzz(func(t *testing.T, body []byte) {
		s := Open(strings.NewReader(string(body)), options)
		rows := 0
		for s.Next() {
			if rows++; len(s.row) != s.width || slices.ContainsFunc(s.row, func(v string) bool { return !text(v) }) {
				t.Fatalf("row %q of width %d", s.row, s.width)
			}
			s.Number("size_um", 0, 10, 1)
		}
		var p Problems
		if err := s.Err(); err != nil && (!errors.As(err, &p) || len(p) > options.Problems+1) {
			t.Fatalf("%v", err)
		}
		for _, x := range p {
			if x.Line < 1 || x.Next == "" {
				t.Fatalf("%+v", x)
			}
		}
		if rows > len(body) {
			t.Fatalf("%d rows of %d bytes", rows, len(body))
		}
	})
}
