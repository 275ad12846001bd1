package store

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"ventward/record"
	"ventward/record/sheet"
)

var mara = By{"Mara", 1.76e18}

func piece(line int, id, lot string) record.Row {
	return record.Row{Line: line, Specimen: record.Specimen{ID: id, Lot: lot, Feature: record.BottomVent}}
}

func someSpecimens(t *testing.T) *Store {
	t.Helper()
	s := mustOpen(t, t.TempDir(), quick())
	if err := s.AddSpecimens(mara, "a.csv", []record.Row{piece(2, "B-1", "B"), piece(3, "B-2", "B"), piece(4, "T-1", "T")}); err != nil {
		t.Fatal(err)
	}
	return s
}

// A duplicate refuses the whole list, row by row; nothing of it is kept.
func TestIntakeIsAllOrNothing(t *testing.T) {
	s := someSpecimens(t)
	err := s.AddSpecimens(mara, "b.csv", []record.Row{piece(2, "B-9", "B"), piece(3, "B-1", "B"), piece(4, "T-1", "X")})
	var all sheet.Problems
	if !errors.As(err, &all) || len(all) != 2 || all[0].Line != 3 || all[1].Value != "T-1" || !strings.Contains(all[1].Next, "lot T already") {
		t.Fatalf("%v", err)
	}
	if _, err := s.Specimen("B-9"); !errors.Is(err, ErrNoSpecimen) {
		t.Errorf("half of the list came in: %v", err)
	}
	got, err := s.Specimens(SpecimenFilter{Text: "b-", Unused: true, Limit: 1})
	if err != nil || len(got) != 1 || got[0].ID != "B-1" {
		t.Errorf("%+v %v", got, err)
	}
	if err := s.AddSpecimens(mara, "c.csv", []record.Row{piece(2, "", "B")}); !errors.As(err, &all) {
		t.Errorf("an empty id: %v", err)
	}
}

func TestASpecimenIsUsedOnce(t *testing.T) {
	s := someSpecimens(t)
	if err := s.Take(mara, "B-1", "run-1"); err != nil {
		t.Fatal(err)
	}
	if err := s.Take(mara, "B-1", "run-2"); err == nil || !strings.Contains(err.Error(), "run-1") {
		t.Errorf("used twice: %v", err)
	}
	if err := s.Take(mara, "Z", "run-2"); !errors.Is(err, ErrNoSpecimen) {
		t.Errorf("unknown: %v", err)
	}
	if err := s.Release(mara, "B-1", "run-9", "not its own"); err != nil {
		t.Fatal(err)
	}
	if e, _ := s.Specimen("B-1"); e.Run != "run-1" {
		t.Errorf("another run gave it back: %+v", e)
	}
	if err := s.SetAside(mara, "B-2", "dropped"); err != nil {
		t.Fatal(err)
	}
	if err := s.Take(mara, "B-2", "run-2"); err == nil || !strings.Contains(err.Error(), "dropped") {
		t.Errorf("set aside and taken: %v", err)
	}
	if err := s.SetAside(mara, "B-1", "late"); err == nil || !strings.Contains(err.Error(), "run-1") {
		t.Errorf("shot and set aside: %v", err)
	}
	if err := s.SetAside(mara, "B-2", ""); err != nil {
		t.Fatal(err)
	}
	if err := s.Take(mara, "B-2", "run-2"); err != nil {
		t.Errorf("taken back: %v", err)
	}
	chain(t, s, 5)
}

func chain(t *testing.T, s *Store, least int) []record.AuditRow {
	t.Helper()
	rows, err := s.Audit()
	if err != nil || len(rows) < least {
		t.Fatalf("%d audit rows, want %d or more: %v", len(rows), least, err)
	}
	if err := record.CheckChain(rows); err != nil {
		t.Error(err)
	}
	return rows
}

// Of many at once exactly one gets the specimen.
func TestTakingIsExclusive(t *testing.T) {
	s := someSpecimens(t)
	var g sync.WaitGroup
	won := make(chan string, 20)
	for i := range 20 {
		g.Go(func() {
			if s.Take(mara, "B-1", fmt.Sprint(i)) == nil {
				won <- fmt.Sprint(i)
			}
		})
	}
	g.Wait()
	if len(won) != 1 {
		t.Fatalf("%d runs have it", len(won))
	}
	if e, _ := s.Specimen("B-1"); e.Run != <-won {
		t.Errorf("%+v", e)
	}
}

func TestOutcomeAndReview(t *testing.T) {
	s := someSpecimens(t)
	run := func(id, specimen string) *Run {
		r, err := s.Create(Meta{ID: id, Kind: KindRun, Bench: "Kiln 2", Specimen: specimen, Lot: "B"})
		if err != nil {
			t.Fatal(err)
		}
		if err := s.Take(mara, specimen, id); err != nil {
			t.Fatal(err)
		}
		return r
	}
	r := run("r1", "B-1")
	o := record.Outcome{Run: "r1", Extent: record.Full, Feature: record.BottomVent, Who: "Mara", AtUTC: 5}
	if err := s.PutOutcome(o); err == nil || !strings.Contains(err.Error(), "still being recorded") {
		t.Errorf("an outcome of an open run: %v", err)
	}
	mustClose(t, r)
	if w, err := s.Awaiting(); err != nil || len(w) != 1 || w[0].ID != "B-1" {
		t.Errorf("awaiting %+v %v", w, err)
	}
	if err := s.PutReview(record.Review{Run: "r1", Ruling: record.RuledValid, Who: "Mara"}); err == nil || !strings.Contains(err.Error(), "no outcome") {
		t.Errorf("a review before the outcome: %v", err)
	}
	if err := s.PutOutcome(o); err != nil {
		t.Fatal(err)
	}
	if err := s.PutReview(record.Review{Run: "r1", Ruling: record.RuledInvalid, Reason: "clamp slipped", Who: "Noor", AtUTC: 6}); err != nil {
		t.Fatal(err)
	}
	e, err := s.Specimen("B-1")
	if err != nil || e.Outcome == nil || e.Outcome.Specimen != "B-1" || e.Review == nil || e.Review.Reason != "clamp slipped" {
		t.Errorf("%+v %v", e, err)
	}
	if w, _ := s.Awaiting(); len(w) != 0 {
		t.Errorf("still awaiting %+v", w)
	}
	if got, rev, err := s.Paper("r1"); err != nil || got.Extent != record.Full || rev.Who != "Noor" {
		t.Errorf("%+v %+v %v", got, rev, err)
	}
	// Untested gives the piece back, and only until another run has it.
	mustClose(t, run("r2", "B-2"))
	if err := s.PutOutcome(record.Outcome{Run: "r2", Extent: record.Untested, Who: "Mara"}); err != nil {
		t.Fatal(err)
	}
	if e, _ := s.Specimen("B-2"); e.Run != "" {
		t.Errorf("untested and not given back: %+v", e)
	}
	mustClose(t, run("r3", "B-2"))
	if err := s.PutOutcome(record.Outcome{Run: "r2", Extent: record.Held, Who: "Mara"}); err == nil || !strings.Contains(err.Error(), "r3") {
		t.Errorf("the old run took it back: %v", err)
	}
	if err := s.PutOutcome(record.Outcome{Run: "none", Extent: record.Held, Who: "Mara"}); !errors.Is(err, ErrUnknown) {
		t.Errorf("unknown run: %v", err)
	}
	rows := chain(t, s, 8)
	if last := rows[len(rows)-1]; last.Verb != "take" || last.Subject != "B-2" {
		t.Errorf("last row %+v: a refused entry left a trace", last)
	}
}

// A catalog of version 1 is brought up by whoever writes; readers say so.
func TestCatalogOfVersion1(t *testing.T) {
	dir := t.TempDir()
	db, err := openDB(filepath.Join(dir, catalogFile), modeWrite)
	if err != nil {
		t.Fatal(err)
	}
	if err := prepareSchema(db, catalogAppID, 1, catalogSchema); err != nil {
		t.Fatal(err)
	}
	db.Close()
	r := mustOpen(t, dir, Options{Access: Read})
	if _, err := r.Specimens(SpecimenFilter{}); err == nil || !strings.Contains(err.Error(), "start the daemon once") {
		t.Errorf("%v", err)
	}
	if _, err := r.Runs(Filter{}); err != nil {
		t.Errorf("runs of an old catalog: %v", err)
	}
	s := mustOpen(t, dir, quick())
	if err := s.AddSpecimens(mara, "a.csv", []record.Row{piece(2, "B-1", "B")}); err != nil {
		t.Error(err)
	}
	r2 := mustOpen(t, dir, Options{Access: Read})
	if got, err := r2.Specimens(SpecimenFilter{}); err != nil || len(got) != 1 {
		t.Errorf("%+v %v", got, err)
	}
	if _, err := os.Stat(filepath.Join(dir, catalogFile)); err != nil {
		t.Error(err)
	}
}
