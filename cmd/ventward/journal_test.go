package main

import (
	"bytes"
	"errors"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"ventward/daq"
	"ventward/dashboard"
	"ventward/store"
	"ventward/stream"
)

// A stored run tells who did what: each command with its name, whether it was
// refused and why, first-out of alarms and of trips, a bypass with its reason
// and end, and what outputs were asked for. Nothing is sent by the instruments,
// so that what is judged is silence (2 s).
func TestJournalOfAStoredRun(t *testing.T) {
	st, err := store.Open(t.TempDir(), store.Options{BallastBytes: -1})
	if err != nil {
		t.Fatal(err)
	}
	defer st.Close()
	const ms = int64(1e6)
	at := traceStart
	var ens []daq.Entry
	after := func(d int64) { // ticks, as the loop makes them
		for end := at + d; at < end; {
			at += 100 * ms
			ens = append(ens, daq.Entry{At: at, Kind: daq.EntryTick, Wall: at})
		}
	}
	do := func(who, verb string, args ...string) {
		c := &daq.Command{Verb: verb, Who: who, Args: map[string]string{"at": "bench"}}
		for i := 0; i < len(args); i += 2 {
			c.Args[args[i]] = args[i+1]
		}
		ens = append(ens, daq.Entry{At: at, Kind: daq.EntryCommand, Command: c})
	}
	after(500 * ms)
	do("A. Rahn", "arm", "who1", "A. Rahn", "who2", "B. Okoro")
	do("B. Okoro", "bypass", "rule", "Specimen pressure high", "for_s", "1", "reason", "valve swap")
	do("A. Rahn", "exercise", "output", "supply valve")
	after(5000 * ms)
	do("A. Rahn", "acknowledge", "id", "all")
	do("unattributed", "reset", "rule", "Specimen pressure silent")
	do("B. Okoro", "abort")
	id, err := importTrace(t.Context(), st, exampleBench(t), slices.Values(ens), store.Meta{Kind: store.KindRun, Bench: "Kiln 2", Specimen: "B-0410-07"})
	if err != nil {
		t.Fatal(err)
	}
	j, err := journalOf(t.Context(), st, id)
	if err != nil {
		t.Fatal(err)
	}
	for i := range j.Notes {
		if j.Notes[i].N != uint64(i+1) {
			t.Errorf("note %d has number %d", i+1, j.Notes[i].N)
		}
	}
	var out bytes.Buffer
	if err := printJournal(&out, j); err != nil {
		t.Fatal(err)
	}
	t.Logf("\n%s", out.String())
	find := func(why string, ok func(n *stream.Note) bool) *stream.Note {
		t.Helper()
		i := slices.IndexFunc(j.Notes, func(n stream.Note) bool { return ok(&n) })
		if i < 0 {
			t.Errorf("not in the journal: %s", why)
			return &stream.Note{}
		}
		return &j.Notes[i]
	}
	command := func(verb, who string, refused bool) *stream.Note {
		t.Helper()
		return find(verb+" by "+who, func(n *stream.Note) bool {
			return n.Kind == stream.NoteCommand && n.Subject == verb && n.Who == who && n.Refused == refused
		})
	}
	if n := command("arm", "A. Rahn", true); n.Text != "B. Okoro" || !strings.Contains(n.Reason, "cannot arm") {
		t.Errorf("%+v", n)
	}
	if n := command("exercise", "A. Rahn", true); !strings.Contains(n.Reason, "dump valve") {
		t.Errorf("%+v", n)
	}
	if n := command("reset", "unattributed", true); n.Text != "Specimen pressure silent" || !strings.Contains(n.Reason, "still stands") {
		t.Errorf("%+v", n)
	}
	command("abort", "B. Okoro", false)
	trip := func(what, rule string) *stream.Note {
		t.Helper()
		return find(rule+" "+what, func(n *stream.Note) bool { return n.Kind == stream.NoteTrip && n.What == what && n.Subject == rule })
	}
	if n := trip("bypassed", "Specimen pressure high"); n.Who != "B. Okoro" || n.Reason != "valve swap" || n.Until != n.At+1000*ms {
		t.Errorf("%+v", n)
	}
	trip("bypass over", "Specimen pressure high")
	if n := trip("tripped", "Output not confirmed"); !n.First {
		t.Errorf("the first trip is not told as such: %+v", n)
	}
	if n := trip("tripped", "Specimen pressure silent"); n.First {
		t.Errorf("the second trip is told as the first: %+v", n)
	}
	first := 0
	for _, n := range j.Notes {
		if n.Kind == stream.NoteAlarm && n.First {
			first++
		}
	}
	if first != 1 {
		t.Errorf("%d alarms are first-out, want 1", first)
	}
	find("who acknowledged", func(n *stream.Note) bool {
		return n.Kind == stream.NoteAlarm && n.What == "acknowledged" && n.Who == "A. Rahn" && n.Subject == "Specimen pressure silent"
	})
}

// The page is told why there is no journal.
func TestJournalForThePage(t *testing.T) {
	st, err := store.Open(t.TempDir(), store.Options{BallastBytes: -1})
	if err != nil {
		t.Fatal(err)
	}
	defer st.Close()
	run, err := st.Create(store.Meta{ID: "20260301-100000-000-00000001", Kind: store.KindRun, Bench: "Kiln 2", Algorithm: algorithm})
	if err != nil {
		t.Fatal(err)
	}
	defer run.Close(t.Context(), store.End{})
	a := newArchive(st, nil)
	var no *dashboard.Refusal
	if err := a.waitable("20260301-100000-000-00000001", "journal"); !errors.As(err, &no) || !strings.Contains(no.Reason, "still being recorded") {
		t.Errorf("%v", err)
	}
	empty, err := st.Create(store.Meta{ID: "20260301-100000-000-00000002", Kind: store.KindRun, Bench: "Kiln 2", Lot: "B-0410", Algorithm: algorithm})
	if err != nil {
		t.Fatal(err)
	}
	meta, err := empty.Close(t.Context(), store.End{})
	if err != nil {
		t.Fatal(err)
	}
	if err := a.waitable(meta.ID, "report"); !errors.As(err, &no) || !strings.Contains(no.Reason, "nothing was recorded") {
		t.Errorf("%v", err)
	}
	if _, lines, err := a.Run(t.Context(), meta.ID); err != nil || len(lines) != 0 {
		t.Errorf("%v %v", lines, err)
	}
	if shots, err := runShots(st, &meta); err != nil || len(shots) != 0 {
		t.Errorf("%v %v", shots, err)
	}
	if _, errs, code := program(t, "--data", st.Dir(), "report", meta.ID, "-o", filepath.Join(t.TempDir(), "x.pdf")); code == 0 || !strings.Contains(errs, "nothing was recorded") {
		t.Errorf("exit %d: %s", code, errs)
	}
	if err := a.waitable("none", "journal"); !errors.Is(err, dashboard.ErrNoRun) {
		t.Errorf("%v", err)
	}
	if _, errs, code := program(t, "--data", st.Dir(), "journal", "none"); code != exitWrong || !strings.Contains(errs, "none") {
		t.Errorf("exit %d: %s", code, errs)
	}
}
