package dashboard

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"sync"
	"time"

	"github.com/gorilla/websocket"
	"github.com/rs/zerolog"

	"ventward/daq"
	"ventward/record"
	"ventward/report"
	"ventward/stream"
)

// ErrNoRun is what an Archive answers when it has no run of that name.
var ErrNoRun = errors.New("no such run")

// RunSummary is a stored run as lists show it.
type RunSummary struct {
	ID          string  `json:"id"`
	Specimen    string  `json:"specimen"`
	Lot         string  `json:"lot,omitempty"`
	Shot        int     `json:"shot,omitempty"`
	StartUTC    string  `json:"start_utc"` // RFC 3339
	DurationS   float64 `json:"duration_s"`
	Events      *int    `json:"events,omitempty"` // of one run; a list doesn't count them
	Open        bool    `json:"open"`             // being recorded
	Interrupted bool    `json:"interrupted"`      // ended by a crash or loss of power
}

// Archive is what the dashboard needs of the store.
type Archive interface {
	// Runs lists the newest runs first, at most limit of them.
	Runs(ctx context.Context, limit int) ([]RunSummary, error)
	// Run returns one run and the newest revision of each of its events, or
	// ErrNoRun.
	Run(ctx context.Context, id string) (RunSummary, []report.Line, error)
	// RunReport is what a stored run came to, or ErrNoRun, or a *Refusal.
	RunReport(ctx context.Context, id string) (*report.Document, error)
	// Journal is what happened in a run that has ended, or ErrNoRun, or a
	// *Refusal. Its notes are numbered from 1 without holes.
	Journal(ctx context.Context, id string) (*Journal, error)
	// Curves are the readings of a run that has ended, between two times (s from
	// its time zero; NaN: as far as it was recorded) in so many stretches, or
	// ErrNoRun, or a *Refusal.
	Curves(ctx context.Context, id string, from, to float64, bins int) (*Curves, error)
}

// A Refusal is a command's "no": the person who asked is told why and what to
// do. Any other error of a command is a failure of the program.
type Refusal struct {
	Reason string // why not
	Next   string // what to do
}

func (r *Refusal) Error() string { return r.Reason + ": " + r.Next }

// Options describes a Server. Hub and Command are required.
type Options struct {
	Hub     *stream.Hub
	Archive Archive // nil: nothing is stored, lists are empty
	// Registry, Lots and Estimates serve the pages beside the bench's; nil: lists
	// are empty, and nothing can be entered or estimated.
	Registry  Registry
	Lots      Lots
	Estimates Estimates
	// Command hands a command to the loop and waits for its answer, which is
	// returned to the client as JSON. A *Refusal is a "no".
	Command func(context.Context, daq.Command) (any, error)
	Version string
	Log     zerolog.Logger
	// Metrics appends metrics of other packages in the Prometheus text form.
	Metrics func(io.Writer)
	// Healthy tells why the program can't do its job; nil: it can.
	Healthy func() error
}

// A Server serves one bench.
type Server struct {
	o       Options
	handler http.Handler
	hello   []byte
	upgrade websocket.Upgrader
	stop    context.Context // done: viewers are sent away
	cancel  context.CancelFunc
	viewers sync.WaitGroup
	local   bool // listens on a loopback address only
	limits  liveLimits
}

// New returns a server that is not serving yet.
func New(o Options) *Server {
	s := &Server{o: o, limits: defaultLimits}
	s.stop, s.cancel = context.WithCancel(context.Background())
	s.hello = encodeHello(o.Hub.Channels(), o.Version)
	s.upgrade = websocket.Upgrader{
		HandshakeTimeout: 5 * time.Second,
		ReadBufferSize:   512,
		WriteBufferSize:  4096 + 512,
		WriteBufferPool:  &sync.Pool{},
		CheckOrigin:      sameOrigin,
	}
	mux := http.NewServeMux()
	for _, r := range s.routes() {
		mux.HandleFunc(r.method+" "+r.path, r.handle)
	}
	mux.HandleFunc("/api/", s.unknownRoute)
	mux.Handle("/", pages())
	s.handler = s.guard(mux)
	return s
}

// Serve answers on l until ctx is done, then lets requests finish for up to
// 3 s, sends viewers away and returns. The error tells that the listener
// failed.
func (s *Server) Serve(ctx context.Context, l net.Listener) error {
	if a, ok := l.Addr().(*net.TCPAddr); ok {
		s.local = a.IP.IsLoopback()
	}
	srv := &http.Server{
		Handler:           s.handler,
		ReadHeaderTimeout: 5 * time.Second,
		ReadTimeout:       10 * time.Second,
		IdleTimeout:       60 * time.Second,
		MaxHeaderBytes:    16 << 10,
		ErrorLog:          nil,
	}
	failed := make(chan error, 1)
	go func() { failed <- srv.Serve(l) }()
	var err error
	select {
	case err = <-failed:
	case <-ctx.Done():
		end, cancel := context.WithTimeout(context.Background(), 3*time.Second)
		defer cancel()
		s.cancel()
		if srv.Shutdown(end) != nil {
			srv.Close()
		}
		err = <-failed
	}
	s.cancel()
	s.viewers.Wait()
	if errors.Is(err, http.ErrServerClosed) {
		return nil
	}
	return fmt.Errorf("serving the page on %s: %w", l.Addr(), err)
}

// maxBody bounds the body of a request in bytes; two paths take more.
const maxBody = 16 << 10

const (
	intakePath  = "/api/v1/specimens/intake"
	ventingPath = "/api/v1/estimates/venting"
)

// bodyLimit is the most that a path's request may send, bytes.
func bodyLimit(path string) int64 {
	switch path {
	case intakePath:
		return record.MaxIntakeBytes
	case ventingPath:
		return 2 * maxCase // JSON escapes what TOML doesn't
	}
	return maxBody
}

// guard sets the headers that keep other sites out and refuses requests that
// come from them. A page of another site may not read (no CORS header is ever
// sent), may not send (origin check), and may not reach a loopback listener by
// a name of its own (host check against DNS rebinding).
func (s *Server) guard(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", "default-src 'self'; img-src 'self' data:; object-src 'none'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'")
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("X-Frame-Options", "DENY")
		h.Set("Referrer-Policy", "no-referrer")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Permissions-Policy", "camera=(), microphone=(), geolocation=()")
		if s.local && !loopbackHost(r.Host) {
			problem(w, http.StatusMisdirectedRequest, "host "+r.Host+" is not this machine", "open the page by the address that the program printed")
			return
		}
		if r.Method != http.MethodGet && r.Method != http.MethodHead && !sameOrigin(r) {
			problem(w, http.StatusForbidden, "the request comes from a page of another site", "use the page that this program serves, or a client that sends no Origin")
			return
		}
		r.Body = http.MaxBytesReader(w, r.Body, bodyLimit(r.URL.Path))
		next.ServeHTTP(w, r)
	})
}

// sameOrigin tells whether a request comes from our own page or from a client
// that is no browser (it sends no Origin).
func sameOrigin(r *http.Request) bool {
	origin := r.Header.Get("Origin")
	if origin == "" {
		return true
	}
	u, err := url.Parse(origin)
	return err == nil && u.Host == r.Host
}

func loopbackHost(host string) bool {
	name, _, err := net.SplitHostPort(host)
	if err != nil {
		name = host
	}
	if name == "localhost" {
		return true
	}
	ip := net.ParseIP(name)
	if ip == nil && len(name) > 2 && name[0] == '[' {
		ip = net.ParseIP(name[1 : len(name)-1])
	}
	return ip != nil && ip.IsLoopback()
}
