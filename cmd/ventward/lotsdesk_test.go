package main

import (
	"context"
	"encoding/json"
	"errors"
	"maps"
	"reflect"
	"strings"
	"testing"
	"time"

	"ventward/dashboard"
	"ventward/record"
	"ventward/report"
	"ventward/store"
)

// agrees holds what the command line says of a lot against the page's line: the
// same limits, those of the bench description, unless others are named.
func agrees(t *testing.T, data, name string, page *report.LotLine) {
	t.Helper()
	shell := func(args ...string) (l report.LotLine) {
		t.Helper()
		out, errs, code := program(t, append([]string{"--data", data, "lot", name, "--json"}, args...)...)
		line, _, _ := strings.Cut(out, "\n")
		if err := json.Unmarshal([]byte(line), &l); code != 0 || err != nil {
			t.Fatalf("exit %d, %v: %s", code, err, errs)
		}
		return l
	}
	if l := shell(); !reflect.DeepEqual(&l, page) {
		t.Errorf("the command line says\n%+v\nthe page\n%+v", l, *page)
	}
	if page.LimitsFrom != "the description of bench Kiln 2" || page.Low == nil {
		t.Errorf("limits from %q, %v", page.LimitsFrom, page.Low)
	}
	if l := shell("--limits", writeFile(t, "own.csv", "feature,low_barg,high_barg\n"+page.Feature+",12.5,\n")); l.LimitsFrom != "own.csv" || l.Low == nil || *l.Low != 12.5 || l.High != nil {
		t.Errorf("named limits: %+v", l)
	}
}

// slipped tells that a shot was left out because its clamp slipped.
func slipped(l report.LotLine) bool {
	for i := range l.Left {
		if l.Left[i].Reason == "invalid by review: clamp slipped" {
			return true
		}
	}
	return false
}

// The lots of a stored demo, as the page sees them: what came in and was shot,
// statistics with limits of the bench description, every excluded shot with
// its reason, and the statement in words.
func TestLotsDeskOnStoredRuns(t *testing.T) {
	const seed = "104"
	t.Logf("seed %s", seed)
	data := t.TempDir()
	out, errs, code := program(t, "--data", data, "demo", "--headless", "--shots", "4", "--seed", seed, "--json")
	if code != 0 {
		t.Fatalf("exit %d\n%s", code, errs)
	}
	shots := demoShots(t, out)
	st, err := store.Open(data, store.Options{BallastBytes: -1})
	if err != nil {
		t.Fatal(err)
	}
	defer st.Close()
	room := newBackroom()
	ctx, stop := context.WithCancel(context.Background())
	ended := make(chan struct{})
	go func() { room.run(ctx); close(ended) }()
	defer func() { stop(); <-ended }()
	d := newLotsDesk(st, room)
	row := func(name string) dashboard.LotRow {
		t.Helper()
		rows, err := d.Lots(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		for _, r := range rows {
			if r.Lot == name {
				return r
			}
		}
		t.Fatalf("no lot %s", name)
		return dashboard.LotRow{}
	}
	first := shots[0].truth
	lotName, _, _ := strings.Cut(first.Specimen, "-0"+first.Specimen[len(first.Specimen)-1:])
	ms, err := st.Runs(store.Filter{})
	if err != nil {
		t.Fatal(err)
	}
	runs, used := 0, map[string]bool{} // a shot before which the bench tripped has two runs
	for i := range ms {
		if counts(&ms[i]) {
			runs++
			used[ms[i].Specimen] = ms[i].Lot == lotName
		}
	}
	maps.DeleteFunc(used, func(_ string, here bool) bool { return !here })
	r := row(lotName)
	if r.Specimens != 30 || r.Runs < 1 || r.Unused != 30-len(used) || r.Awaiting != 0 || r.Simulated != r.Runs || len(r.Lines) != 1 || r.Lines[0].Low == nil || r.Lines[0].Sentence == "" {
		t.Errorf("%+v", r)
	}
	if len(d.known) != runs || runs < 4 {
		t.Errorf("%d runs remembered, want %d", len(d.known), runs)
	}
	before, left := r.Lines[0].N, len(r.Lines[0].Left)
	reg := registry{st, func(who string) store.By { return store.By{Who: dashboard.Attributed(who), AtUTC: 1} }}
	if err := reg.Review(t.Context(), record.Review{Run: first.Run, Ruling: record.RuledInvalid, Reason: "clamp slipped", Who: "Noor"}); err != nil {
		t.Fatal(err)
	}
	r = row(lotName)
	if l := r.Lines[0]; l.N != before-1 || r.Excluded != 1 || len(l.Left) != left+1 || !slipped(l) {
		t.Errorf("%+v", r)
	}
	agrees(t, data, lotName, &r.Lines[0])
	var named []string
	for _, s := range shots[:3] { // a lot of each feature
		id := s.truth.Specimen
		named = append(named, id[:strings.LastIndex(id, "-")])
	}
	said, errs, code := program(t, append([]string{"--data", data, "lot", "--order", strings.Join(named, ",")}, named...)...)
	if code != 0 || !strings.Contains(said, "order of top vents") || !strings.Contains(said, named[0]+" ") || !strings.Contains(said, named[2]+" ") {
		t.Errorf("lots %v side by side: exit %d, %s\n%s", named, code, errs, said)
	}
	if _, errs, code = program(t, "--data", data, "lot", named[0], "Z-9"); code != exitWrong || !strings.Contains(errs, `"Z-9"`) || !strings.Contains(errs, named[0]) {
		t.Errorf("an unknown lot beside a known one: exit %d, %s", code, errs)
	}
	doc, err := d.LotReport(t.Context(), dashboard.LotAsk{Lots: []string{lotName}, Confidence: 0.95, Coverage: 0.99})
	if err != nil || doc.Banner == "" || len(doc.Answers) == 0 {
		t.Errorf("%+v %v", doc, err)
	}
	var no *dashboard.Refusal
	if _, err := d.LotReport(t.Context(), dashboard.LotAsk{Lots: []string{"none"}, Confidence: 0.95, Coverage: 0.99}); !errors.As(err, &no) {
		t.Errorf("%v", err)
	}
	if _, err := d.LotReport(t.Context(), dashboard.LotAsk{Lots: []string{lotName}, Confidence: 0.95, Coverage: 0.99, Pool: []string{"colour"}}); len(fieldsOf(t, err)) != 1 {
		t.Errorf("%v", err)
	}
	if _, _, err := reg.Intake(t.Context(), "", "l.csv", strings.NewReader("id,lot,feature\n"+first.Specimen+",B,bottom vent\n")); err == nil || !strings.Contains(err.Error(), "l.csv:2: id") {
		t.Errorf("%v", err)
	}
}

// A run that begins while the list is asked for is no trouble of the list.
func TestLotsWhileARunBegins(t *testing.T) {
	st, err := store.Open(t.TempDir(), store.Options{BallastBytes: -1})
	if err != nil {
		t.Fatal(err)
	}
	defer st.Close()
	run, err := st.Create(store.Meta{ID: newRunID(time.Now()), Kind: store.KindRun, Bench: "Kiln 2", Lot: "B-0410", Specimen: "B-0410-01", Algorithm: algorithm})
	if err != nil {
		t.Fatal(err)
	}
	defer run.Close(context.WithoutCancel(t.Context()), store.End{})
	room := newBackroom()
	ctx, stop := context.WithCancel(context.Background())
	ended := make(chan struct{})
	go func() { room.run(ctx); close(ended) }()
	defer func() { stop(); <-ended }()
	if rows, err := newLotsDesk(st, room).Lots(t.Context()); err != nil {
		t.Errorf("%v: %v", rows, err)
	}
}
