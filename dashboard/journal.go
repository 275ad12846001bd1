package dashboard

import (
	"errors"
	"fmt"
	"net/http"
	"time"

	"ventward/stream"
)

// A Journal is what happened in a stored run besides its readings and events:
// commands with who gave them, alarms, trips, bypasses, the course of the test
// and the demands on outputs.
type Journal struct {
	Run       string
	Start     int64     // bench time of run time zero, ns
	StartUTC  time.Time // the same on the wall clock
	Algorithm int       // the trips and alarms were computed with
	Recorded  int       // the algorithm that was in force then
	Notes     []stream.Note
}

// A JournalNote is one line of a journal, in the API's units.
type JournalNote struct {
	AtS    float64  `json:"at_s"`
	UntilS *float64 `json:"until_s,omitempty"`
	noteJSON
}

type journalJSON struct {
	Run       string        `json:"run"`
	Algorithm int           `json:"algorithm"`
	Recorded  int           `json:"recorded_algorithm"`
	Notes     []JournalNote `json:"notes"`
	Total     int           `json:"total"`
	Next      uint64        `json:"next,omitempty"`
}

const (
	journalPage = 200
	maxJournal  = 1000
)

// getJournal lists a page of a stored run's journal, oldest first.
func (s *Server) getJournal(w http.ResponseWriter, r *http.Request) {
	id := r.PathValue("id")
	after, err := intQuery(r, "after", 0)
	if err != nil || after < 0 {
		problem(w, http.StatusBadRequest, fmt.Sprintf("after %.40q is not a number from 0 on", r.URL.Query().Get("after")), "give the number of the last note you know, or leave it out")
		return
	}
	limit, err := intQuery(r, "limit", journalPage)
	if err != nil || limit < 1 || limit > maxJournal {
		problem(w, http.StatusBadRequest, fmt.Sprintf("limit %.40q is not a number from 1 to %d", r.URL.Query().Get("limit"), maxJournal), fmt.Sprintf("give such a number, or leave it out for %d", journalPage))
		return
	}
	j, err := (*Journal)(nil), ErrNoRun
	if s.o.Archive != nil {
		j, err = s.o.Archive.Journal(r.Context(), id)
	}
	switch {
	case errors.Is(err, ErrNoRun):
		noRun(w, id)
	case err != nil:
		s.refused(w, r, err, "reading the journal of run "+id)
	default:
		answer(w, http.StatusOK, j.page(after, limit))
	}
}

// page is at most limit notes that follow note after.
func (j *Journal) page(after, limit int) *journalJSON {
	out := &journalJSON{Run: j.Run, Algorithm: j.Algorithm, Recorded: j.Recorded, Notes: []JournalNote{}, Total: len(j.Notes)}
	from := min(after, len(j.Notes))
	to := min(from+limit, len(j.Notes))
	for i := range j.Notes[from:to] {
		out.Notes = append(out.Notes, j.Line(from+i))
	}
	if to < len(j.Notes) {
		out.Next = uint64(to)
	}
	return out
}

// Line is note i of the journal, counted from 0.
func (j *Journal) Line(i int) JournalNote {
	n := &j.Notes[i]
	e := edge{&stream.Envelope{Start: j.Start, Wall: j.StartUTC.UnixNano() - j.Start}, nil}
	out := JournalNote{AtS: e.runS(n.At), noteJSON: e.note(n)}
	if n.Until != 0 {
		u := e.runS(n.Until)
		out.UntilS = &u
	}
	return out
}
