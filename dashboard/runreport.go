package dashboard

import (
	"bytes"
	"errors"
	"fmt"
	"net/http"

	"ventward/report"
)

// getRunReport answers what a stored run came to: for the page, or as the
// printed report.
func (s *Server) getRunReport(w http.ResponseWriter, r *http.Request) {
	id, form := r.PathValue("id"), r.URL.Query().Get("form")
	if form != "" && form != "json" && form != "pdf" {
		problem(w, http.StatusBadRequest, fmt.Sprintf("form %.40q is not known", form), "ask for json or pdf")
		return
	}
	var d *report.Document
	err := ErrNoRun
	if s.o.Archive != nil {
		d, err = s.o.Archive.RunReport(r.Context(), id)
	}
	if errors.Is(err, ErrNoRun) {
		noRun(w, id)
		return
	}
	if err == nil && form == "pdf" {
		var pdf bytes.Buffer
		if err = report.WritePDF(&pdf, d); err == nil {
			w.Header().Set("Content-Type", "application/pdf")
			w.Header().Set("Cache-Control", "no-store")
			w.Write(pdf.Bytes())
			return
		}
	}
	if err == nil {
		var out *documentJSON
		if out, err = documentOf(d); err == nil {
			answer(w, http.StatusOK, out)
			return
		}
	}
	s.refused(w, r, err, "reporting run "+id)
}

func noRun(w http.ResponseWriter, id string) {
	problem(w, http.StatusNotFound, fmt.Sprintf("there is no run %q", id), "GET /api/v1/runs lists those there are")
}
