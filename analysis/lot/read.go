package lot

import (
	"fmt"
	"io"
	"math"
	"slices"
	"strings"

	"ventward/record/sheet"
)

// Bounds of a spreadsheet.
const (
	maxProblems = 20
	maxColumns  = 200
	maxBytes    = 64 << 20
	maxBar      = 1e5
)

// needed and columns are what a list of shots must and may have.
var (
	needed  = []string{"lot", "shot", "feature", "pressure_barg"}
	columns = []string{"status", "reason", "residual_um", "die", "strokes", "medium", "ramp_bar_s",
		"temperature_C", "trigger", "surrounding", "measurement_s_bar"}
)

// A table is a spreadsheet being read.
type table struct{ *sheet.Sheet }

func open(r io.Reader, file string, needed, may []string) table {
	return table{sheet.Open(r, sheet.Options{File: file, Needed: needed, May: may, Columns: maxColumns, Bytes: maxBytes, Problems: maxProblems})}
}

// ReadShots reads a list of shots from CSV: UTF-8, comma, a header row, one row
// a lot, shot and feature. file is its name in messages. Columns that the
// program doesn't know are returned in ignored. All problems are reported at
// once, as sheet.Problems.
func ReadShots(r io.Reader, file string) (shots []Shot, ignored []string, err error) {
	s := open(r, file, needed, columns)
	seen := map[[3]string]int{}
	for s.Next() {
		shot := s.shot()
		k := [3]string{shot.Lot, shot.ID, shot.Feature}
		if first, ok := seen[k]; ok {
			s.Bad("shot", shot.ID, fmt.Sprintf("lot %s, shot %s, %s stands in line %d already: a specimen opens a feature once, give each shot its own number", shot.Lot, shot.ID, shot.Feature, first))
		}
		seen[k] = s.Line()
		shots = append(shots, shot)
		if len(shots) > maxShots {
			s.Bad("", "", fmt.Sprintf("more than %d shots: split the file", maxShots))
			break
		}
	}
	if len(shots) == 0 {
		s.Empty("no shot follows the header: export the rows too")
	}
	if err := s.Err(); err != nil {
		return nil, s.Ignored(), err
	}
	return shots, s.Ignored(), nil
}

// shot reads the current row.
func (s table) shot() Shot {
	shot := Shot{
		Line: s.Line(), Lot: s.Must("lot"), ID: s.Must("shot"), Feature: strings.ToLower(s.Must("feature")), Reason: s.Text("reason"),
		Die: s.Text("die"), Medium: s.Text("medium"), Trigger: s.Text("trigger"), Surrounding: s.Text("surrounding"),
		Status: Status(strings.ToLower(s.Text("status"))),
	}
	if shot.Status == "" {
		shot.Status = Valid
	}
	if !slices.Contains(statuses, shot.Status) {
		s.Bad("status", s.Text("status"), "use valid, invalid, saturated (at least this) or aborted (held to at least this)")
	}
	shot.PressurePa = s.pressure(shot.Status)
	const um = 1e-6
	shot.ResidualM = s.Number("residual_um", 0, 1e5, um)
	shot.Strokes = s.Number("strokes", 0, 1e12, 1)
	shot.RampPaS = s.Number("ramp_bar_s", 0, maxBar, paPerBar)
	shot.MeasurementPa = s.Number("measurement_s_bar", 0, maxBar, paPerBar)
	shot.TemperatureC = s.Number("temperature_C", -273.15, 5000, 1)
	return shot
}

// pressure reads what the status asks for: an opening happens above zero, an
// invalid shot needs no pressure.
func (s table) pressure(status Status) float64 {
	text := s.Text("pressure_barg")
	if text == "" {
		if status != Invalid {
			s.Bad("pressure_barg", "", fmt.Sprintf("a %s shot needs its pressure in bar gauge: fill it in, or set status to invalid", status))
		}
		return math.NaN()
	}
	v, why := sheet.Plain(text)
	switch {
	case why != "":
		s.Bad("pressure_barg", text, why)
	case v > maxBar:
		s.Bad("pressure_barg", text, "beyond any bench: the column is bar gauge, convert from kPa or Pa")
	case status == Valid && v <= 0, v < 0 && status != Invalid:
		s.Bad("pressure_barg", text, "an opening happens above zero gauge: check the zero and the reference, or set status to invalid with a reason")
	}
	return v * paPerBar
}

// ReadLimits reads acceptance limits by feature from CSV with the columns
// feature, low_barg and high_barg; either limit may be empty.
func ReadLimits(r io.Reader, file string) (map[string]Limits, error) {
	s := open(r, file, []string{"feature", "low_barg", "high_barg"}, nil)
	out := map[string]Limits{}
	for s.Next() {
		feature := strings.ToLower(s.Must("feature"))
		if _, ok := out[feature]; ok {
			s.Bad("feature", feature, "it has limits already: keep one row a feature")
		}
		l := Limits{Low: s.Number("low_barg", 0, maxBar, paPerBar), High: s.Number("high_barg", 0, maxBar, paPerBar)}
		if l.Both() && *l.Low >= *l.High {
			s.Bad("high_barg", s.Text("high_barg"), "the upper limit must be above low_barg")
		}
		if !l.Any() && s.Err() == nil {
			s.Bad("low_barg", "", "neither limit is given: give one, or remove the row")
		}
		out[feature] = l
		if len(out) > maxColumns {
			s.Bad("", "", fmt.Sprintf("more than %d features: keep one row a feature", maxColumns))
			break
		}
	}
	if len(out) == 0 {
		s.Empty("no limit follows the header: add a row a feature")
	}
	if err := s.Err(); err != nil {
		return nil, err
	}
	return out, nil
}
