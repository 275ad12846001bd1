package dashboard

import (
	"context"
	"fmt"
	"net/http"
	"strings"

	"ventward/report"
)

// A FieldProblem is one thing wrong with one input, and what to do.
type FieldProblem struct {
	Field string `json:"field"`
	Value string `json:"value,omitempty"`
	Next  string `json:"next"`
}

// FieldProblems is everything wrong with what was asked.
type FieldProblems []FieldProblem

func (p FieldProblems) Error() string {
	lines := make([]string, len(p))
	for i := range p {
		lines[i] = strings.TrimSpace(p[i].Field + " " + p[i].Value + ": " + p[i].Next)
	}
	return strings.Join(lines, "\n")
}

type fieldsBody struct {
	problemBody
	Fields []FieldProblem `json:"fields"`
}

// A VentingAsk is a case of estimate venting and how it is to be computed.
type VentingAsk struct {
	Case       string  `json:"case"` // TOML, as ventward estimate venting reads
	Compare    bool    `json:"compare"`
	Trials     int     `json:"trials"`
	Seed       uint64  `json:"seed"`
	Confidence float64 `json:"confidence"`
}

// A Job is an estimate that takes a while.
type Job struct {
	ID    string  `json:"id"`
	State string  `json:"state"` // waiting, running, done, cancelled or failed
	Part  float64 `json:"part"`  // of the work that is done, 0 to 1
	Held  bool    `json:"held"`  // it waits because the bench needs the computer
	Why   string  `json:"why,omitempty"`

	Document *report.Document `json:"-"` // once it is done
}

// States of a job.
const (
	JobWaiting   = "waiting"
	JobRunning   = "running"
	JobDone      = "done"
	JobCancelled = "cancelled"
	JobFailed    = "failed"
)

// Estimates is what the calculators page asks. FieldProblems name inputs that
// are wrong, a *Refusal is a "no".
type Estimates interface {
	// Energy, Area and Mechanics take inputs by name and answer in the JSON of ventward
	// estimate.
	Energy(ctx context.Context, in map[string]any) (any, error)
	Area(ctx context.Context, in map[string]any) (any, error)
	Mechanics(ctx context.Context, in map[string]any) (any, error)
	// Example is a commented case.
	Example() string
	// Start queues an estimate of venting; it never holds up the bench.
	Start(ctx context.Context, ask VentingAsk) (Job, error)
	Job(id string) (Job, bool)
	Cancel(id string) (Job, bool)
}

func (s *Server) estimates(w http.ResponseWriter) bool {
	if s.o.Estimates == nil {
		problem(w, http.StatusNotImplemented, "this program computes no estimates", "use ventward estimate, or the page of the daemon")
	}
	return s.o.Estimates != nil
}

func (s *Server) postEnergy(w http.ResponseWriter, r *http.Request) {
	s.estimate(w, r, func(e Estimates, in map[string]any) (any, error) { return e.Energy(r.Context(), in) })
}

func (s *Server) postArea(w http.ResponseWriter, r *http.Request) {
	s.estimate(w, r, func(e Estimates, in map[string]any) (any, error) { return e.Area(r.Context(), in) })
}

func (s *Server) postMechanics(w http.ResponseWriter, r *http.Request) {
	s.estimate(w, r, func(e Estimates, in map[string]any) (any, error) { return e.Mechanics(r.Context(), in) })
}

func (s *Server) estimate(w http.ResponseWriter, r *http.Request, compute func(Estimates, map[string]any) (any, error)) {
	in := map[string]any{}
	if !s.estimates(w) || !readBody(w, r, &in) {
		return
	}
	got, err := compute(s.o.Estimates, in)
	if err != nil {
		s.refused(w, r, err, "estimating")
		return
	}
	answer(w, http.StatusOK, got)
}

func (s *Server) getVentingExample(w http.ResponseWriter, _ *http.Request) {
	if s.estimates(w) {
		answer(w, http.StatusOK, map[string]string{"case": s.o.Estimates.Example()})
	}
}

// Bounds of an estimate of venting asked for on the page.
const (
	MaxTrials = 20000
	maxCase   = 64 << 10
)

func (s *Server) postVenting(w http.ResponseWriter, r *http.Request) {
	ask := VentingAsk{Trials: 200, Seed: 1, Confidence: 0.95}
	if !s.estimates(w) || !readBody(w, r, &ask) {
		return
	}
	var wrong FieldProblems
	if ask.Trials < 0 || ask.Trials > MaxTrials {
		wrong = append(wrong, FieldProblem{"trials", fmt.Sprint(ask.Trials), fmt.Sprintf("give from 0 (none) to %d", MaxTrials)})
	}
	if !(ask.Confidence > 0 && ask.Confidence < 1) {
		wrong = append(wrong, FieldProblem{"confidence", fmt.Sprint(ask.Confidence), "give a number between 0 and 1, like 0.95"})
	}
	if strings.TrimSpace(ask.Case) == "" || len(ask.Case) > maxCase {
		wrong = append(wrong, FieldProblem{"case", "", fmt.Sprintf("is empty or longer than %d bytes: give a case as ventward estimate venting reads", maxCase)})
	}
	if len(wrong) > 0 {
		s.refused(w, r, wrong, "")
		return
	}
	j, err := s.o.Estimates.Start(r.Context(), ask)
	if err != nil {
		s.refused(w, r, err, "estimating")
		return
	}
	answer(w, http.StatusAccepted, j)
}

func (s *Server) getVenting(w http.ResponseWriter, r *http.Request) {
	if !s.estimates(w) {
		return
	}
	j, ok := s.o.Estimates.Job(r.PathValue("id"))
	s.job(w, r, j, ok)
}

func (s *Server) cancelVenting(w http.ResponseWriter, r *http.Request) {
	if !s.estimates(w) {
		return
	}
	j, ok := s.o.Estimates.Cancel(r.PathValue("id"))
	s.job(w, r, j, ok)
}

func (s *Server) job(w http.ResponseWriter, r *http.Request, j Job, ok bool) {
	if !ok {
		problem(w, http.StatusNotFound, "there is no such estimate; only the newest are kept", "ask for it anew")
		return
	}
	out := struct {
		Job
		Document *documentJSON `json:"document,omitempty"`
	}{Job: j}
	if j.Document != nil {
		d, err := documentOf(j.Document)
		if err != nil {
			s.failed(w, r, err, "drawing the estimate")
			return
		}
		out.Document = d
	}
	answer(w, http.StatusOK, out)
}
