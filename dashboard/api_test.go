package dashboard

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"io"
	"math"
	"net/http"
	"net/http/httptest"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/rs/zerolog"

	"ventward/daq"
	"ventward/detect"
	"ventward/guard"
	"ventward/report"
	"ventward/stream"
)

func ptr[T any](v T) *T { return &v }

var channels = []daq.Channel{
	{Name: "p1", Role: daq.RoleSpecimen, Quantity: daq.Pressure, Reference: daq.Gauge},
	{Name: "t_gas", Role: daq.RoleGas, Quantity: daq.Temperature},
	{Name: "cid", Role: daq.RoleCID, Quantity: daq.Digital},
}

// A rig is a server with what it was asked to do.
type rig struct {
	*Server
	hub *stream.Hub
	mu  sync.Mutex
	got []daq.Command
	err error
}

type archive map[string][]report.Line

func (a archive) Runs(_ context.Context, limit int) ([]RunSummary, error) {
	if a == nil {
		return nil, errors.New("the disk is gone")
	}
	var out []RunSummary
	for id := range a {
		out = append(out, RunSummary{ID: id})
	}
	return out[:min(limit, len(out))], nil
}

func (a archive) Run(_ context.Context, id string) (RunSummary, []report.Line, error) {
	lines, ok := a[id]
	if !ok {
		return RunSummary{}, nil, ErrNoRun
	}
	return RunSummary{ID: id}, lines, nil
}

func (a archive) RunReport(_ context.Context, id string) (*report.Document, error) {
	switch _, ok := a[id]; {
	case id == "open":
		return nil, &Refusal{Reason: "it is still being recorded", Next: "ask again"}
	case !ok:
		return nil, ErrNoRun
	}
	return report.RunDocument(&report.Run{ID: id, Specimen: "M47-0231"}), nil
}

func (a archive) Journal(_ context.Context, id string) (*Journal, error) {
	switch _, ok := a[id]; {
	case id == "open":
		return nil, &Refusal{Reason: "it is still being recorded", Next: "ask again"}
	case !ok:
		return nil, ErrNoRun
	}
	return &Journal{Run: id, Start: 5e9, StartUTC: time.Date(2026, 3, 1, 10, 0, 5, 0, time.UTC), Algorithm: 5, Recorded: 4, Notes: []stream.Note{
		{N: 1, At: 4e9, Kind: stream.NoteCommand, What: "done", Subject: "arm", Who: "A. Rahn"},
		{N: 2, At: 8e9, Kind: stream.NoteAlarm, What: "shelved", Subject: "limit", Alarm: 4, Priority: guard.High, Who: "B. Okoro", Reason: "being mended", Until: 68e9},
		{N: 3, At: 9e9, Kind: stream.NoteOutput, What: "off", Subject: "supply"},
	}}, nil
}

// Curves are those of one channel that reads 0 to 7 bar, a sample a second, and
// fails at 4 s.
func (a archive) Curves(_ context.Context, id string, from, to float64, bins int) (*Curves, error) {
	switch _, ok := a[id]; {
	case id == "open":
		return nil, &Refusal{Reason: "it is still being recorded", Next: "ask again"}
	case !ok:
		return nil, ErrNoRun
	}
	c := &Curves{Run: id, First: 0, Last: 8, From: from, To: to, Bins: bins, Channels: []daq.Channel{{Name: "p1", Quantity: daq.Pressure, Reference: daq.Gauge}, {Name: "door"}}}
	if math.IsNaN(from) {
		c.From, c.To = c.First, c.Last
	}
	c.Traces = []*report.Envelope{report.NewEnvelope(c.From, c.To, bins), nil}
	for t := range 8 {
		if t != 4 {
			c.Traces[0].Add(float64(t), float64(t)*1e5)
		}
	}
	return c, nil
}

func newRig() *rig {
	r := &rig{hub: stream.NewHub(stream.HubOptions{Channels: channels, MaxViewers: 4})}
	r.Server = New(Options{
		Hub: r.hub, Version: "test", Log: zerolog.Nop(), Archive: archive{"r1": {{Event: "rupture", ID: 1}}},
		Command: func(_ context.Context, c daq.Command) (any, error) {
			r.mu.Lock()
			defer r.mu.Unlock()
			r.got = append(r.got, c)
			return nil, r.err
		},
		Metrics: func(w io.Writer) { io.WriteString(w, "# TYPE more gauge\nmore 1\n") },
	})
	return r
}

// ask sends one request as a client of this machine would.
func (r *rig) ask(method, path, body string, header ...string) *httptest.ResponseRecorder {
	q := httptest.NewRequest(method, "http://localhost"+path, strings.NewReader(body))
	q.RemoteAddr = "127.0.0.1:4000"
	if body != "" {
		q.Header.Set("Content-Type", "application/json")
	}
	for i := 0; i+1 < len(header); i += 2 {
		q.Header.Set(header[i], header[i+1])
	}
	w := httptest.NewRecorder()
	r.handler.ServeHTTP(w, q)
	return w
}

func fields(t *testing.T, w *httptest.ResponseRecorder) map[string]any {
	t.Helper()
	var m map[string]any
	if err := json.Unmarshal(w.Body.Bytes(), &m); err != nil {
		t.Fatalf("%v in %q", err, w.Body)
	}
	return m
}

func (r *rig) fill() {
	r.hub.State(stream.State{
		Bench: "Kiln 2", Now: 10e9, NowUTC: "2026-03-01T10:00:10Z", Phase: "under test", PhaseAt: 4e9,
		Sensors: []stream.SensorState{
			{Name: "p1", Quantity: daq.Pressure, Reference: daq.Gauge, Value: ptr(12.5e5), U: ptr(5e3), Noise: 2e3, High: 60e5, At: 10e9, Quality: "good", RateHz: 10000},
			{Name: "t_gas", Quantity: daq.Temperature, Value: ptr(23.5), At: 10e9, Quality: "good"},
			{Name: "cid", Quantity: daq.Digital, Value: ptr(1.0)},
		},
		Lines:   []stream.LineState{{Name: "fast", Up: true, Checked: true, Counters: daq.Counters{Bytes: 100, LostRows: 2}}, {Name: "amb \"1\"\n"}},
		Outputs: []stream.OutputState{{Name: "supply valve", Demanded: true, State: daq.OutputUnknown, Since: 9e9}},
		Trips:   []guard.Trip{{Rule: "limit", Tripped: true, Since: 8e9, Outputs: []int{0, 7}}},
		PeakPa:  ptr(18.49e5), TripPa: ptr(48e5),
		Features: []stream.FeatureState{{Name: "top vent", LowPa: ptr(17e5), HighPa: ptr(22e5)}},
	})
	r.hub.Run(&stream.RunState{ID: "run-1", Specimen: "M47-1", Start: 2e9}, 2e9)
	r.hub.Event(detect.Event{ID: 1, Rev: 1, Kind: detect.VentOpening, Onset: 5e9, Decided: 5.001e9})
	r.hub.Alarm(guard.Alarm{ID: 4, Rule: "limit", Priority: guard.High, State: guard.Unacknowledged, Since: 8e9, Channel: 0, Value: 48.1e5, Message: "over the limit"})
}

func TestStateAtTheEdge(t *testing.T) {
	r := newRig()
	if w := r.ask("GET", "/api/v1/state", ""); w.Code != http.StatusServiceUnavailable {
		t.Errorf("before the first state: %d", w.Code)
	}
	r.fill()
	s := fields(t, r.ask("GET", "/api/v1/state", ""))
	p := s["sensors"].([]any)[0].(map[string]any)
	o := s["outputs"].([]any)[0].(map[string]any)
	trip := s["trips"].([]any)[0].(map[string]any)
	for _, c := range []struct {
		name      string
		got, want any
	}{
		{"pressure", p["value_bar"], 12.5}, {"its uncertainty", p["u_bar"], 0.05}, {"its noise", p["noise_bar"], 0.02}, {"its range", p["high_bar"], 60.0},
		{"its time", p["at_utc"], "2026-03-01T10:00:10.000000000Z"}, {"its reference", p["reference"], "gauge"},
		{"temperature", s["sensors"].([]any)[1].(map[string]any)["value_C"], 23.5}, {"digital", s["sensors"].([]any)[2].(map[string]any)["value"], 1.0},
		{"phase since", s["phase_since_utc"], "2026-03-01T10:00:04.000000000Z"},
		{"peak", s["peak_bar"], 18.49}, {"trip limit", s["trip_bar"], 48.0}, {"reference", s["reference"], "gauge"},
		{"demanded", o["demanded"], "on"}, {"read back", o["state"], "unknown"}, {"agrees", o["agrees"], false},
		{"trip since, run time", trip["since_s"], 6.0}, {"bench time", s["now_bench_s"], 10.0},
	} {
		if c.got != c.want {
			t.Errorf("%s: %v, want %v", c.name, c.got, c.want)
		}
	}
	if out := trip["outputs"].([]any); len(out) != 1 || out[0] != "supply valve" {
		t.Errorf("outputs of the trip %v: an index outside the table must be left out", out)
	}
}

func TestEventsAndAlarmsAtTheEdge(t *testing.T) {
	r := newRig()
	r.fill()
	e := fields(t, r.ask("GET", "/api/v1/events", ""))
	if ev := e["events"].([]any)[0].(map[string]any); e["run"] != "run-1" || ev["onset_s"] != 3.0 || ev["event"] != "vent-opening" {
		t.Errorf("events %v", e)
	}
	if e := fields(t, r.ask("GET", "/api/v1/events?run=r1", "")); e["events"].([]any)[0].(map[string]any)["event"] != "rupture" {
		t.Errorf("stored events %v", e)
	}
	a := fields(t, r.ask("GET", "/api/v1/alarms", ""))["alarms"].([]any)[0].(map[string]any)
	if a["since_s"] != 6.0 || a["value_bar"] != 48.1 || a["channel"] != "p1" || a["since_utc"] != "2026-03-01T10:00:08.000000000Z" {
		t.Errorf("alarm %v", a)
	}
	if w := r.ask("GET", "/api/v1/alarms?after=x", ""); w.Code != http.StatusBadRequest {
		t.Errorf("after=x: %d", w.Code)
	}
}

func TestRuns(t *testing.T) {
	r := newRig()
	for path, code := range map[string]int{
		"/api/v1/runs": 200, "/api/v1/runs?limit=1": 200, "/api/v1/runs?limit=0": 400, "/api/v1/runs?limit=9999": 400, "/api/v1/runs?limit=x": 400,
		"/api/v1/runs/r1": 200, "/api/v1/runs/none": 404, "/api/v1/runs/none/report": 404, "/api/v1/runs/open/report": 409, "/api/v1/runs/r1/report?form=doc": 400, "/api/v1/events?run=none": 404,
	} {
		if w := r.ask("GET", path, ""); w.Code != code {
			t.Errorf("%s: %d, want %d: %s", path, w.Code, code, w.Body)
		}
	}
	if w := r.ask("GET", "/api/v1/runs/r1/report", ""); w.Code != 200 || !strings.Contains(w.Body.String(), "M47-0231") {
		t.Errorf("report: %d %.200s", w.Code, w.Body)
	}
	if w := r.ask("GET", "/api/v1/runs/r1/report?form=pdf", ""); w.Header().Get("Content-Type") != "application/pdf" || !strings.HasPrefix(w.Body.String(), "%PDF-1") {
		t.Errorf("printed report: %d %v", w.Code, w.Header())
	}
	r.o.Archive = archive(nil)
	if w := r.ask("GET", "/api/v1/runs", ""); w.Code != 500 || !strings.Contains(w.Body.String(), "the disk is gone") {
		t.Errorf("a failing archive: %d %s", w.Code, w.Body)
	}
	r.o.Archive = nil
	if w := r.ask("GET", "/api/v1/runs", ""); w.Code != 200 || !strings.Contains(w.Body.String(), `"runs":[]`) {
		t.Errorf("without an archive: %d %s", w.Code, w.Body)
	}
}

func TestCommands(t *testing.T) {
	cases := []struct {
		path, body string
		code       int
		want       daq.Command
	}{
		{"/api/v1/abort", "", 200, daq.Command{Verb: "abort", Who: "unattributed"}},
		{"/api/v1/abort", `{"who":"A. Rahn","reason":"hose"}`, 200, daq.Command{Verb: "abort", Who: "A. Rahn", Args: map[string]string{"reason": "hose"}}},
		{"/api/v1/alarms/4/acknowledge", `{}`, 200, daq.Command{Verb: "acknowledge", Who: "unattributed", Args: map[string]string{"id": "4"}}},
		{"/api/v1/runs", `{"specimen":" M47-9 ","lot":"L7","shot":3}`, 201, daq.Command{Verb: "start", Who: "unattributed", Args: map[string]string{"specimen": "M47-9", "lot": "L7", "shot": "3"}}},
		{"/api/v1/runs/current/end", "", 200, daq.Command{Verb: "end", Who: "unattributed"}},
		{"/api/v1/commands", `{"verb":"note","args":{"text":"loud"}}`, 200, daq.Command{Verb: "note", Who: "unattributed", Args: map[string]string{"text": "loud"}}},
		{"/api/v1/commands", `{"verb":"reset"}`, 200, daq.Command{Verb: "reset", Who: "unattributed"}},
		// From where a command comes is the server's to say, and the program's name is its own.
		{"/api/v1/commands", `{"verb":"note","who":"Program","args":{"at":"elsewhere"}}`, 200, daq.Command{Verb: "note", Who: "unattributed"}},
	}
	for _, c := range cases {
		r := newRig()
		w := r.ask("POST", c.path, c.body)
		if w.Code != c.code || len(r.got) != 1 {
			t.Errorf("%s %s: %d, %d commands: %s", c.path, c.body, w.Code, len(r.got), w.Body)
			continue
		}
		if c.want.Args == nil {
			c.want.Args = map[string]string{}
		}
		c.want.Args["at"] = "bench"
		got, _ := json.Marshal(r.got[0])
		want, _ := json.Marshal(c.want)
		if !bytes.Equal(got, want) {
			t.Errorf("%s %s: command %s, want %s", c.path, c.body, got, want)
		}
	}
}

func TestRefusedRequestsSayWhatToDo(t *testing.T) {
	long := strings.Repeat("x", 300)
	cases := []struct {
		name, method, path, body string
		header                   []string
		code                     int
	}{
		{"no specimen", "POST", "/api/v1/runs", `{"specimen":" "}`, nil, 422},
		{"negative shot", "POST", "/api/v1/runs", `{"specimen":"a","shot":-1}`, nil, 422},
		{"unknown field", "POST", "/api/v1/runs", `{"specimen":"a","colour":"red"}`, nil, 400},
		{"not JSON", "POST", "/api/v1/abort", `now!`, nil, 400},
		{"two objects", "POST", "/api/v1/abort", `{}{}`, nil, 400},
		{"form of another site", "POST", "/api/v1/abort", `{}`, []string{"Content-Type", "text/plain"}, 415},
		{"body too long", "POST", "/api/v1/abort", `{"who":"` + strings.Repeat("x", maxBody) + `"}`, nil, 413},
		{"name too long", "POST", "/api/v1/abort", `{"who":"` + long + `"}`, nil, 422},
		{"control character", "POST", "/api/v1/abort", `{"who":"a\u0007"}`, nil, 422},
		{"no verb", "POST", "/api/v1/commands", `{}`, nil, 422},
		{"verb with capitals", "POST", "/api/v1/commands", `{"verb":"Abort"}`, nil, 422},
		{"too many arguments", "POST", "/api/v1/commands", `{"verb":"a","args":{` + manyArgs() + `}}`, nil, 422},
		{"long argument", "POST", "/api/v1/commands", `{"verb":"a","args":{"k":"` + long + `"}}`, nil, 422},
		{"alarm id", "POST", "/api/v1/alarms/x/acknowledge", ``, nil, 400},
		{"another site", "POST", "/api/v1/abort", ``, []string{"Origin", "http://elsewhere.example"}, 403},
		{"unknown route", "GET", "/api/v1/nothing", ``, nil, 404},
		{"live without a websocket", "GET", "/api/v1/live", ``, nil, 426},
	}
	for _, c := range cases {
		r := newRig()
		w := r.ask(c.method, c.path, c.body, c.header...)
		m := fields(t, w)
		if w.Code != c.code || m["status"] != float64(c.code) || m["next"] == nil || m["next"] == "" || w.Header().Get("Content-Type") != "application/problem+json" {
			t.Errorf("%s: %d %v, want %d with what to do next", c.name, w.Code, m, c.code)
		}
		if len(r.got) != 0 {
			t.Errorf("%s: the command went through", c.name)
		}
	}
}

func manyArgs() string {
	var b strings.Builder
	for i := range maxArgs + 1 {
		b.WriteString(`,"k` + strconv.Itoa(i) + `":"v"`)
	}
	return b.String()[1:]
}

func TestARefusalOfTheBenchIsToldAsSuch(t *testing.T) {
	r := newRig()
	r.err = &Refusal{Reason: "no run is being recorded", Next: "start one"}
	w := r.ask("POST", "/api/v1/runs/current/end", "")
	if m := fields(t, w); w.Code != 409 || m["detail"] != "no run is being recorded" || m["next"] != "start one" {
		t.Errorf("%d %v", w.Code, m)
	}
	r.err = errors.New("the loop does not answer")
	if w := r.ask("POST", "/api/v1/abort", ""); w.Code != 500 || !strings.Contains(w.Body.String(), "the loop does not answer") {
		t.Errorf("%d %s", w.Code, w.Body)
	}
}

func TestStartingAndResettingOnlyAtTheBench(t *testing.T) {
	r := newRig()
	for verb, code := range map[string]int{"reset": 403, "arm": 403, "start": 403, "prepare": 403, "pressurise": 403, "exercise": 403, "bypass": 403, "end-bypass": 200,
		"out-of-service": 403, "in-service": 403, "enter": 403, "shelve": 200, "unshelve": 200, "abort": 200, "make-safe": 200, "acknowledge": 200, "end": 200} {
		q := httptest.NewRequest("POST", "http://bench.example/api/v1/commands", strings.NewReader(`{"verb":"`+verb+`"}`))
		q.RemoteAddr = "192.0.2.7:1234" // a documentation address (RFC 5737)
		q.Header.Set("Content-Type", "application/json")
		w := httptest.NewRecorder()
		r.handler.ServeHTTP(w, q)
		if w.Code != code {
			t.Errorf("%s from elsewhere: %d, want %d", verb, w.Code, code)
		}
	}
}

func TestForeignHostIsRefusedOnLoopback(t *testing.T) {
	r := newRig()
	r.local = true
	for host, code := range map[string]int{"localhost:80": 200, "127.0.0.1:8080": 200, "[::1]:8080": 200, "[::1]": 200, "localhost": 200, "elsewhere.example": 421, "127.0.0.1.elsewhere.example:80": 421} {
		q := httptest.NewRequest("GET", "/healthz", nil)
		q.Host = host
		w := httptest.NewRecorder()
		r.handler.ServeHTTP(w, q)
		if w.Code != code {
			t.Errorf("host %s: %d, want %d", host, w.Code, code)
		}
	}
}

func TestHeadersKeepOtherSitesOut(t *testing.T) {
	r := newRig()
	for _, path := range []string{"/", "/healthz", "/api/v1/openapi.json", "/no-such-file"} {
		h := r.ask("GET", path, "").Header()
		if csp := h.Get("Content-Security-Policy"); !strings.Contains(csp, "default-src 'self'") || strings.Contains(csp, "unsafe") {
			t.Errorf("%s: policy %q", path, csp)
		}
		if h.Get("X-Content-Type-Options") != "nosniff" || h.Get("X-Frame-Options") != "DENY" || h.Get("Access-Control-Allow-Origin") != "" {
			t.Errorf("%s: headers %v", path, h)
		}
	}
}

func TestHealthz(t *testing.T) {
	r := newRig()
	if w := r.ask("GET", "/healthz", ""); w.Code != 200 || fields(t, w)["version"] != "test" {
		t.Errorf("%d %s", w.Code, w.Body)
	}
	r.o.Healthy = func() error { return errors.New("the loop is silent") }
	if w := r.ask("GET", "/healthz", ""); w.Code != 503 || fields(t, w)["detail"] != "the loop is silent" {
		t.Errorf("%d %s", w.Code, w.Body)
	}
}

// TestOpenAPIDescribesEveryRoute: no route without a description, no
// description without a route, no reference to nothing.
func TestOpenAPIDescribesEveryRoute(t *testing.T) {
	var doc struct {
		OpenAPI    string                               `json:"openapi"`
		Paths      map[string]map[string]map[string]any `json:"paths"`
		Components struct {
			Schemas   map[string]any `json:"schemas"`
			Responses map[string]any `json:"responses"`
		} `json:"components"`
	}
	r := newRig()
	body := r.ask("GET", "/api/v1/openapi.json", "").Body.Bytes()
	if err := json.Unmarshal(body, &doc); err != nil {
		t.Fatal(err)
	}
	if !strings.HasPrefix(doc.OpenAPI, "3.1") {
		t.Errorf("version %q", doc.OpenAPI)
	}
	var have, want []string
	for path, methods := range doc.Paths {
		for m, op := range methods {
			have = append(have, strings.ToUpper(m)+" "+path)
			if op["operationId"] == nil || op["summary"] == nil || op["responses"] == nil {
				t.Errorf("%s %s is not described", m, path)
			}
		}
	}
	for _, x := range r.routes() {
		want = append(want, x.method+" "+x.path)
	}
	slices.Sort(have)
	slices.Sort(want)
	if !slices.Equal(have, want) {
		t.Errorf("described %v\nserved %v", have, want)
	}
	for _, m := range regexp.MustCompile(`"#/components/(\w+)/(\w+)"`).FindAllStringSubmatch(string(body), -1) {
		if (m[1] == "schemas" && doc.Components.Schemas[m[2]] == nil) || (m[1] == "responses" && doc.Components.Responses[m[2]] == nil) {
			t.Errorf("reference to nothing: %s", m[0])
		}
	}
}

// TestOpenAPIDescribesEveryField: what the state and the event line hold is in
// their schemas, so that the document does not fall behind.
func TestOpenAPIDescribesEveryField(t *testing.T) {
	var doc struct {
		Components struct {
			Schemas map[string]struct {
				Properties map[string]any `json:"properties"`
			} `json:"schemas"`
		} `json:"components"`
	}
	if err := json.Unmarshal(openAPI, &doc); err != nil {
		t.Fatal(err)
	}
	r := newRig()
	r.fill()
	s := fields(t, r.ask("GET", "/api/v1/state", ""))
	in := func(schema string, v any) {
		for k := range v.(map[string]any) {
			if _, ok := doc.Components.Schemas[schema].Properties[k]; !ok {
				t.Errorf("%s.%s is served and not described", schema, k)
			}
		}
	}
	in("State", s)
	in("Sensor", s["sensors"].([]any)[0])
	in("Instrument", s["instruments"].([]any)[0])
	in("Output", s["outputs"].([]any)[0])
	in("Note", fields(t, r.ask("GET", "/api/v1/history", ""))["notes"].([]any)[0])
	in("Alarm", fields(t, r.ask("GET", "/api/v1/alarms", ""))["alarms"].([]any)[0])
	in("Channel", fields(t, r.ask("GET", "/api/v1/channels", ""))["channels"].([]any)[0])
	line, err := json.Marshal(report.Line{})
	if err != nil {
		t.Fatal(err)
	}
	var l map[string]any
	if err := json.Unmarshal(line, &l); err != nil {
		t.Fatal(err)
	}
	in("Event", l)
}

// TestMetricsAreTheTextFormat: each line is a comment or a sample of the
// Prometheus text exposition format 0.0.4, help and type come once and first.
func TestMetricsAreTheTextFormat(t *testing.T) {
	r := newRig()
	r.fill()
	w := r.ask("GET", "/metrics", "")
	sample := regexp.MustCompile(`^([a-z_]+)(\{[a-z]+="(?:[^"\\\n]|\\["\\n])*"(?:,[a-z]+="(?:[^"\\\n]|\\["\\n])*")*\})? (\S+)$`)
	typed := map[string]bool{}
	for _, line := range strings.Split(strings.TrimSuffix(w.Body.String(), "\n"), "\n") {
		if name, ok := strings.CutPrefix(line, "# TYPE "); ok {
			name = strings.Fields(name)[0]
			if typed[name] {
				t.Errorf("%s has two types", name)
			}
			typed[name] = true
			continue
		}
		if strings.HasPrefix(line, "# HELP ") {
			continue
		}
		m := sample.FindStringSubmatch(line)
		if m == nil {
			t.Errorf("no sample: %q", line)
			continue
		}
		if !typed[m[1]] {
			t.Errorf("%s comes before its type", m[1])
		}
		if _, err := strconv.ParseFloat(m[3], 64); err != nil {
			t.Errorf("%s: %v", line, err)
		}
	}
	for _, want := range []string{`ventward_pressure_bar{channel="p1",reference="gauge"} 12.5`, `ventward_trip{rule="limit"} 1`, `ventward_instrument_up{instrument="amb \"1\"\n"} 0`, "\nmore 1\n"} {
		if !strings.Contains(w.Body.String(), want) {
			t.Errorf("no %s in the metrics", want)
		}
	}
}

func TestPageOrHowToBuildIt(t *testing.T) {
	w := newRig().ask("GET", "/", "")
	if w.Code == 200 && strings.Contains(w.Body.String(), `id="app"`) {
		return // built
	}
	if w.Code != 503 || !strings.Contains(w.Body.String(), "make web") {
		t.Errorf("%d %s", w.Code, w.Body)
	}
}

func TestPageFiles(t *testing.T) {
	h := pageHandler(mapFS{"index.html": "<p>", "assets/a-1.js": "js", "icon.svg": "<svg/>"}, []byte("<p>"))
	for _, c := range []struct {
		method, path string
		code         int
		cache, kind  string
	}{
		{"GET", "/", 200, "no-cache", "text/html"},
		{"GET", "/index.html", 200, "no-cache", "text/html"},
		{"GET", "/assets/a-1.js", 200, "public, max-age=31536000, immutable", "javascript"},
		{"GET", "/icon.svg", 200, "no-cache", "image/svg+xml"},
		{"GET", "/assets/../../secret", 404, "no-store", "problem"},
		{"GET", "/assets", 404, "no-store", "problem"},
		{"POST", "/", 405, "no-store", "problem"},
	} {
		w := httptest.NewRecorder()
		h.ServeHTTP(w, httptest.NewRequest(c.method, c.path, nil))
		if w.Code != c.code || w.Header().Get("Cache-Control") != c.cache || !strings.Contains(w.Header().Get("Content-Type"), c.kind) {
			t.Errorf("%s %s: %d %v", c.method, c.path, w.Code, w.Header())
		}
	}
}
