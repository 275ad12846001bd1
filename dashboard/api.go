package dashboard

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"mime"
	"net"
	"net/http"
	"strconv"
	"strings"

	_ "embed"

	"ventward/daq"
	"ventward/guard"
	"ventward/report"
)

//go:embed openapi.json
var openAPI []byte

// A route is one method and path of the API. openapi.json describes every one.
type route struct {
	method, path string
	handle       http.HandlerFunc
}

func (s *Server) routes() []route {
	return []route{
		{"GET", "/api/v1/state", s.getState},
		{"GET", "/api/v1/channels", s.getChannels},
		{"GET", "/api/v1/events", s.getEvents},
		{"GET", "/api/v1/alarms", s.getAlarms},
		{"GET", "/api/v1/history", s.getHistory},
		{"GET", "/api/v1/place", s.getPlace},
		{"POST", "/api/v1/alarms/{id}/acknowledge", s.acknowledge},
		{"GET", "/api/v1/runs", s.getRuns},
		{"POST", "/api/v1/runs", s.startRun},
		{"POST", "/api/v1/runs/current/end", s.endRun},
		{"GET", "/api/v1/runs/{id}", s.getRun},
		{"GET", "/api/v1/runs/{id}/report", s.getRunReport},
		{"GET", "/api/v1/runs/{id}/journal", s.getJournal},
		{"GET", "/api/v1/runs/{id}/curves", s.getCurves},
		{"POST", "/api/v1/runs/{id}/outcome", s.postOutcome},
		{"POST", "/api/v1/runs/{id}/review", s.postReview},
		{"GET", "/api/v1/specimens", s.getSpecimens},
		{"POST", intakePath, s.postIntake},
		{"POST", "/api/v1/specimens/{id}/set-aside", s.postSetAside},
		{"GET", "/api/v1/lots", s.getLots},
		{"GET", "/api/v1/lots/report", s.getLotReport},
		{"POST", "/api/v1/estimates/energy", s.postEnergy},
		{"POST", "/api/v1/estimates/area", s.postArea},
		{"POST", "/api/v1/estimates/mechanics", s.postMechanics},
		{"GET", "/api/v1/estimates/venting/example", s.getVentingExample},
		{"POST", ventingPath, s.postVenting},
		{"GET", "/api/v1/estimates/venting/jobs/{id}", s.getVenting},
		{"POST", "/api/v1/estimates/venting/jobs/{id}/cancel", s.cancelVenting},
		{"POST", "/api/v1/abort", s.abort},
		{"POST", "/api/v1/commands", s.postCommand},
		{"GET", "/api/v1/live", s.live},
		{"GET", "/api/v1/openapi.json", s.getOpenAPI},
		{"GET", "/healthz", s.healthz},
		{"GET", "/metrics", s.metrics},
	}
}

func (s *Server) unknownRoute(w http.ResponseWriter, r *http.Request) {
	problem(w, http.StatusNotFound, r.Method+" "+r.URL.Path+" is not part of this API", "read /api/v1/openapi.json")
}

func (s *Server) getOpenAPI(w http.ResponseWriter, _ *http.Request) {
	w.Header().Set("Content-Type", "application/json")
	w.Header().Set("Cache-Control", "no-cache")
	w.Write(openAPI)
}

func (s *Server) healthz(w http.ResponseWriter, _ *http.Request) {
	if s.o.Healthy != nil {
		if err := s.o.Healthy(); err != nil {
			problem(w, http.StatusServiceUnavailable, err.Error(), "look at the page and the log")
			return
		}
	}
	answer(w, http.StatusOK, map[string]string{"status": "ok", "version": s.o.Version})
}

func (s *Server) getState(w http.ResponseWriter, _ *http.Request) {
	e := s.o.Hub.Snapshot(-1)
	if e.State == nil {
		problem(w, http.StatusServiceUnavailable, "the bench has not reported its state yet", "ask again in a second")
		return
	}
	answer(w, http.StatusOK, edge{e, s.o.Hub.Channels()}.state())
}

func (s *Server) getChannels(w http.ResponseWriter, _ *http.Request) {
	answer(w, http.StatusOK, map[string]any{"channels": channelTable(s.o.Hub.Channels())})
}

func (s *Server) getEvents(w http.ResponseWriter, r *http.Request) {
	if id := r.URL.Query().Get("run"); id != "" {
		run, lines, ok := s.archived(w, r, id)
		if ok {
			answer(w, http.StatusOK, map[string]any{"run": run.ID, "events": lines})
		}
		return
	}
	e := s.o.Hub.Snapshot(-1)
	out := map[string]any{"events": edge{e, s.o.Hub.Channels()}.events()}
	if e.Run != nil {
		out["run"] = e.Run.ID
	}
	answer(w, http.StatusOK, out)
}

func (s *Server) getAlarms(w http.ResponseWriter, r *http.Request) {
	after, err := intQuery(r, "after", -1)
	if err != nil {
		problem(w, http.StatusBadRequest, err.Error(), "give the id of the last alarm you know, or leave it out")
		return
	}
	e := s.o.Hub.Snapshot(after)
	answer(w, http.StatusOK, map[string]any{"alarms": edge{e, s.o.Hub.Channels()}.alarms()})
}

const maxRuns = 1000

func (s *Server) getRuns(w http.ResponseWriter, r *http.Request) {
	limit, err := intQuery(r, "limit", 100)
	if err != nil || limit < 1 || limit > maxRuns {
		problem(w, http.StatusBadRequest, fmt.Sprintf("limit %q is not a number from 1 to %d", r.URL.Query().Get("limit"), maxRuns), "give such a number, or leave it out for 100")
		return
	}
	runs := []RunSummary{}
	if s.o.Archive != nil {
		got, err := s.o.Archive.Runs(r.Context(), limit)
		if err != nil {
			s.failed(w, r, err, "listing the runs")
			return
		}
		runs = append(runs, got...)
	}
	answer(w, http.StatusOK, map[string]any{"runs": runs})
}

func (s *Server) getRun(w http.ResponseWriter, r *http.Request) {
	run, lines, ok := s.archived(w, r, r.PathValue("id"))
	if ok {
		answer(w, http.StatusOK, map[string]any{"run": run, "events": lines})
	}
}

func (s *Server) archived(w http.ResponseWriter, r *http.Request, id string) (RunSummary, []report.Line, bool) {
	err := ErrNoRun
	var run RunSummary
	var lines []report.Line
	if s.o.Archive != nil {
		run, lines, err = s.o.Archive.Run(r.Context(), id)
	}
	switch {
	case errors.Is(err, ErrNoRun):
		noRun(w, id)
	case err != nil:
		s.failed(w, r, err, "reading run "+id)
	}
	if lines == nil {
		lines = []report.Line{}
	}
	return run, lines, err == nil
}

func (s *Server) failed(w http.ResponseWriter, r *http.Request, err error, doing string) {
	s.o.Log.Error().Err(err).Str("path", r.URL.Path).Msg(doing)
	problem(w, http.StatusInternalServerError, doing+": "+err.Error(), "look at the program's log")
}

func intQuery(r *http.Request, key string, def int) (int, error) {
	v := r.URL.Query().Get(key)
	if v == "" {
		return def, nil
	}
	n, err := strconv.Atoi(v)
	if err != nil {
		return 0, fmt.Errorf("%s %q is not a whole number", key, v)
	}
	return n, nil
}

// Commands.

const (
	// Unattributed is who did something without a name.
	Unattributed = "unattributed"
	maxText      = 200 // bytes of a name or argument
	maxArgs      = 32
)

// benchOnly are the verbs that are taken only from the bench's own machine: those
// that the guard says, and what begins a record.
var benchOnly = func() map[string]bool {
	verbs := map[string]bool{"start": true, "record": true}
	for _, v := range guard.BenchOnly() {
		verbs[v] = true
	}
	return verbs
}()

type commandBody struct {
	Verb string            `json:"verb"`
	Who  string            `json:"who"`
	Args map[string]string `json:"args"`
}

func (s *Server) postCommand(w http.ResponseWriter, r *http.Request) {
	var b commandBody
	if readBody(w, r, &b) {
		s.command(w, r, daq.Command{Verb: b.Verb, Who: b.Who, Args: b.Args}, http.StatusOK)
	}
}

type runBody struct {
	Who      string `json:"who"`
	Specimen string `json:"specimen"`
	Lot      string `json:"lot"`
	Shot     int    `json:"shot"`
}

func (s *Server) startRun(w http.ResponseWriter, r *http.Request) {
	var b runBody
	if !readBody(w, r, &b) {
		return
	}
	if strings.TrimSpace(b.Specimen) == "" {
		problem(w, http.StatusUnprocessableEntity, "specimen is empty", "name the specimen as its label says")
		return
	}
	if b.Shot < 0 {
		problem(w, http.StatusUnprocessableEntity, fmt.Sprintf("shot %d is negative", b.Shot), "count shots from 1, or leave it out")
		return
	}
	args := map[string]string{"specimen": strings.TrimSpace(b.Specimen)}
	if lot := strings.TrimSpace(b.Lot); lot != "" {
		args["lot"] = lot
	}
	if b.Shot > 0 {
		args["shot"] = strconv.Itoa(b.Shot)
	}
	s.command(w, r, daq.Command{Verb: "start", Who: b.Who, Args: args}, http.StatusCreated)
}

type whoBody struct {
	Who    string `json:"who"`
	Reason string `json:"reason"`
}

func (s *Server) endRun(w http.ResponseWriter, r *http.Request) { s.simple(w, r, "end", nil) }

func (s *Server) abort(w http.ResponseWriter, r *http.Request) { s.simple(w, r, "abort", nil) }

func (s *Server) acknowledge(w http.ResponseWriter, r *http.Request) {
	id, err := strconv.Atoi(r.PathValue("id"))
	if err != nil || id < 1 {
		problem(w, http.StatusBadRequest, fmt.Sprintf("alarm id %q is not a positive whole number", r.PathValue("id")), "GET /api/v1/alarms lists the ids")
		return
	}
	s.simple(w, r, "acknowledge", map[string]string{"id": strconv.Itoa(id)})
}

func (s *Server) simple(w http.ResponseWriter, r *http.Request, verb string, args map[string]string) {
	var b whoBody
	if !readBody(w, r, &b) {
		return
	}
	if b.Reason != "" {
		if args == nil {
			args = map[string]string{}
		}
		args["reason"] = b.Reason
	}
	s.command(w, r, daq.Command{Verb: verb, Who: b.Who, Args: args}, http.StatusOK)
}

// command checks a command's form and hands it on. What it means, and whether
// it may be done now, is for the loop to say.
func (s *Server) command(w http.ResponseWriter, r *http.Request, c daq.Command, done int) {
	if strings.TrimSpace(c.Who) == "" {
		c.Who = Unattributed
	}
	place(&c, r)
	if why := malformed(c); why != "" {
		problem(w, http.StatusUnprocessableEntity, why, "see /api/v1/openapi.json for what a command holds")
		return
	}
	if benchOnly[c.Verb] && !fromHere(r) {
		problem(w, http.StatusForbidden, c.Verb+" is taken only at the bench itself", "go to the bench's own screen")
		return
	}
	if s.o.Command == nil {
		problem(w, http.StatusNotImplemented, "this program takes no commands", "open the page of the daemon that runs the bench")
		return
	}
	result, err := s.o.Command(r.Context(), c)
	var no *Refusal
	switch {
	case errors.As(err, &no):
		problem(w, http.StatusConflict, no.Reason, no.Next)
	case err != nil:
		s.failed(w, r, err, c.Verb)
	default:
		if result == nil {
			result = map[string]string{"verb": c.Verb, "result": "taken"}
		}
		answer(w, done, result)
	}
}

// place says from where a command comes, whatever the client says of it, and
// keeps the program's own name for the program.
func place(c *daq.Command, r *http.Request) {
	if strings.EqualFold(strings.TrimSpace(c.Who), "program") {
		c.Who = Unattributed
	}
	args := map[string]string{}
	for k, v := range c.Args {
		args[k] = v
	}
	args["at"] = "remote"
	if fromHere(r) {
		args["at"] = "bench"
	}
	c.Args = args
}

// malformed tells what is wrong with the form of a command; empty: nothing.
func malformed(c daq.Command) string {
	if c.Verb == "" || len(c.Verb) > 32 || strings.Trim(c.Verb, "abcdefghijklmnopqrstuvwxyz-") != "" {
		return fmt.Sprintf("verb %.40q is not a word of lower-case letters", c.Verb)
	}
	if bad(c.Who) {
		return fmt.Sprintf("who is longer than %d bytes or holds control characters", maxText)
	}
	if len(c.Args) > maxArgs {
		return fmt.Sprintf("%d arguments are more than %d", len(c.Args), maxArgs)
	}
	for k, v := range c.Args {
		if k == "" || bad(k) || bad(v) {
			return fmt.Sprintf("argument %.40q is longer than %d bytes or holds control characters", k, maxText)
		}
	}
	return ""
}

func bad(s string) bool {
	return len(s) > maxText || strings.ContainsFunc(s, func(r rune) bool { return r < ' ' || r == 0x7f || r == '\uFFFD' })
}

func fromHere(r *http.Request) bool {
	host, _, err := net.SplitHostPort(r.RemoteAddr)
	if err != nil {
		return false
	}
	ip := net.ParseIP(host)
	return ip != nil && ip.IsLoopback()
}

// readBody reads a JSON object; an empty body is an empty object. It has
// answered where it returns false.
func readBody(w http.ResponseWriter, r *http.Request, v any) bool {
	d := json.NewDecoder(r.Body)
	d.DisallowUnknownFields()
	err := d.Decode(v)
	if err == io.EOF {
		return true
	}
	var big *http.MaxBytesError
	switch {
	case errors.As(err, &big):
		problem(w, http.StatusRequestEntityTooLarge, fmt.Sprintf("the body is longer than %d bytes", big.Limit), "send less")
		return false
	case err != nil:
		problem(w, http.StatusBadRequest, "the body is not the JSON object expected: "+err.Error(), "see /api/v1/openapi.json")
		return false
	}
	if d.More() {
		problem(w, http.StatusBadRequest, "the body holds more than one JSON value", "send one object")
		return false
	}
	if t, _, err := mime.ParseMediaType(r.Header.Get("Content-Type")); err != nil || t != "application/json" {
		problem(w, http.StatusUnsupportedMediaType, fmt.Sprintf("content type %q", r.Header.Get("Content-Type")), "send Content-Type: application/json")
		return false
	}
	return true
}
