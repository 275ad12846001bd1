package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"strings"

	"ventward/record"
	"ventward/record/sheet"
)

// paperSchema is what version 2 of the catalog adds: what persons enter. It
// stands in no run's folder.
const paperSchema = `
CREATE TABLE specimen(id TEXT PRIMARY KEY, lot TEXT NOT NULL, feature TEXT NOT NULL, run TEXT NOT NULL, aside TEXT NOT NULL, body TEXT NOT NULL) WITHOUT ROWID;
CREATE INDEX specimen_run ON specimen(run);
CREATE TABLE outcome(run TEXT PRIMARY KEY, body TEXT NOT NULL) WITHOUT ROWID;
CREATE TABLE review(run TEXT PRIMARY KEY, body TEXT NOT NULL) WITHOUT ROWID;
CREATE TABLE audit(n INTEGER PRIMARY KEY, at_utc INTEGER NOT NULL, who TEXT NOT NULL, verb TEXT NOT NULL, subject TEXT NOT NULL, detail TEXT NOT NULL, hash TEXT NOT NULL)`

// ErrNoSpecimen tells that the catalog has no specimen of that id.
var ErrNoSpecimen = errors.New("store: no such specimen")

// ErrOldCatalog tells that the catalog is from before specimens were kept, and
// open for reading only.
var ErrOldCatalog = errors.New("store: the catalog is from before specimens were kept")

// By says who enters something, and when (UTC, ns since 1970).
type By struct {
	Who   string
	AtUTC int64
}

// A SpecimenEntry is a specimen with what became of it.
type SpecimenEntry struct {
	record.Specimen
	Run     string          // it was shot in; empty: unused
	Aside   string          // why it was set aside unused; empty: it wasn't
	Outcome *record.Outcome // of that run
	Review  *record.Review  // of that run
}

// A SpecimenFilter selects specimens. Empty fields select everything.
type SpecimenFilter struct {
	Lot    string
	Text   string // part of an id, whatever the case
	Unused bool   // neither shot nor set aside
	Limit  int    // 0: all
}

// duplicatesTold bounds the duplicates named in one refusal.
const duplicatesTold = record.MaxRowProblems

// AddSpecimens takes in a list: all of it or, where an id is known already,
// none, with a sheet.Problems that names each. source is the list's name.
func (s *Store) AddSpecimens(by By, source string, rows []record.Row) error {
	for i := range rows {
		if err := rows[i].Check(); err != nil {
			return sheet.Problems{{File: source, Line: rows[i].Line, Value: rows[i].ID, Next: err.Error()}}
		}
	}
	return s.paper(func(tx *sql.Tx) error {
		var twice sheet.Problems
		lots := map[string][]string{}
		var order []string
		for i := range rows {
			r := &rows[i]
			old, err := specimenOf(tx, r.ID)
			switch {
			case err == nil && len(twice) < duplicatesTold:
				twice = append(twice, sheet.Problem{File: source, Line: r.Line, Column: "id", Value: r.ID, Next: old.known() + ": remove the row, or give the piece an id of its own"})
			case err == nil || errors.Is(err, ErrNoSpecimen):
			default:
				return err
			}
			if len(twice) > 0 {
				continue
			}
			body, err := json.Marshal(r.Specimen)
			if err != nil {
				return err
			}
			if _, err := tx.Exec("INSERT INTO specimen(id,lot,feature,run,aside,body) VALUES(?,?,?,'','',?)", r.ID, r.Lot, r.Feature, string(body)); err != nil {
				return err
			}
			if lots[r.Lot] == nil {
				order = append(order, r.Lot)
			}
			lots[r.Lot] = append(lots[r.Lot], r.ID)
		}
		if len(twice) > 0 {
			return twice
		}
		for _, l := range order {
			ids := lots[l]
			if err := audit(tx, by, "intake", l, fmt.Sprintf("%d specimens, %s to %s, from %s", len(ids), ids[0], ids[len(ids)-1], source)); err != nil {
				return err
			}
		}
		return nil
	})
}

// known says where a specimen stands already.
func (e *SpecimenEntry) known() string {
	if e.Run != "" {
		return fmt.Sprintf("it came in with lot %s already and was shot in run %s", e.Lot, e.Run)
	}
	return fmt.Sprintf("it came in with lot %s already", e.Lot)
}

// Take claims a specimen for a run. A specimen is used once: the error of a
// second use names the run that used it.
func (s *Store) Take(by By, id, run string) error {
	return s.paper(func(tx *sql.Tx) error {
		e, err := specimenOf(tx, id)
		switch {
		case err != nil:
			return err
		case e.Run != "":
			return fmt.Errorf("specimen %s was used in run %s already: choose another; if it was not tested there, give that run the outcome untested", id, e.Run)
		case e.Aside != "":
			return fmt.Errorf("specimen %s was set aside (%s): choose another", id, e.Aside)
		}
		if _, err := tx.Exec("UPDATE specimen SET run=? WHERE id=?", run, id); err != nil {
			return err
		}
		return audit(tx, by, "take", id, "for run "+run)
	})
}

// Release gives back a specimen that a run took and did not test.
func (s *Store) Release(by By, id, run, why string) error {
	return s.paper(func(tx *sql.Tx) error { return release(tx, by, id, run, why) })
}

func release(tx *sql.Tx, by By, id, run, why string) error {
	got, err := tx.Exec("UPDATE specimen SET run='' WHERE id=? AND run=?", id, run)
	if err != nil {
		return err
	}
	if n, err := got.RowsAffected(); err != nil || n == 0 {
		return err // it is not that run's: nothing to give back
	}
	return audit(tx, by, "release", id, "from run "+run+": "+why)
}

// SetAside excludes an unused specimen with a reason; an empty reason takes it
// back.
func (s *Store) SetAside(by By, id, reason string) error {
	if why := record.TextProblem(reason, record.MaxRemark); why != "" {
		return fmt.Errorf("reason %.40q: %s", reason, why)
	}
	return s.paper(func(tx *sql.Tx) error {
		e, err := specimenOf(tx, id)
		if err != nil {
			return err
		}
		if e.Run != "" {
			return fmt.Errorf("specimen %s was shot in run %s: review that shot as invalid with the reason instead", id, e.Run)
		}
		if _, err := tx.Exec("UPDATE specimen SET aside=? WHERE id=?", reason, id); err != nil {
			return err
		}
		if reason == "" {
			return audit(tx, by, "take-back", id, "was set aside: "+e.Aside)
		}
		return audit(tx, by, "set-aside", id, reason)
	})
}

// PutOutcome keeps what a person saw after a shot; the newest holds. The
// outcome untested gives the specimen back.
func (s *Store) PutOutcome(o record.Outcome) error {
	m, err := s.Meta(o.Run)
	if err != nil {
		return err
	}
	if m.State == StateOpen {
		return fmt.Errorf("run %s is still being recorded: end it, look at the specimen, then say what became of it", o.Run)
	}
	o.Specimen = m.Specimen
	if err := o.Check(); err != nil {
		return err
	}
	by := By{o.Who, o.AtUTC}
	return s.paper(func(tx *sql.Tx) error {
		if err := putPaper(tx, "outcome", o.Run, o); err != nil {
			return err
		}
		text := strings.TrimSpace(fmt.Sprintf("%s %s %s", o.Feature, o.Extent, o.Remark))
		if err := audit(tx, by, "outcome", o.Run, text); err != nil {
			return err
		}
		if o.Extent == record.Untested {
			return release(tx, by, o.Specimen, o.Run, "untested")
		}
		return s.keep(tx, by, o)
	})
}

// keep claims the specimen again for a run whose outcome was untested before.
func (s *Store) keep(tx *sql.Tx, by By, o record.Outcome) error {
	e, err := specimenOf(tx, o.Specimen)
	switch {
	case errors.Is(err, ErrNoSpecimen) || err == nil && e.Run == o.Run:
		return nil
	case err != nil:
		return err
	case e.Run != "":
		return fmt.Errorf("specimen %s was used in run %s since: this run's outcome stays untested", o.Specimen, e.Run)
	}
	if _, err := tx.Exec("UPDATE specimen SET run=? WHERE id=?", o.Run, o.Specimen); err != nil {
		return err
	}
	return audit(tx, by, "take", o.Specimen, "for run "+o.Run)
}

// PutReview keeps whether a shot counts; the newest holds.
func (s *Store) PutReview(r record.Review) error {
	if _, err := s.Meta(r.Run); err != nil {
		return err
	}
	if err := r.Check(); err != nil {
		return err
	}
	return s.paper(func(tx *sql.Tx) error {
		if o, err := getPaper[record.Outcome](tx, "outcome", r.Run); err != nil {
			return err
		} else if o == nil {
			return fmt.Errorf("run %s has no outcome yet: enter first which feature opened", r.Run)
		}
		if err := putPaper(tx, "review", r.Run, r); err != nil {
			return err
		}
		return audit(tx, By{r.Who, r.AtUTC}, "review", r.Run, strings.TrimSpace(string(r.Ruling)+" "+r.Reason))
	})
}

// Paper returns what was entered of a run; nil: nothing yet.
func (s *Store) Paper(run string) (o *record.Outcome, r *record.Review, err error) {
	err = s.paper(func(tx *sql.Tx) error {
		if o, err = getPaper[record.Outcome](tx, "outcome", run); err != nil {
			return err
		}
		r, err = getPaper[record.Review](tx, "review", run)
		return err
	})
	return o, r, err
}

// Awaiting lists the specimens whose run has no outcome yet, oldest run first.
func (s *Store) Awaiting() ([]SpecimenEntry, error) {
	return s.specimens("run<>'' AND run NOT IN (SELECT run FROM outcome) ORDER BY run, id")
}

// Specimen returns one specimen, or ErrNoSpecimen.
func (s *Store) Specimen(id string) (e SpecimenEntry, err error) {
	err = s.paper(func(tx *sql.Tx) error { e, err = specimenOf(tx, id); return err })
	return e, err
}

// Specimens returns those that the filter selects, by lot and id.
func (s *Store) Specimens(f SpecimenFilter) ([]SpecimenEntry, error) {
	where := []string{"1"}
	var args []any
	if f.Lot != "" {
		where, args = append(where, "lot=?"), append(args, f.Lot)
	}
	if f.Text != "" {
		where, args = append(where, "instr(lower(id),lower(?))>0"), append(args, f.Text)
	}
	if f.Unused {
		where = append(where, "run='' AND aside=''")
	}
	order := " ORDER BY lot, id"
	if f.Limit > 0 {
		order += fmt.Sprintf(" LIMIT %d", f.Limit)
	}
	return s.specimens(strings.Join(where, " AND ")+order, args...)
}

const selectSpecimen = `SELECT specimen.id,specimen.run,specimen.aside,specimen.body,
 (SELECT body FROM outcome WHERE outcome.run=specimen.run),(SELECT body FROM review WHERE review.run=specimen.run) FROM specimen WHERE `

func (s *Store) specimens(where string, args ...any) (out []SpecimenEntry, err error) {
	err = s.paper(func(tx *sql.Tx) error {
		rows, err := tx.Query(selectSpecimen+where, args...)
		if err != nil {
			return err
		}
		defer rows.Close()
		for rows.Next() {
			e, err := scanSpecimen(rows)
			if err != nil {
				return err
			}
			out = append(out, e)
		}
		return rows.Err()
	})
	return out, err
}

func specimenOf(tx *sql.Tx, id string) (SpecimenEntry, error) {
	e, err := scanSpecimen(tx.QueryRow(selectSpecimen+"id=?", id))
	if errors.Is(err, sql.ErrNoRows) {
		return e, fmt.Errorf("%w (%.80q): choose one of the list, or take its lot in first", ErrNoSpecimen, id)
	}
	return e, err
}

func scanSpecimen(row interface{ Scan(...any) error }) (e SpecimenEntry, err error) {
	var id, body string
	var outcome, review sql.NullString
	if err := row.Scan(&id, &e.Run, &e.Aside, &body, &outcome, &review); err != nil {
		return e, err
	}
	if err := json.Unmarshal([]byte(body), &e.Specimen); err != nil || e.ID != id {
		return e, corrupt(id, catalogFile, "the specimen's description can't be read")
	}
	if outcome.Valid {
		if err := json.Unmarshal([]byte(outcome.String), &e.Outcome); err != nil {
			return e, corrupt(e.Run, catalogFile, "its outcome can't be read")
		}
	}
	if review.Valid {
		if err := json.Unmarshal([]byte(review.String), &e.Review); err != nil {
			return e, corrupt(e.Run, catalogFile, "its review can't be read")
		}
	}
	return e, nil
}

// Audit returns all rows of the audit chain, oldest first.
func (s *Store) Audit() (out []record.AuditRow, err error) {
	err = s.paper(func(tx *sql.Tx) error {
		rows, err := tx.Query("SELECT n,at_utc,who,verb,subject,detail,hash FROM audit ORDER BY n")
		if err != nil {
			return err
		}
		defer rows.Close()
		for rows.Next() {
			var r record.AuditRow
			if err := rows.Scan(&r.N, &r.AtUTC, &r.Who, &r.Verb, &r.Subject, &r.Detail, &r.Hash); err != nil {
				return err
			}
			out = append(out, r)
		}
		return rows.Err()
	})
	return out, err
}

func audit(tx *sql.Tx, by By, verb, subject, detail string) error {
	r := record.AuditRow{AtUTC: by.AtUTC, Who: by.Who, Verb: verb, Subject: subject, Detail: detail}
	var before string
	err := tx.QueryRow("SELECT n,hash FROM audit ORDER BY n DESC LIMIT 1").Scan(&r.N, &before)
	if err != nil && !errors.Is(err, sql.ErrNoRows) {
		return err
	}
	r.N++
	r.Seal(before)
	_, err = tx.Exec("INSERT INTO audit(n,at_utc,who,verb,subject,detail,hash) VALUES(?,?,?,?,?,?,?)", r.N, r.AtUTC, r.Who, r.Verb, r.Subject, r.Detail, r.Hash)
	return err
}

func putPaper(tx *sql.Tx, table, run string, v any) error {
	body, err := json.Marshal(v)
	if err != nil {
		return err
	}
	_, err = tx.Exec("INSERT INTO "+table+"(run,body) VALUES(?,?) ON CONFLICT(run) DO UPDATE SET body=excluded.body", run, string(body))
	return err
}

func getPaper[T any](tx *sql.Tx, table, run string) (*T, error) {
	var body string
	err := tx.QueryRow("SELECT body FROM "+table+" WHERE run=?", run).Scan(&body)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	v := new(T)
	if err := json.Unmarshal([]byte(body), v); err != nil {
		return nil, corrupt(run, catalogFile, "its %s can't be read", table)
	}
	return v, nil
}

// paper runs f in one transaction of the catalog: all of it or nothing.
func (s *Store) paper(f func(*sql.Tx) error) error {
	if s.cat.version < catalogVersion {
		return fmt.Errorf("%w: it is of version %d: start the daemon once, it brings the catalog up", ErrOldCatalog, s.cat.version)
	}
	tx, err := s.cat.db.BeginTx(context.Background(), nil)
	if err != nil {
		return diskError(err)
	}
	if err := f(tx); err != nil {
		tx.Rollback()
		return err
	}
	return diskError(tx.Commit())
}
