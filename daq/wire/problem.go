package wire

import (
	"errors"
	"fmt"
	"strings"
)

// A Problem is one thing wrong with an option: which field, what it holds, why
// that can't be and what to do. Field is a path of JSON names with indices,
// such as "registers[2].order".
type Problem struct {
	Field   string
	Value   string
	Message string
	Next    string
}

func (p Problem) String() string {
	return fmt.Sprintf("%s = %s: %s; %s", p.Field, p.Value, p.Message, p.Next)
}

// problems collects what a Check found.
type problems []Problem

func (p *problems) add(field string, value any, next, format string, args ...any) {
	v := fmt.Sprint(value)
	if s, ok := value.(string); ok {
		v = fmt.Sprintf("%q", s)
	}
	*p = append(*p, Problem{Field: field, Value: v, Message: fmt.Sprintf(format, args...), Next: next})
}

// failed returns the problems as one error, nil for none.
func failed(what string, ps []Problem) error {
	if len(ps) == 0 {
		return nil
	}
	lines := make([]string, len(ps))
	for i, p := range ps {
		lines[i] = p.String()
	}
	return errors.New("wire: " + what + ": " + strings.Join(lines, "\n"))
}

// indexed checks what the constructors share: the instrument's place in the
// bench's table, which a batch keeps as a uint16, and its number of columns.
func indexed(what string, index, columns, have int) error {
	if index < 0 || index > 65535 {
		return fmt.Errorf("wire: %s: instrument index %d is outside 0..65535; number the bench's instruments from 0", what, index)
	}
	if columns != 0 && columns != have {
		return fmt.Errorf("wire: %s: the instrument states %d columns, its protocol options %d; make them equal", what, columns, have)
	}
	return nil
}
