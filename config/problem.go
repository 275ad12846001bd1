package config

import (
	"fmt"
	"sort"
	"strings"
)

// A Problem is one thing that is wrong, or may be wrong, with a file.
type Problem struct {
	File    string `json:"file"`
	Line    int    `json:"line,omitempty"`  // 1-based; 0: not tied to a line
	Field   string `json:"field,omitempty"` // for example channel "p1": range_barg
	Value   string `json:"value,omitempty"` // as written; empty: absent
	Unit    string `json:"unit,omitempty"`
	Message string `json:"message"`
	Next    string `json:"next,omitempty"` // what to do about it
}

// String gives the problem on one line: file:line: field = value unit:
// message; next move.
func (p Problem) String() string {
	var b strings.Builder
	b.WriteString(p.File)
	if p.Line > 0 {
		fmt.Fprintf(&b, ":%d", p.Line)
	}
	b.WriteString(": ")
	if p.Field != "" {
		b.WriteString(p.Field)
		if p.Value != "" {
			b.WriteString(" = " + p.Value)
		}
		if p.Unit != "" {
			b.WriteString(" [" + p.Unit + "]")
		}
		b.WriteString(": ")
	}
	b.WriteString(p.Message)
	if p.Next != "" {
		b.WriteString("; " + p.Next)
	}
	return b.String()
}

// Problems is every problem of a file, in the order of its lines. As an error
// it prints them all, one a line.
type Problems []Problem

// Error lists all problems, one a line.
func (ps Problems) Error() string {
	lines := make([]string, len(ps))
	for i, p := range ps {
		lines[i] = p.String()
	}
	return strings.Join(lines, "\n")
}

// sorted orders by line; problems of one line keep the order they were found.
func (ps Problems) sorted() Problems {
	sort.SliceStable(ps, func(i, j int) bool { return ps[i].Line < ps[j].Line })
	return ps
}
