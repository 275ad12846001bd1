package record

import (
	"fmt"
	"io"
	"strings"

	"ventward/record/sheet"
)

// Bounds of a list of specimens.
const (
	MaxIntakeBytes = 4 << 20
	MaxIntakeRows  = 20000
	maxColumns     = 100
	// MaxRowProblems bounds the problems told at once; sheet.Problems says when
	// there were more.
	MaxRowProblems = 200
)

// needed and columns are what a list of specimens must and may have.
var (
	needed  = []string{"id", "lot", "feature"}
	columns = []string{"residual_um", "die", "strokes", "medium", "trigger", "surrounding", "temperature_C", "note"}
)

// A Row is a specimen and the line of the list that it stands in.
type Row struct {
	Specimen
	Line int
}

// ReadSpecimens reads a list of specimens from CSV: UTF-8, comma, a header row,
// one row a specimen. file is its name in messages. The columns id, lot and
// feature are needed; residual_um, die, strokes, medium, trigger, surrounding,
// temperature_C and note may be there; others are returned in ignored. Either
// all rows are good, or the error is a sheet.Problems that names every one that
// isn't.
func ReadSpecimens(r io.Reader, file string) (rows []Row, ignored []string, err error) {
	s := list{sheet.Open(r, sheet.Options{File: file, Needed: needed, May: columns, Columns: maxColumns, Bytes: MaxIntakeBytes, Problems: MaxRowProblems})}
	seen := map[string]int{}
	for s.Next() {
		row := Row{Specimen: s.specimen(), Line: s.Line()}
		if first, ok := seen[row.ID]; ok && row.ID != "" {
			s.Bad("id", row.ID, fmt.Sprintf("it stands in line %d already: each specimen has an id of its own", first))
		}
		seen[row.ID] = s.Line()
		if rows = append(rows, row); len(rows) > MaxIntakeRows {
			s.Bad("", "", fmt.Sprintf("more than %d specimens: split the list", MaxIntakeRows))
			break
		}
	}
	if len(rows) == 0 {
		s.Empty("no specimen follows the header: export the rows too")
	}
	if err := s.Err(); err != nil {
		return nil, s.Ignored(), err
	}
	return rows, s.Ignored(), nil
}

// A list is a list of specimens being read.
type list struct{ *sheet.Sheet }

func (s list) name(column string) string {
	v := s.Text(column)
	if why := NameProblem(v); why != "" {
		s.Bad(column, v, why)
	}
	return v
}

func (s list) remark(column string) string {
	v := s.Text(column)
	if why := TextProblem(v, MaxRemark); why != "" {
		s.Bad(column, v, why)
	}
	return v
}

func (s list) specimen() Specimen {
	out := Specimen{ID: s.name("id"), Lot: s.name("lot"), Feature: strings.ToLower(s.Text("feature")), Die: s.remark("die"), Medium: s.remark("medium"),
		Trigger: s.remark("trigger"), Surrounding: s.remark("surrounding"), Note: s.remark("note")}
	if !known(out.Feature) {
		s.Bad("feature", s.Text("feature"), "use "+strings.Join(Features(), ", "))
	}
	const um = 1e-6
	out.ResidualM = s.Number("residual_um", 0, 1e5, um)
	out.Strokes = s.Number("strokes", 0, 1e12, 1)
	out.TemperatureC = s.Number("temperature_C", -273.15, 5000, 1)
	return out
}
