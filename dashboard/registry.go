package dashboard

import (
	"context"
	"io"

	"ventward/record"
)

// A Specimen is a specimen as lists show it.
type Specimen struct {
	ID           string   `json:"id"`
	Lot          string   `json:"lot"`
	Feature      string   `json:"feature"` // under test
	ResidualUM   *float64 `json:"residual_um,omitempty"`
	Die          string   `json:"die,omitempty"`
	Strokes      *float64 `json:"strokes,omitempty"`
	Medium       string   `json:"medium,omitempty"`
	Trigger      string   `json:"trigger,omitempty"`
	Surrounding  string   `json:"surrounding,omitempty"`
	TemperatureC *float64 `json:"temperature_C,omitempty"`
	Note         string   `json:"note,omitempty"`

	Status  string   `json:"status"`           // unused, shot or excluded
	Reason  string   `json:"reason,omitempty"` // it was excluded, or a remark
	Run     string   `json:"run,omitempty"`    // it was shot in
	Awaits  bool     `json:"awaits_outcome"`   // shot, and nobody has said yet what was found
	Outcome *Outcome `json:"outcome,omitempty"`
	Review  *Review  `json:"review,omitempty"`
}

// Status of a specimen.
const (
	Unused   = "unused"
	Shot     = "shot"
	Excluded = "excluded"
)

// An Outcome is what a person found on a specimen after its shot.
type Outcome struct {
	Feature string `json:"feature,omitempty"`
	Extent  string `json:"extent"`
	Remark  string `json:"remark,omitempty"`
	Who     string `json:"who"`
	AtUTC   string `json:"at_utc"`
}

// A Review says whether a shot counts.
type Review struct {
	Ruling string `json:"ruling"`
	Reason string `json:"reason,omitempty"`
	Who    string `json:"who"`
	AtUTC  string `json:"at_utc"`
}

// SpecimenQuery selects specimens; empty fields select everything.
type SpecimenQuery struct {
	Lot    string
	Text   string // part of an id
	Unused bool
	Limit  int
}

// Registry is what the dashboard needs of the lab's lists. An error that is a
// *Refusal is a "no"; sheet.Problems name the rows of a list that are wrong.
type Registry interface {
	// Specimens lists by lot and id, and how many there are beyond the limit.
	Specimens(ctx context.Context, q SpecimenQuery) ([]Specimen, error)
	// Intake takes a list in, whole or not at all; it returns how many specimens
	// came, and the columns that were not used.
	Intake(ctx context.Context, who, file string, list io.Reader) (n int, ignored []string, err error)
	SetAside(ctx context.Context, who, specimen, reason string) error
	Outcome(ctx context.Context, o record.Outcome) error
	Review(ctx context.Context, r record.Review) error
}
