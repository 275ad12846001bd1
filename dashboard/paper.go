package dashboard

import (
	"errors"
	"fmt"
	"mime"
	"net/http"
	"strings"
	"time"

	"ventward/record"
	"ventward/record/sheet"
)

// Lists and entries of persons: specimens, outcomes, reviews.

// rowsBody is a problem that names the rows of a list.
type rowsBody struct {
	problemBody
	Rows []sheet.Problem `json:"rows"`
}

// maxSpecimens bounds a list of specimens.
const maxSpecimens = 2000

// registry answers where there is none.
func (s *Server) registry(w http.ResponseWriter) bool {
	if s.o.Registry == nil {
		problem(w, http.StatusNotImplemented, "this program keeps no list of specimens", "open the page of the daemon that runs the bench")
	}
	return s.o.Registry != nil
}

func (s *Server) getSpecimens(w http.ResponseWriter, r *http.Request) {
	if s.o.Registry == nil {
		answer(w, http.StatusOK, map[string]any{"specimens": []Specimen{}})
		return
	}
	q := r.URL.Query()
	limit, err := intQuery(r, "limit", 200)
	if err != nil || limit < 1 || limit > maxSpecimens || bad(q.Get("lot")) || bad(q.Get("find")) {
		problem(w, http.StatusBadRequest, fmt.Sprintf("limit is no number from 1 to %d, or lot or find is too long", maxSpecimens), "mend it, or leave it out")
		return
	}
	got, err := s.o.Registry.Specimens(r.Context(), SpecimenQuery{Lot: q.Get("lot"), Text: strings.TrimSpace(q.Get("find")), Unused: q.Get("unused") == "true", Limit: limit})
	if err != nil {
		s.refused(w, r, err, "listing the specimens")
		return
	}
	answer(w, http.StatusOK, map[string]any{"specimens": append([]Specimen{}, got...)})
}

// postIntake takes a list in: the body is the CSV itself.
func (s *Server) postIntake(w http.ResponseWriter, r *http.Request) {
	if !s.registry(w) {
		return
	}
	if t, _, err := mime.ParseMediaType(r.Header.Get("Content-Type")); err != nil || t != "text/csv" {
		problem(w, http.StatusUnsupportedMediaType, fmt.Sprintf("content type %q", r.Header.Get("Content-Type")), "send the list itself as Content-Type: text/csv")
		return
	}
	who, file := r.URL.Query().Get("who"), r.URL.Query().Get("file")
	if file == "" {
		file = "list"
	}
	if bad(who) || bad(file) {
		problem(w, http.StatusUnprocessableEntity, fmt.Sprintf("who or file is longer than %d bytes or holds control characters", maxText), "shorten it")
		return
	}
	n, ignored, err := s.o.Registry.Intake(r.Context(), Attributed(who), file, r.Body)
	if err != nil {
		s.refused(w, r, err, "taking in "+file)
		return
	}
	answer(w, http.StatusCreated, map[string]any{"specimens": n, "ignored": append([]string{}, ignored...)})
}

// Attributed is who enters something; until there are accounts nobody is known
// for certain, and nobody is the program.
func Attributed(who string) string {
	if who = strings.TrimSpace(who); who == "" || strings.EqualFold(who, "program") {
		return Unattributed
	}
	return who
}

type reasonBody struct {
	Who    string  `json:"who"`
	Reason *string `json:"reason"`
}

func (s *Server) postSetAside(w http.ResponseWriter, r *http.Request) {
	var b reasonBody
	if !s.registry(w) || !readBody(w, r, &b) {
		return
	}
	if b.Reason == nil || bad(*b.Reason) || bad(b.Who) {
		problem(w, http.StatusUnprocessableEntity, "reason is missing or too long, or who is too long", "say why in a few words; an empty reason takes the specimen back")
		return
	}
	s.entered(w, r, s.o.Registry.SetAside(r.Context(), Attributed(b.Who), r.PathValue("id"), strings.TrimSpace(*b.Reason)), "set-aside")
}

type outcomeBody struct {
	Who     string `json:"who"`
	Feature string `json:"feature"`
	Extent  string `json:"extent"`
	Remark  string `json:"remark"`
}

func (s *Server) postOutcome(w http.ResponseWriter, r *http.Request) {
	var b outcomeBody
	if !s.registry(w) || !readBody(w, r, &b) {
		return
	}
	o := record.Outcome{Run: r.PathValue("id"), Feature: b.Feature, Extent: record.Extent(b.Extent), Remark: strings.TrimSpace(b.Remark), Who: Attributed(b.Who), AtUTC: time.Now().UnixNano()}
	if err := o.Check(); err != nil {
		problem(w, http.StatusUnprocessableEntity, err.Error(), "mend it and send it again")
		return
	}
	s.entered(w, r, s.o.Registry.Outcome(r.Context(), o), "outcome")
}

type reviewBody struct {
	Who    string `json:"who"`
	Ruling string `json:"ruling"`
	Reason string `json:"reason"`
}

func (s *Server) postReview(w http.ResponseWriter, r *http.Request) {
	var b reviewBody
	if !s.registry(w) || !readBody(w, r, &b) {
		return
	}
	v := record.Review{Run: r.PathValue("id"), Ruling: record.Ruling(b.Ruling), Reason: strings.TrimSpace(b.Reason), Who: Attributed(b.Who), AtUTC: time.Now().UnixNano()}
	if err := v.Check(); err != nil {
		problem(w, http.StatusUnprocessableEntity, err.Error(), "mend it and send it again")
		return
	}
	s.entered(w, r, s.o.Registry.Review(r.Context(), v), "review")
}

func (s *Server) entered(w http.ResponseWriter, r *http.Request, err error, what string) {
	if err != nil {
		s.refused(w, r, err, what)
		return
	}
	answer(w, http.StatusOK, map[string]string{"result": what + " entered"})
}

// refused tells a "no" of what serves lists from a failure of the program.
func (s *Server) refused(w http.ResponseWriter, r *http.Request, err error, doing string) {
	var rows sheet.Problems
	var fields FieldProblems
	var no *Refusal
	var big *http.MaxBytesError
	head := func(code int, detail, next string) problemBody {
		return problemBody{Type: "about:blank", Title: http.StatusText(code), Status: code, Detail: detail, Next: next}
	}
	switch {
	case errors.As(err, &big):
		problem(w, http.StatusRequestEntityTooLarge, fmt.Sprintf("the body is longer than %d bytes", big.Limit), "split the list")
	case errors.As(err, &rows):
		next := "mend these rows and send the whole list again: nothing was taken in"
		problemWith(w, http.StatusUnprocessableEntity, rowsBody{head(http.StatusUnprocessableEntity, fmt.Sprintf("%d problems in the list", len(rows)), next), rows})
	case errors.As(err, &fields):
		problemWith(w, http.StatusUnprocessableEntity, fieldsBody{head(http.StatusUnprocessableEntity, fmt.Sprintf("%d fields are wrong", len(fields)), "mend the fields named"), fields})
	case errors.As(err, &no):
		problem(w, http.StatusConflict, no.Reason, no.Next)
	default:
		s.failed(w, r, err, doing)
	}
}
