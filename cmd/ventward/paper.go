package main

import (
	"errors"
	"fmt"
	"strings"

	"ventward/analysis/lot"
	"ventward/daq"
	"ventward/dashboard"
	"ventward/record"
	"ventward/store"
)

// Where the catalog has specimens, one is chosen for a shot and never typed:
// its lot and feature come from the catalog, it is used once, and the next shot
// waits for the outcome of the one before.

// choose completes a command that begins a run by the specimen it names.
// taken is the specimen to claim for the run; empty: none.
func (d *daemon) choose(c *daq.Command) (taken string, err error) {
	id := strings.TrimSpace(c.Args["specimen"])
	known, err := d.o.Store.Specimens(store.SpecimenFilter{Limit: 1})
	switch {
	case err != nil:
		return "", err
	case len(known) == 0:
		return "", nil // a bench without lists: the label is typed
	case id == "" && c.Verb == "record":
		return "", nil // a record without a shot
	case id == "":
		return "", refusal(errors.New("no specimen is chosen: choose one of the list, or scan its label"))
	}
	e, err := d.o.Store.Specimen(id)
	switch {
	case errors.Is(err, store.ErrNoSpecimen):
		return "", refusal(fmt.Errorf("specimen %.80q is not in the list: choose one of the list%s, or take its lot in first", id, d.near(id)))
	case err != nil:
		return "", err
	case e.Run != "":
		return "", refusal(fmt.Errorf("specimen %s was used in run %s already: choose another; if it was not tested there, give that run the outcome untested", id, e.Run))
	case e.Aside != "":
		return "", refusal(fmt.Errorf("specimen %s was set aside (%s): choose another", id, strings.ReplaceAll(e.Aside, ": ", " - ")))
	}
	for _, f := range []struct{ name, want string }{{"lot", e.Lot}, {"feature", e.Feature}} {
		if got := strings.TrimSpace(c.Args[f.name]); got != "" && got != f.want {
			return "", refusal(fmt.Errorf("specimen %s came in with %s %s, not %.80q: leave the %s out, the list has it", id, f.name, f.want, got, f.name))
		}
	}
	waits, err := d.o.Store.Awaiting()
	if err != nil {
		return "", err
	}
	for i := range waits {
		if w := &waits[i]; w.Run != d.recordingNow() {
			return "", refusal(fmt.Errorf("run %s (specimen %s) has no outcome yet: look at that specimen and enter which feature opened, under Lots, Specimens and shots, or with ventward outcome", w.Run, w.ID))
		}
	}
	args := map[string]string{}
	for k, v := range c.Args {
		args[k] = v
	}
	args["specimen"], args["lot"], args["feature"] = id, e.Lot, e.Feature
	c.Args = args
	return id, nil
}

// near names a specimen that may have been meant.
func (d *daemon) near(id string) string {
	got, err := d.o.Store.Specimens(store.SpecimenFilter{Text: id, Limit: 1})
	if err != nil || len(got) == 0 {
		return ""
	}
	return " (there is " + got[0].ID + ")"
}

// recordingNow is the run being recorded; empty: none.
func (d *daemon) recordingNow() string {
	if s := d.loop.status.Load(); s != nil && s.Run != nil {
		return s.Run.ID
	}
	return ""
}

// by is who enters something now.
func (d *daemon) by(who string) store.By {
	return store.By{Who: dashboard.Attributed(who), AtUTC: d.o.Time.Wall()}
}

// apply takes what persons entered of a run into the shots made of it: an
// invalid shot is excluded with its reason, what the list says of the specimen
// is added.
func apply(shots []lot.Shot, p paperOf) {
	for i := range shots {
		s := &shots[i]
		if e := p.specimen; e != nil {
			s.ResidualM, s.Die, s.Strokes = e.ResidualM, e.Die, e.Strokes
			s.Trigger, s.Surrounding = e.Trigger, e.Surrounding
		}
		p.exclude(s)
		if r := p.review; r != nil && r.Ruling == record.RuledRemark && s.Status == lot.Valid {
			s.Reason = bothOf(s.Reason, r.Reason)
		}
	}
}

// paperOf is what was entered of one run.
type paperOf struct {
	specimen *record.Specimen
	outcome  *record.Outcome
	review   *record.Review
}

// exclude marks a shot that a person says does not count.
func (p *paperOf) exclude(s *lot.Shot) {
	why := ""
	switch o := p.outcome; {
	case p.review != nil && p.review.Ruling == record.RuledInvalid:
		why = "invalid by review: " + p.review.Reason
	case o == nil:
		return
	case o.Extent == record.Untested:
		why = bothOf("not tested", o.Remark)
	case o.Extent == record.Torn && s.Feature == o.Feature:
		why = bothOf("torn outside the score", o.Remark)
	case o.Extent.Opened() && s.Status == lot.Valid && o.Feature != s.Feature && p.specimen != nil && p.specimen.Feature != record.Cell:
		why = fmt.Sprintf("the %s was found open, not the %s", o.Feature, s.Feature)
	case o.Extent == record.Held && s.Status == lot.Valid:
		why = bothOf("nothing was found open", o.Remark)
	case o.Extent == record.Held && s.Status == lot.Invalid:
		why = bothOf(bothOf("nothing was found open", o.Remark), s.Reason)
	}
	if why != "" {
		s.Status, s.Reason = lot.Invalid, why
	}
}

func bothOf(a, b string) string {
	if a == "" || b == "" {
		return a + b
	}
	return a + "; " + b
}

// papers reads what was entered of a run.
func papers(st *store.Store, m *store.Meta) (p paperOf, err error) {
	p.outcome, p.review, err = st.Paper(m.ID)
	switch {
	case errors.Is(err, store.ErrOldCatalog):
		return p, nil
	case err != nil:
		return p, err
	}
	e, err := st.Specimen(m.Specimen)
	if errors.Is(err, store.ErrNoSpecimen) {
		return p, nil
	}
	if err == nil && e.Lot == m.Lot {
		p.specimen = &e.Specimen
	}
	return p, err
}

// words are outcome and review as a report shows them.
func (p *paperOf) words() (outcome, review string) {
	if o := p.outcome; o != nil {
		outcome = string(o.Extent)
		if o.Feature != "" {
			outcome = o.Feature + ", " + outcome
		}
		outcome = bothOf(outcome, o.Remark) + " (" + o.Who + ")"
	}
	if r := p.review; r != nil {
		review = bothOf(string(r.Ruling), r.Reason) + " (" + r.Who + ")"
	}
	return outcome, review
}
