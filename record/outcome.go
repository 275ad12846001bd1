package record

import (
	"fmt"
	"strings"
)

// Extent says how a feature opened, as a person found it on the specimen.
type Extent string

const (
	Full     Extent = "full"     // along the whole score
	Partial  Extent = "partial"  // along part of it
	Torn     Extent = "torn"     // outside the score
	Held     Extent = "held"     // nothing opened; the specimen was dumped
	Untested Extent = "untested" // the run ended before pressure was put on: the specimen may be used again
)

// Extents lists them in the order of messages.
func Extents() []Extent { return []Extent{Full, Partial, Torn, Held, Untested} }

// An Outcome is what a person saw on the specimen after a shot. It is asked for
// after each, since a pressure alone doesn't tell which feature opened.
type Outcome struct {
	Run      string `json:"run"`
	Specimen string `json:"specimen"`
	Feature  string `json:"feature,omitempty"` // that opened; empty with held and untested
	Extent   Extent `json:"extent"`
	Remark   string `json:"remark,omitempty"`
	Who      string `json:"who"`
	AtUTC    int64  `json:"at_utc_ns"`
}

// Opened tells whether the extent names an opening.
func (e Extent) Opened() bool { return e == Full || e == Partial || e == Torn }

// Check says what is wrong with an outcome, and what to do; nil: nothing.
func (o *Outcome) Check() error {
	ok := false
	names := make([]string, 0, len(Extents()))
	for _, e := range Extents() {
		ok = ok || e == o.Extent
		names = append(names, string(e))
	}
	switch {
	case !ok:
		return fmt.Errorf("extent %.40q: use %s", o.Extent, strings.Join(names, ", "))
	case o.Extent.Opened() && !known(o.Feature):
		return fmt.Errorf("feature %.40q: name the one that opened: %s", o.Feature, strings.Join(Features(), ", "))
	case !o.Extent.Opened() && o.Feature != "":
		return fmt.Errorf("feature %q with extent %s: nothing opened, leave the feature out", o.Feature, o.Extent)
	}
	return personal(o.Run, o.Remark, o.Who)
}

// Ruling is the answer of a review.
type Ruling string

const (
	RuledValid   Ruling = "valid"   // counts
	RuledRemark  Ruling = "remark"  // counts, with a remark
	RuledInvalid Ruling = "invalid" // keeps its number, is left out of statistics, with a reason
)

// A Review says whether a shot counts. The newest one holds; none is deleted.
type Review struct {
	Run    string `json:"run"`
	Ruling Ruling `json:"ruling"`
	Reason string `json:"reason,omitempty"` // needed with remark and invalid
	Who    string `json:"who"`
	AtUTC  int64  `json:"at_utc_ns"`
}

// Check says what is wrong with a review, and what to do; nil: nothing.
func (r *Review) Check() error {
	switch r.Ruling {
	case RuledValid:
	case RuledRemark, RuledInvalid:
		if strings.TrimSpace(r.Reason) == "" {
			return fmt.Errorf("ruling %s has no reason: say in a few words why, it stands in the report", r.Ruling)
		}
	default:
		return fmt.Errorf("ruling %.40q: use valid, remark or invalid", r.Ruling)
	}
	return personal(r.Run, r.Reason, r.Who)
}

// personal checks what every entry of a person has.
func personal(run, text, who string) error {
	if run == "" {
		return fmt.Errorf("run is empty: name the run")
	}
	if why := TextProblem(text, MaxRemark); why != "" {
		return fmt.Errorf("text %.40q: %s", text, why)
	}
	if why := NameProblem(who); why != "" {
		return fmt.Errorf("who %.40q: %s", who, why)
	}
	return nil
}
