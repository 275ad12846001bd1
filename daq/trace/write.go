package trace

import (
	"bufio"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"unicode/utf8"
)

// Write writes a trace as CSV; Read reads the same times, values, names and
// units back. (A value in psi, g or K is read back to within a rounding of the
// last bit.) Columns are named by Name and Unit.
func Write(w io.Writer, t *Trace) error {
	units := make([]unit, len(t.Columns))
	out := bufio.NewWriterSize(w, 1<<16)
	line := []byte("t_s")
	for i, c := range t.Columns {
		u, h, err := c.written()
		if err != nil {
			return err
		}
		if len(c.Values) != len(t.T) {
			return fmt.Errorf("trace: column %s has %d values for %d times: give one each", c.Name, len(c.Values), len(t.T))
		}
		units[i] = u
		line = append(append(line, ','), h...)
	}
	line = append(line, '\n')
	for k := range t.T {
		if k > 0 && t.T[k] <= t.T[k-1] {
			return fmt.Errorf("trace: time of row %d does not follow the row before: sort the rows", k+1)
		}
		if _, err := out.Write(line); err != nil {
			return fmt.Errorf("trace: writing failed: %w", err)
		}
		line = appendSeconds(line[:0], t.T[k])
		for i := range t.Columns {
			line = appendValue(append(line, ','), &units[i], t.Columns[i].Values[k])
		}
		line = append(line, '\n')
	}
	if _, err := out.Write(line); err != nil {
		return fmt.Errorf("trace: writing failed: %w", err)
	}
	if err := out.Flush(); err != nil {
		return fmt.Errorf("trace: writing failed: %w", err)
	}
	return nil
}

// written returns the unit and the header of a column.
func (c *Column) written() (unit, string, error) {
	if c.Name == "" || c.Name != strings.TrimSpace(c.Name) || !utf8.ValidString(c.Name) || strings.ContainsAny(c.Name, ",\"\r\n\x00") {
		return plain, "", fmt.Errorf("trace: %q can't name a column: use letters, digits and underscores", c.Name)
	}
	if c.Unit == "" {
		for _, d := range digital {
			if string(d) == c.Name {
				return plain, c.Name, nil
			}
		}
		if strings.Contains(c.Name, "_") {
			return plain, "", fmt.Errorf("trace: column %q has no unit, and what follows its underscore would be read as one: rename it", c.Name)
		}
		return plain, c.Name, nil
	}
	u, ok := findUnit(c.Unit)
	if !ok {
		return plain, "", fmt.Errorf("trace: column %s: %q is no unit of a trace: use one of %s", c.Name, c.Unit, unitList)
	}
	if slices.Contains(digitalNames(), c.Name+"_"+c.Unit) {
		return plain, "", fmt.Errorf("trace: column %s_%s would be read as a 0/1 input: rename it", c.Name, c.Unit)
	}
	return u, c.Name + "_" + c.Unit, nil
}

func digitalNames() []string {
	s := make([]string, len(digital))
	for i, d := range digital {
		s[i] = string(d)
	}
	return s
}

func appendValue(b []byte, u *unit, v float64) []byte {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return b
	}
	if u.factor != 1 || u.shift != 0 {
		v = u.number(v)
	}
	return appendShifted(b, v, u.exp10)
}
