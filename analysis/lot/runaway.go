package lot

import (
	"fmt"
	"io"
	"strings"
)

// runawayColumns that a list of runaway tests may have.
var runawayColumns = []string{"lot", "surrounding", "status", "reason"}

// ReadRunaways reads a list of thermal-runaway tests from CSV: UTF-8, comma, a
// header row, one row a test. The columns are test, trigger, bottom_vent (yes or
// no) and breached (yes or no), and optionally lot, surrounding, status (valid,
// invalid) and reason. file is its name in messages; all problems are reported
// at once, as sheet.Problems. A test without a trigger is one of them: rates are never
// pooled across triggers.
func ReadRunaways(r io.Reader, file string) (tests []Runaway, ignored []string, err error) {
	s := open(r, file, []string{"test", "trigger", "bottom_vent", "breached"}, runawayColumns)
	seen := map[[2]string]int{}
	for s.Next() {
		t := s.runaway()
		k := [2]string{t.Lot, t.ID}
		if first, ok := seen[k]; ok {
			s.Bad("test", t.ID, fmt.Sprintf("it stands in line %d already: a cell runs away once, give each test its own number", first))
		}
		seen[k] = s.Line()
		if tests = append(tests, t); len(tests) > maxShots {
			s.Bad("", "", fmt.Sprintf("more than %d tests: split the file", maxShots))
			break
		}
	}
	if len(tests) == 0 {
		s.Empty("no test follows the header: export the rows too")
	}
	if err := s.Err(); err != nil {
		return nil, s.Ignored(), err
	}
	return tests, s.Ignored(), nil
}

// runaway reads the current row.
func (s table) runaway() Runaway {
	t := Runaway{Lot: s.Text("lot"), ID: s.Must("test"), Surrounding: strings.ToLower(s.Text("surrounding"))}
	switch status := strings.ToLower(s.Text("status")); status {
	case "", "valid":
	case "invalid":
		t.Left = s.Text("reason")
		if t.Left == "" {
			t.Left = "marked invalid, no reason given"
		}
		return t
	default:
		s.Bad("status", status, "use valid or invalid")
	}
	t.Trigger = strings.ToLower(s.Must("trigger"))
	t.BottomVent = s.yes("bottom_vent")
	t.Breached = s.yes("breached")
	return t
}

// yes reads a field that is yes or no.
func (s table) yes(field string) bool {
	switch v := strings.ToLower(s.Text(field)); v {
	case "yes", "true", "1":
		return true
	case "no", "false", "0":
	default:
		s.Bad(field, v, "write yes or no")
	}
	return false
}
