package lot

import (
	"fmt"
	"io"
	"strings"
)

// runawayColumns that a list of runaway tests may have.
var runawayColumns = []string{"lot", "test", "trigger", "surrounding", "bottom_vent", "breached", "status", "reason"}

// ReadRunaways reads a list of thermal-runaway tests from CSV: UTF-8, comma, a
// header row, one row a test. The columns are test, trigger, bottom_vent (yes or
// no) and breached (yes or no), and optionally lot, surrounding, status (valid,
// invalid) and reason. file is its name in messages; all problems are reported
// at once, as Problems. A test without a trigger is one of them: rates are never
// pooled across triggers.
func ReadRunaways(r io.Reader, file string) (tests []Runaway, ignored []string, err error) {
	s, err := open(r, file, runawayColumns, []string{"test", "trigger", "bottom_vent", "breached"})
	if err != nil {
		return nil, nil, err
	}
	seen := map[[2]string]int{}
	for s.next() {
		t := s.runaway()
		k := [2]string{t.Lot, t.ID}
		if first, ok := seen[k]; ok {
			s.bad("test", t.ID, fmt.Sprintf("it stands in line %d already: a cell runs away once, give each test its own number", first))
		}
		seen[k] = s.line
		if tests = append(tests, t); len(tests) > maxShots {
			s.bad("", "", fmt.Sprintf("more than %d tests: split the file", maxShots))
			break
		}
	}
	if len(tests) == 0 && len(s.problems) == 0 {
		s.line++
		s.bad("", "", "no test follows the header: export the rows too")
	}
	if len(s.problems) > 0 {
		return nil, s.ignored, s.problems
	}
	return tests, s.ignored, nil
}

// runaway reads the current row.
func (s *sheet) runaway() Runaway {
	t := Runaway{Lot: s.text("lot"), ID: s.must("test"), Surrounding: strings.ToLower(s.text("surrounding"))}
	switch status := strings.ToLower(s.text("status")); status {
	case "", "valid":
	case "invalid":
		t.Left = s.text("reason")
		if t.Left == "" {
			t.Left = "marked invalid, no reason given"
		}
		return t
	default:
		s.bad("status", status, "use valid or invalid")
	}
	t.Trigger = strings.ToLower(s.must("trigger"))
	t.BottomVent = s.yes("bottom_vent")
	t.Breached = s.yes("breached")
	return t
}

// yes reads a field that is yes or no.
func (s *sheet) yes(field string) bool {
	switch v := strings.ToLower(s.text(field)); v {
	case "yes", "true", "1":
		return true
	case "no", "false", "0":
	default:
		s.bad(field, v, "write yes or no")
	}
	return false
}
