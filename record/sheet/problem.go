package sheet

import (
	"fmt"
	"strings"
)

// A Problem is one thing wrong with a list: where, which value, and what to do
// about it.
type Problem struct {
	File   string `json:"file"`
	Line   int    `json:"line"` // 1 is the header
	Column string `json:"column,omitempty"`
	Value  string `json:"value,omitempty"`
	Next   string `json:"next"` // what is wrong and the next move
}

func (p Problem) Error() string {
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

// Problems is everything wrong with a list, up to a bound; the last one then
// says that there are more.
type Problems []Problem

func (p Problems) Error() string {
	lines := make([]string, len(p))
	for i := range p {
		lines[i] = p[i].Error()
	}
	return strings.Join(lines, "\n")
}
