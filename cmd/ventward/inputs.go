package main

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"ventward/dashboard"
)

// inputs reads what somebody filled in, by name, and collects everything that
// is wrong with it.
type inputs struct {
	in    map[string]any
	seen  []string
	wrong dashboard.FieldProblems
}

func (i *inputs) bad(field, value, next string) {
	i.wrong = append(i.wrong, dashboard.FieldProblem{Field: field, Value: value, Next: next})
}

// text is an input as it was written; empty: it was left out.
func (i *inputs) text(field string) string {
	i.seen = append(i.seen, field)
	switch v := i.in[field].(type) {
	case nil:
		return ""
	case string:
		return strings.TrimSpace(v)
	case float64:
		return strconv.FormatFloat(v, 'g', -1, 64)
	default:
		return fmt.Sprint(v)
	}
}

// number is a plain decimal number from least to most, in the unit that the
// field's name says; def where it was left out, or NaN: it is needed.
func (i *inputs) number(field string, def, least, most float64) float64 {
	text := i.text(field)
	v, err := strconv.ParseFloat(text, 64)
	switch {
	case text == "" && math.IsNaN(def):
		i.bad(field, "", "is missing: fill it in")
	case text == "":
		return def
	case strings.Contains(text, ","):
		i.bad(field, text, "a comma in a number: write the decimal point as a point")
	case err != nil || strings.Trim(text, "0123456789+-.eE") != "" || math.IsInf(v, 0):
		i.bad(field, text, "is not a plain decimal number: write it like 27.42")
	case v < least || v > most:
		i.bad(field, text, fmt.Sprintf("give a number from %g to %g", least, most))
	}
	return v
}

// done refuses inputs that nobody read, and tells of all that was wrong.
func (i *inputs) done() error {
	var unread []string
	for k := range i.in {
		if !slices.Contains(i.seen, k) {
			unread = append(unread, k)
		}
	}
	slices.Sort(unread)
	for _, k := range unread {
		i.bad(k, "", "is not asked for: use "+strings.Join(i.seen, ", "))
	}
	if len(i.wrong) > 0 {
		return i.wrong
	}
	return nil
}
