package main

import (
	"context"
	"errors"
	"io"

	"ventward/dashboard"
	"ventward/record"
	"ventward/record/sheet"
	"ventward/store"
)

// registry lends the lab's lists to the page. by stamps entries with the
// bench's own clock.
type registry struct {
	st *store.Store
	by func(who string) store.By
}

var _ dashboard.Registry = registry{}

func (r registry) Specimens(_ context.Context, q dashboard.SpecimenQuery) ([]dashboard.Specimen, error) {
	got, err := r.st.Specimens(store.SpecimenFilter{Lot: q.Lot, Text: q.Text, Unused: q.Unused, Limit: q.Limit})
	out := make([]dashboard.Specimen, 0, len(got))
	for i := range got {
		out = append(out, specimenLine(&got[i]))
	}
	return out, err
}

func (r registry) Intake(_ context.Context, who, file string, list io.Reader) (int, []string, error) {
	rows, ignored, err := record.ReadSpecimens(list, file)
	if err != nil {
		return 0, ignored, err
	}
	return len(rows), ignored, pageError(r.st.AddSpecimens(r.by(who), file, rows))
}

func (r registry) SetAside(_ context.Context, who, specimen, reason string) error {
	return pageError(r.st.SetAside(r.by(who), specimen, reason))
}

func (r registry) Outcome(_ context.Context, o record.Outcome) error {
	o.AtUTC = r.by(o.Who).AtUTC
	return pageError(r.st.PutOutcome(o))
}

func (r registry) Review(_ context.Context, v record.Review) error {
	v.AtUTC = r.by(v.Who).AtUTC
	return pageError(r.st.PutReview(v))
}

// pageError is an entry's error as the page's "no"; trouble with the disk, and
// wrong rows, stay what they are.
func pageError(err error) error {
	var rows sheet.Problems
	var damage *store.Corrupt
	if err == nil || errors.As(err, &rows) || errors.As(err, &damage) || errors.Is(err, store.ErrDisk) || errors.Is(err, store.ErrDiskFull) || errors.Is(err, store.ErrReadOnly) {
		return err
	}
	return refusal(err)
}
