package dashboard

import (
	"context"
	"fmt"
	"net/http"
	"slices"
	"strconv"

	"ventward/report"
)

// A LotRow is one lot: what came in, what was shot, and what can be said of it.
type LotRow struct {
	Lot       string `json:"lot"`
	Runs      int    `json:"runs"`
	Simulated int    `json:"simulated"` // runs on a simulated bench
	Specimens int    `json:"specimens"` // taken in
	Unused    int    `json:"unused"`
	Excluded  int    `json:"excluded"`
	Awaiting  int    `json:"awaiting_outcome"`
	FirstUTC  string `json:"first_utc,omitempty"`
	LastUTC   string `json:"last_utc,omitempty"`
	// Lines hold one line a feature and set of conditions; none: nothing was shot.
	Lines []report.LotLine `json:"lines"`
}

// LotAsk is what a report of lots is asked with.
type LotAsk struct {
	Lots       []string
	Confidence float64
	Coverage   float64
	Pool       []string // conditions to pool although they differ
	Together   bool     // the lots' features belong to one cell: opening order across them
}

// Lots is what the dashboard needs of the lots. Errors are as a Registry's.
type Lots interface {
	Lots(ctx context.Context) ([]LotRow, error)
	LotReport(ctx context.Context, ask LotAsk) (*report.Document, error)
}

// maxLots bounds the lots of one report.
const maxLots = 24

func (s *Server) lots(w http.ResponseWriter) bool {
	if s.o.Lots == nil {
		problem(w, http.StatusNotImplemented, "this program keeps no lots", "open the page of the daemon that runs the bench")
	}
	return s.o.Lots != nil
}

func (s *Server) getLots(w http.ResponseWriter, r *http.Request) {
	if s.o.Lots == nil {
		answer(w, http.StatusOK, map[string]any{"lots": []LotRow{}})
		return
	}
	rows, err := s.o.Lots.Lots(r.Context())
	if err != nil {
		s.refused(w, r, err, "describing the lots")
		return
	}
	answer(w, http.StatusOK, map[string]any{"lots": append([]LotRow{}, rows...)})
}

func (s *Server) getLotReport(w http.ResponseWriter, r *http.Request) {
	if !s.lots(w) {
		return
	}
	q := r.URL.Query()
	ask := LotAsk{Lots: q["lot"], Pool: q["pool"], Together: q.Get("together") == "true"}
	var wrong FieldProblems
	switch {
	case len(ask.Lots) == 0:
		wrong = append(wrong, FieldProblem{"lot", "", "is missing: name one lot or more"})
	case len(ask.Lots) > maxLots || slices.ContainsFunc(ask.Lots, bad):
		wrong = append(wrong, FieldProblem{"lot", "", fmt.Sprintf("more than %d lots, or a name that is too long: choose fewer", maxLots)})
	}
	ask.Confidence = fraction(q.Get("confidence"), 0.95, "confidence", &wrong)
	ask.Coverage = fraction(q.Get("coverage"), 0.99, "coverage", &wrong)
	if len(wrong) > 0 {
		s.refused(w, r, wrong, "")
		return
	}
	d, err := s.o.Lots.LotReport(r.Context(), ask)
	if err == nil {
		var out *documentJSON
		if out, err = documentOf(d); err == nil {
			answer(w, http.StatusOK, out)
			return
		}
	}
	s.refused(w, r, err, "describing the lots")
}

// fraction reads a number between 0 and 1.
func fraction(text string, def float64, field string, wrong *FieldProblems) float64 {
	if text == "" {
		return def
	}
	v, err := strconv.ParseFloat(text, 64)
	if err != nil || !(v > 0 && v < 1) {
		*wrong = append(*wrong, FieldProblem{field, text, "is no number between 0 and 1: give one like 0.95"})
	}
	return v
}
