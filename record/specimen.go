package record

import (
	"fmt"
	"math"
	"strings"
)

// Features that a specimen may be meant for. A cell on the runaway rig has no
// single feature under test.
const (
	TopVent    = "top vent"
	BottomVent = "bottom vent"
	Housing    = "housing"
	Cell       = "cell"
)

// Features lists them in the order in which a cell's are meant to act.
func Features() []string { return []string{TopVent, BottomVent, Housing, Cell} }

// maxName bounds an id, a lot, a die and the like, in bytes.
const maxName = 80

// MaxRemark bounds a remark or a reason, in bytes.
const MaxRemark = 200

// A Specimen is one piece of a lot as it was delivered. A nil pointer was not
// stated.
type Specimen struct {
	ID      string `json:"id"` // unique in the lab
	Lot     string `json:"lot"`
	Feature string `json:"feature"` // the one under test

	ResidualM    *float64 `json:"residual_m,omitempty"` // residual thickness of the score
	Die          string   `json:"die,omitempty"`        // that scored it
	Strokes      *float64 `json:"strokes,omitempty"`    // of the scoring punch
	Medium       string   `json:"medium,omitempty"`     // to be tested with
	Trigger      string   `json:"trigger,omitempty"`    // of a runaway
	Surrounding  string   `json:"surrounding,omitempty"`
	TemperatureC *float64 `json:"temperature_C,omitempty"` // to be tested at
	Note         string   `json:"note,omitempty"`
}

// Check says what is wrong with a specimen, and what to do; nil: nothing.
func (s *Specimen) Check() error {
	for _, f := range []struct{ name, value string }{{"id", s.ID}, {"lot", s.Lot}} {
		if why := NameProblem(f.value); why != "" {
			return fmt.Errorf("%s %.40q: %s", f.name, f.value, why)
		}
	}
	if !known(s.Feature) {
		return fmt.Errorf("feature %.40q: use %s", s.Feature, strings.Join(Features(), ", "))
	}
	for _, f := range []struct {
		name        string
		v           *float64
		least, most float64
	}{{"residual_m", s.ResidualM, 0, 0.1}, {"strokes", s.Strokes, 0, 1e12}, {"temperature_C", s.TemperatureC, -273.15, 5000}} {
		if f.v != nil && !(*f.v >= f.least && *f.v <= f.most) {
			return fmt.Errorf("%s %g: give a number from %g to %g, or leave it out", f.name, *f.v, f.least, f.most)
		}
	}
	for _, f := range []struct{ name, value string }{{"die", s.Die}, {"medium", s.Medium}, {"trigger", s.Trigger}, {"surrounding", s.Surrounding}, {"note", s.Note}} {
		if why := TextProblem(f.value, MaxRemark); why != "" {
			return fmt.Errorf("%s %.40q: %s", f.name, f.value, why)
		}
	}
	return nil
}

func known(feature string) bool {
	for _, f := range Features() {
		if f == feature {
			return true
		}
	}
	return false
}

// NameProblem says why a text can't be an id or the name of a lot; empty: it
// can. Ids are printed on labels and scanned, so they hold no blanks at their
// ends and nothing that can't be seen.
func NameProblem(s string) string {
	switch {
	case s == "":
		return "it is empty: fill it in as the label says"
	case s != strings.TrimSpace(s):
		return "blanks at its ends: remove them"
	}
	return TextProblem(s, maxName)
}

// TextProblem says why a text can't be kept; empty: it can. Text is valid UTF-8
// without control characters, at most so many bytes.
func TextProblem(s string, most int) string {
	if len(s) > most {
		return fmt.Sprintf("longer than %d bytes: shorten it", most)
	}
	if strings.ContainsFunc(s, func(r rune) bool { return r < ' ' || r == 0x7f || r == '\uFFFD' || r == '\u2028' || r == '\u2029' }) {
		return "a control character or a byte that is no UTF-8: type it anew"
	}
	return ""
}

// ResidualUM is the residual thickness in µm; NaN: not stated.
func (s *Specimen) ResidualUM() float64 {
	if s.ResidualM == nil {
		return math.NaN()
	}
	return *s.ResidualM * 1e6
}
