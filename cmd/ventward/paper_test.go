package main

import (
	"encoding/json"
	"errors"
	"math"
	"strings"
	"testing"

	"ventward/analysis/lot"
	"ventward/daq"
	"ventward/dashboard"
	"ventward/record"
	"ventward/sim"
	"ventward/store"
)

const intakeCSV = "id,lot,feature,residual_um,die,strokes\nB-1,B,bottom vent,86.5,D2,120\nB-2,B,bottom vent,87,D2,240\nT-1,T,top vent,,,\n"

func TestIntakeOnTheCommandLine(t *testing.T) {
	data, list := t.TempDir(), writeFile(t, "b.csv", intakeCSV)
	bad := writeFile(t, "bad.csv", "id,lot,feature,strokes\n,B,bottom vent,1\nB-7,B,lid,x\n")
	if _, errs, code := program(t, "--data", data, "intake", bad); code != 2 || strings.Count(errs, "bad.csv:") != 3 || !strings.Contains(errs, "bad.csv:3: strokes: \"x\"") {
		t.Errorf("exit %d\n%s", code, errs)
	}
	if out, errs, code := program(t, "--data", data, "intake", list, "--who", "Mara"); code != 0 || !strings.Contains(out, "3 specimens") {
		t.Fatalf("exit %d %s%s", code, out, errs)
	}
	if _, errs, code := program(t, "--data", data, "intake", list); code != 2 || strings.Count(errs, "came in with lot") != 3 {
		t.Errorf("twice: exit %d\n%s", code, errs)
	}
	if _, errs, code := program(t, "--data", data, "set-aside", "B-2", "--reason", "dropped"); code != 0 {
		t.Errorf("exit %d %s", code, errs)
	}
	if _, errs, code := program(t, "--data", data, "set-aside", "B-9", "--reason", "dropped"); code != 2 || !strings.Contains(errs, "no such specimen") {
		t.Errorf("exit %d %s", code, errs)
	}
	out, _, _ := program(t, "--data", data, "specimens", "--lot", "B", "--json")
	var got []dashboard.Specimen
	for _, l := range strings.Split(strings.TrimSpace(out), "\n") {
		var s dashboard.Specimen
		if err := json.Unmarshal([]byte(l), &s); err != nil {
			t.Fatal(err)
		}
		got = append(got, s)
	}
	if len(got) != 2 || got[0].Status != dashboard.Unused || *got[0].ResidualUM != 86.5 || got[1].Status != dashboard.Excluded || got[1].Reason != "dropped" {
		t.Errorf("%+v", got)
	}
	if out, errs, code := program(t, "--data", data, "audit"); code != 0 || strings.Count(out, "\n") != 3 || !strings.Contains(out, "Mara") || !strings.Contains(out, dashboard.Unattributed) {
		t.Errorf("exit %d %s%s", code, out, errs)
	}
}

// A specimen is chosen of the list; every other wish is refused with the next
// move.
func TestASpecimenIsChosen(t *testing.T) {
	st, err := store.Open(t.TempDir(), store.Options{BallastBytes: -1})
	if err != nil {
		t.Fatal(err)
	}
	defer st.Close()
	d := &daemon{o: daemonOptions{Store: st, Time: machineTime()}, loop: &loop{}}
	arm := func(args map[string]string) (daq.Command, string, error) {
		c := daq.Command{Verb: "arm", Args: args}
		id, err := d.choose(&c)
		return c, id, err
	}
	if _, id, err := arm(map[string]string{"specimen": "typed"}); err != nil || id != "" {
		t.Errorf("a bench without lists: %q %v", id, err)
	}
	rows, _, err := record.ReadSpecimens(strings.NewReader(intakeCSV), "b.csv")
	if err != nil {
		t.Fatal(err)
	}
	if err := st.AddSpecimens(d.by("Mara"), "b.csv", rows); err != nil {
		t.Fatal(err)
	}
	c, id, err := arm(map[string]string{"specimen": " B-1 ", "shot": "3"})
	if err != nil || id != "B-1" || c.Args["specimen"] != "B-1" || c.Args["lot"] != "B" || c.Args["feature"] != "bottom vent" || c.Args["shot"] != "3" {
		t.Fatalf("%q %v %v", id, c.Args, err)
	}
	if err := st.SetAside(d.by(""), "B-2", "dropped"); err != nil {
		t.Fatal(err)
	}
	refused := func(args map[string]string, words ...string) {
		t.Helper()
		_, _, err := arm(args)
		var no *dashboard.Refusal
		if !errors.As(err, &no) || no.Next == "" {
			t.Errorf("%v: %v", args, err)
			return
		}
		for _, w := range words {
			if !strings.Contains(no.Error(), w) {
				t.Errorf("%v: %q lacks %q", args, no.Error(), w)
			}
		}
	}
	refused(nil, "choose one of the list")
	refused(map[string]string{"specimen": "b-1"}, "not in the list", "there is B-1")
	refused(map[string]string{"specimen": "B-2"}, "set aside (dropped)")
	refused(map[string]string{"specimen": "B-1", "lot": "T"}, "came in with lot B")
	refused(map[string]string{"specimen": "B-1", "feature": "housing"}, "feature bottom vent")
	if err := st.Take(d.by("Mara"), "B-1", "run-1"); err != nil {
		t.Fatal(err)
	}
	refused(map[string]string{"specimen": "B-1"}, "used in run run-1 already")
	refused(map[string]string{"specimen": "T-1"}, "run-1", "no outcome yet", "Specimens and shots")
	c = daq.Command{Verb: "record"}
	if id, err := d.choose(&c); err != nil || id != "" {
		t.Errorf("a record without a shot: %q %v", id, err)
	}
}

// What persons entered decides whether a shot counts, and says why.
func TestPaperDecidesWhatCounts(t *testing.T) {
	v := 86.5e-6
	sp := &record.Specimen{ID: "B-1", Lot: "B", Feature: record.BottomVent, ResidualM: &v, Die: "D2"}
	for _, c := range []struct {
		name   string
		p      paperOf
		status lot.Status
		reason string
	}{
		{"nothing entered", paperOf{}, lot.Valid, ""},
		{"full", paperOf{outcome: &record.Outcome{Extent: record.Full, Feature: record.BottomVent}, specimen: sp}, lot.Valid, ""},
		{"partial counts", paperOf{outcome: &record.Outcome{Extent: record.Partial, Feature: record.BottomVent}, specimen: sp}, lot.Valid, ""},
		{"torn", paperOf{outcome: &record.Outcome{Extent: record.Torn, Feature: record.BottomVent, Remark: "seam"}}, lot.Invalid, "torn outside the score; seam"},
		{"another feature", paperOf{outcome: &record.Outcome{Extent: record.Full, Feature: record.TopVent}, specimen: sp}, lot.Invalid, "the top vent was found open, not the bottom vent"},
		{"nothing open", paperOf{outcome: &record.Outcome{Extent: record.Held}}, lot.Invalid, "nothing was found open"},
		{"untested", paperOf{outcome: &record.Outcome{Extent: record.Untested}}, lot.Invalid, "not tested"},
		{"invalid", paperOf{review: &record.Review{Ruling: record.RuledInvalid, Reason: "clamp slipped"}}, lot.Invalid, "invalid by review: clamp slipped"},
		{"remark", paperOf{review: &record.Review{Ruling: record.RuledRemark, Reason: "slow ramp"}}, lot.Valid, "slow ramp"},
	} {
		shots := []lot.Shot{{Lot: "B", ID: "1", Feature: record.BottomVent, Status: lot.Valid, PressurePa: 28e5}}
		apply(shots, c.p)
		if s := shots[0]; s.Status != c.status || s.Reason != c.reason || (c.p.specimen != nil) != (s.Die == "D2") {
			t.Errorf("%s: %+v", c.name, s)
		}
	}
}

// A shot in which another feature opened stays one shot, of the feature under
// test: its reason says what opened, beside what a person found.
func TestWrongFeatureIsOneShot(t *testing.T) {
	m := &store.Meta{Feature: record.BottomVent, Shot: 7}
	other := openedAt(&lot.Shot{Feature: record.TopVent, PressurePa: 17.923e5})
	s, err := heldShot(lot.Shot{Feature: m.Feature, Status: lot.Invalid, PressurePa: notAPressure()}, nil, m, other)
	if err != nil {
		t.Fatal(err)
	}
	for extent, want := range map[record.Extent]string{
		record.Full: "not the bottom vent but the top vent (17.92 bar gauge) opened, by the record",
		record.Held: "nothing was found open; not the bottom vent but the top vent (17.92 bar gauge) opened, by the record",
	} {
		shots := []lot.Shot{s}
		apply(shots, paperOf{outcome: &record.Outcome{Extent: extent, Feature: record.TopVent}})
		if shots[0].Status != lot.Invalid || shots[0].Feature != record.BottomVent || shots[0].Reason != want {
			t.Errorf("%s: %+v", extent, shots[0])
		}
	}
	if got := openedAt(&lot.Shot{Feature: record.TopVent, PressurePa: notAPressure()}); got != "the top vent" {
		t.Errorf("without a pressure: %q", got)
	}
}

// The demo's lots come in by a list like any other, delivery after delivery.
func TestDemoListIsReadable(t *testing.T) {
	const seed = 7
	t.Logf("seed %d", seed)
	for _, w := range []*sim.World{sim.DefaultWorld(seed), sim.RunawayWorld(seed)} {
		for delivery := 1; delivery <= 2; delivery++ {
			rows, ignored, err := record.ReadSpecimens(strings.NewReader(string(intakeList(w, delivery))), "d.csv")
			if err != nil || len(ignored) > 0 {
				t.Fatal(ignored, err)
			}
			pieces := 0
			for _, l := range w.Lots {
				pieces += len(l.Pieces)
			}
			if len(rows) != pieces {
				t.Errorf("%d rows for %d pieces", len(rows), pieces)
			}
			for _, r := range rows {
				if _, ok := w.Specimen(inWorld(r.ID)); !ok || (delivery == 1) != (r.ID == inWorld(r.ID)) {
					t.Errorf("%s is no piece of the world", r.ID)
				}
				if r.Feature == record.BottomVent && !(math.Abs(r.ResidualUM()-88) < 15) {
					t.Errorf("%s: %g µm", r.ID, r.ResidualUM())
				}
			}
		}
	}
}

// A shot of the demo is entered and reviewed; a second person's "invalid" takes
// it out of the lot with its reason.
func TestReviewTakesAShotOut(t *testing.T) {
	data := t.TempDir()
	out, errs, code := program(t, "--data", data, "demo", "--headless", "--shots", "1", "--seed", "103", "--json")
	if code != 0 {
		t.Fatalf("exit %d\n%s", code, errs)
	}
	shot := demoShots(t, out)[0].truth
	if _, errs, code := program(t, "--data", data, "review", shot.Run, "--ruling", "invalid"); code != 2 || !strings.Contains(errs, "no reason") {
		t.Errorf("exit %d %s", code, errs)
	}
	if _, errs, code := program(t, "--data", data, "review", shot.Run, "--ruling", "invalid", "--reason", "clamp slipped", "--who", "Noor"); code != 0 {
		t.Fatalf("exit %d %s", code, errs)
	}
	out, errs, code = program(t, "--data", data, "lot", "B-0410")
	if code != 0 || !strings.Contains(out, "invalid by review: clamp slipped") {
		t.Errorf("exit %d\n%s%s", code, out, errs)
	}
	out, _, code = program(t, "--data", data, "audit")
	if code != 0 || !strings.Contains(out, demoReviewer) || !strings.Contains(out, "invalid clamp slipped") {
		t.Errorf("exit %d\n%s", code, out)
	}
}
