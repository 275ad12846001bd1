package dashboard

import (
	"encoding/json"
	"testing"
)

func TestJournalAtTheEdge(t *testing.T) {
	r := newRig()
	page := func(query string) (got journalJSON) {
		t.Helper()
		w := r.ask("GET", "/api/v1/runs/r1/journal"+query, "")
		if err := json.Unmarshal(w.Body.Bytes(), &got); err != nil || w.Code != 200 {
			t.Fatalf("%d %v %s", w.Code, err, w.Body)
		}
		return got
	}
	all := page("")
	if all.Run != "r1" || all.Total != 3 || len(all.Notes) != 3 || all.Next != 0 || all.Algorithm != 5 || all.Recorded != 4 {
		t.Fatalf("%+v", all)
	}
	arm, shelf, off := all.Notes[0], all.Notes[1], all.Notes[2]
	if arm.AtS != -1 || arm.AtUTC != "2026-03-01T10:00:04.000000000Z" || arm.Who != "A. Rahn" || arm.UntilS != nil {
		t.Errorf("%+v", arm)
	}
	if shelf.AtS != 3 || shelf.UntilS == nil || *shelf.UntilS != 63 || shelf.UntilUTC != "2026-03-01T10:01:08.000000000Z" || shelf.Reason != "being mended" || shelf.Priority != "high" {
		t.Errorf("%+v", shelf)
	}
	if off.Kind != "output" || off.What != "off" || off.Subject != "supply" {
		t.Errorf("%+v", off)
	}
	for after, want := range map[string][]uint64{"?limit=2": {1, 2}, "?limit=2&after=2": {3}, "?after=9": {}} {
		got := page(after)
		if len(got.Notes) != len(want) || got.Total != 3 {
			t.Errorf("%s: %+v", after, got)
		}
		for i, n := range want {
			if got.Notes[i].N != n {
				t.Errorf("%s: note %d, want %d", after, got.Notes[i].N, n)
			}
		}
		if next := got.Next; (next == 2) != (after == "?limit=2") {
			t.Errorf("%s: next %d", after, next)
		}
	}
	for path, code := range map[string]int{"r1/journal?after=-1": 400, "r1/journal?limit=0": 400, "r1/journal?limit=1001": 400, "r1/journal?limit=x": 400, "r2/journal": 404} {
		if w := r.ask("GET", "/api/v1/runs/"+path, ""); w.Code != code || fields(t, w)["next"] == "" {
			t.Errorf("%s: %d %s", path, w.Code, w.Body)
		}
	}
	r.o.Archive = archive{"open": nil}
	if w := r.ask("GET", "/api/v1/runs/open/journal", ""); w.Code != 409 {
		t.Errorf("a run that is being recorded: %d %s", w.Code, w.Body)
	}
}
