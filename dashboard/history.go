package dashboard

import (
	"fmt"
	"maps"
	"net/http"
	"slices"

	"ventward/stream"
)

type noteJSON struct {
	N        uint64 `json:"n"`
	AtUTC    string `json:"at_utc"`
	Kind     string `json:"kind"` // alarm, trip, phase, command, output
	What     string `json:"what"`
	Subject  string `json:"subject"`
	Alarm    int    `json:"alarm,omitempty"`
	Priority string `json:"priority,omitempty"`
	Text     string `json:"text,omitempty"`
	Who      string `json:"who,omitempty"`
	Reason   string `json:"reason,omitempty"`
	UntilUTC string `json:"until_utc,omitempty"`
	Refused  bool   `json:"refused,omitempty"`
	First    bool   `json:"first,omitempty"`
}

// getHistory lists what happened since the program started: alarms, trips, the
// course of the test, what people asked for.
func (s *Server) getHistory(w http.ResponseWriter, r *http.Request) {
	after, err := intQuery(r, "after", 0)
	if err != nil || after < 0 {
		problem(w, http.StatusBadRequest, fmt.Sprintf("after %q is not a number from 0 on", r.URL.Query().Get("after")), "give the number of the last note you know, or leave it out")
		return
	}
	notes, total := s.o.Hub.Notes(uint64(after))
	e := edge{s.o.Hub.Snapshot(-1), s.o.Hub.Channels()}
	out := make([]noteJSON, 0, len(notes))
	for i := range notes {
		out = append(out, e.note(&notes[i]))
	}
	answer(w, http.StatusOK, map[string]any{"notes": out, "total": total})
}

func (e edge) note(n *stream.Note) noteJSON {
	return noteJSON{N: n.N, AtUTC: e.utc(n.At), Kind: string(n.Kind), What: n.What, Subject: n.Subject, Alarm: n.Alarm, Priority: string(n.Priority),
		Text: n.Text, Who: n.Who, Reason: n.Reason, UntilUTC: e.utc(n.Until), Refused: n.Refused, First: n.First}
}

// getPlace tells a client whether its commands count as given at the bench.
func (s *Server) getPlace(w http.ResponseWriter, r *http.Request) {
	at := "remote"
	if fromHere(r) {
		at = "bench"
	}
	answer(w, http.StatusOK, map[string]any{"at": at, "bench_only": slices.Sorted(maps.Keys(benchOnly))})
}
