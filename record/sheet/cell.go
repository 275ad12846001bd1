package sheet

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// Text is a cell of the current row without blanks round it; empty where the
// list doesn't have the column.
func (s *Sheet) Text(column string) string {
	i, ok := s.column[column]
	if !ok || i >= len(s.row) {
		return ""
	}
	return strings.TrimSpace(s.row[i])
}

// Must is a cell that has to be filled in.
func (s *Sheet) Must(column string) string {
	t := s.Text(column)
	if t == "" {
		s.Bad(column, "", "it is empty: fill it in")
	}
	return t
}

// Number reads a number from least to most that may be left out (nil) and
// multiplies it by scale.
func (s *Sheet) Number(column string, least, most, scale float64) *float64 {
	t := s.Text(column)
	if t == "" {
		return nil
	}
	v, why := Plain(t)
	if why == "" && (v < least || v > most) {
		why = fmt.Sprintf("give a number from %g to %g, or leave it empty", least, most)
	}
	if why != "" {
		s.Bad(column, t, why)
		return nil
	}
	v *= scale
	return &v
}

// Plain reads a plain decimal number, and otherwise says what is wrong and the
// next move.
func Plain(text string) (v float64, why string) {
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
