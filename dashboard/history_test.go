package dashboard

import (
	"encoding/json"
	"net/http/httptest"
	"testing"

	"ventward/daq"
	"ventward/guard"
	"ventward/stream"
)

func TestHistoryAtTheEdge(t *testing.T) {
	r := newRig()
	r.fill()
	r.hub.Alarm(guard.Alarm{ID: 4, Rule: "limit", Priority: guard.High, State: guard.Shelved, Changed: 9e9, Until: 609e9, Who: "A. Rahn", Reason: "being mended", Message: "over the limit"})
	r.hub.Command(daq.Command{Verb: "abort", Who: "unattributed"}, nil, 9.5e9)
	w := r.ask("GET", "/api/v1/history?after=1", "")
	var got struct {
		Notes []noteJSON
		Total int
	}
	if err := json.Unmarshal(w.Body.Bytes(), &got); err != nil || w.Code != 200 {
		t.Fatalf("%d %v %s", w.Code, err, w.Body)
	}
	want := []noteJSON{
		{N: 2, AtUTC: "2026-03-01T10:00:09.000000000Z", Kind: "alarm", What: "shelved", Subject: "limit", Alarm: 4, Priority: "high", Text: "over the limit",
			Who: "A. Rahn", Reason: "being mended", UntilUTC: "2026-03-01T10:10:09.000000000Z"},
		{N: 3, AtUTC: "2026-03-01T10:00:09.500000000Z", Kind: "command", What: "done", Subject: "abort", Who: "unattributed"},
	}
	if len(got.Notes) != 2 || got.Notes[0] != want[0] || got.Notes[1] != want[1] || got.Total != 3 {
		t.Errorf("%+v of %d", got.Notes, got.Total)
	}
	for _, q := range []string{"x", "-1"} {
		if w := r.ask("GET", "/api/v1/history?after="+q, ""); w.Code != 400 || fields(t, w)["next"] == "" {
			t.Errorf("after=%s: %d %s", q, w.Code, w.Body)
		}
	}
}

func TestPlace(t *testing.T) {
	r := newRig()
	if got := fields(t, r.ask("GET", "/api/v1/place", ""))["at"]; got != "bench" {
		t.Errorf("from this machine: %v", got)
	}
	q := httptest.NewRequest("GET", "http://bench.example/api/v1/place", nil)
	q.RemoteAddr = "192.0.2.7:1234" // a documentation address (RFC 5737)
	w := httptest.NewRecorder()
	r.handler.ServeHTTP(w, q)
	if got := fields(t, w); got["at"] != "remote" || len(got["bench_only"].([]any)) != len(benchOnly) {
		t.Errorf("from elsewhere: %v", got)
	}
}

// TestSafeguardsAtTheEdge: bypass, first-out, names and shelving reach the page
// in its own units.
func TestSafeguardsAtTheEdge(t *testing.T) {
	r := newRig()
	r.hub.State(stream.State{Now: 10e9, NowUTC: "2026-03-01T10:00:10Z", Names: [2]string{"A. Rahn", ""}, Trips: []guard.Trip{
		{Rule: "limit", Tripped: true, First: true, Since: 8e9},
		{Rule: "opening", Bypassed: true, BypassUntil: 70e9, BypassWho: "B. Okoro", BypassReason: "valve swap", ProofDue: "2026-02-01", Overdue: true},
	}})
	s := fields(t, r.ask("GET", "/api/v1/state", ""))
	if n := s["names"].([]any); len(n) != 1 || n[0] != "A. Rahn" {
		t.Errorf("names %v", n)
	}
	a, b := s["trips"].([]any)[0].(map[string]any), s["trips"].([]any)[1].(map[string]any)
	if a["first"] != true || a["bypassed"] != nil || a["bypass_until_utc"] != nil {
		t.Errorf("%v", a)
	}
	if b["bypass_until_utc"] != "2026-03-01T10:01:10.000000000Z" || b["bypass_who"] != "B. Okoro" || b["bypass_reason"] != "valve swap" || b["overdue"] != true || b["proof_due"] != "2026-02-01" {
		t.Errorf("%v", b)
	}
	r.hub.Alarm(guard.Alarm{ID: 1, State: guard.Shelved, Until: 70e9, Reason: "being mended", Count: 3, Chatter: true})
	alarm := fields(t, r.ask("GET", "/api/v1/alarms", ""))["alarms"].([]any)[0].(map[string]any)
	if alarm["until_utc"] != "2026-03-01T10:01:10.000000000Z" || alarm["reason"] != "being mended" || alarm["count"] != 3.0 || alarm["chatter"] != true {
		t.Errorf("%v", alarm)
	}
}
