package influx

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"ventward/daq"
)

// book is a stored run made of arithmetic: entry n of run R holds per points of
// one channel. It can be cut short.
type book struct {
	runs    []string
	entries uint64
	per     int
	start   int64
	step    int64
}

func (b *book) total() int { return len(b.runs) * int(b.entries) * b.per }

func (b *book) at(run int, n uint64, k int) Point {
	i := (int64(run)*int64(b.entries)+int64(n-1))*int64(b.per) + int64(k)
	return Point{T: b.start + i*b.step, V: 1e5 + float64(i%977)*0.013}
}

func (b *book) Next(_ context.Context, after Cursor, atMost int) (Batch, error) {
	run := 0
	for run < len(b.runs) && (b.runs[run] < after.Run || b.runs[run] == after.Run && after.N >= b.entries) {
		run++
	}
	if run == len(b.runs) {
		return Batch{Upto: after}, nil
	}
	out := Batch{Series: []Series{{Channel: "p1", Quantity: daq.Pressure, Reference: daq.Gauge}}}
	n := uint64(1)
	if after.Run == b.runs[run] {
		n = after.N + 1
	}
	for ; n <= b.entries && len(out.Points) < atMost; n++ {
		for k := range b.per {
			out.Points = append(out.Points, b.at(run, n, k))
		}
		out.Upto = Cursor{Run: b.runs[run], N: n, Done: n == b.entries}
	}
	return out, nil
}

func newBook(points int) *book {
	return &book{runs: []string{"20261125-090000-a", "20261125-091000-b"}, entries: uint64(points / 2 / 50), per: 50, start: 1764060000000000123, step: 100_000}
}

// desk is an InfluxDB server of which only the answers are real: it keeps the
// lines it accepts, and answers as it is told first.
type desk struct {
	*httptest.Server
	mu       sync.Mutex
	lines    map[string]int // line -> times accepted
	requests int
	answer   func(n int, lines []string) (status int, body string, header map[string]string) // status 0: accept
}

func newDesk(t *testing.T, answer func(n int, lines []string) (int, string, map[string]string)) *desk {
	d := &desk{lines: map[string]int{}, answer: answer}
	d.Server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		body, err := io.ReadAll(r.Body)
		if err != nil {
			return // cut short: a server takes none of it
		}
		lines := strings.Split(strings.TrimSuffix(string(body), "\n"), "\n")
		d.mu.Lock()
		d.requests++
		status, text, header := d.answer(d.requests, lines)
		if status == 0 {
			for _, l := range lines {
				d.lines[l]++
			}
		}
		d.mu.Unlock()
		for k, v := range header {
			w.Header().Set(k, v)
		}
		if status == 0 {
			status = http.StatusNoContent
		}
		w.WriteHeader(status)
		_, _ = io.WriteString(w, text)
	}))
	t.Cleanup(d.Close)
	return d
}

func options(t *testing.T, url string) Options {
	return Options{URL: url, Token: "anna:pw", Bucket: "lab/autogen", Bench: "K", Dir: filepath.Join(t.TempDir(), "forward"), AtOnce: 200,
		Timeout: 5 * time.Second, MinPause: time.Millisecond, MaxPause: 4 * time.Millisecond, Poll: time.Millisecond}
}

// forward runs a forwarder until done says so, and returns its last status.
func forward(t *testing.T, o Options, source Source, done func(Status) bool) Status {
	t.Helper()
	f, err := New(o, source)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- f.Run(ctx) }()
	for limit := time.Now().Add(60 * time.Second); !done(f.Status()); time.Sleep(time.Millisecond) {
		if time.Now().After(limit) {
			t.Errorf("not done after 60 s: %+v", f.Status())
			break
		}
	}
	cancel()
	if err := <-ended; err != nil {
		t.Errorf("Run: %v", err)
	}
	return f.Status()
}

func all(b *book) func(Status) bool {
	last := Cursor{Run: b.runs[len(b.runs)-1], N: b.entries, Done: true}
	return func(s Status) bool { return s.Cursor == last }
}

// complete checks that the server has every point, none altered.
func (d *desk) complete(t *testing.T, b *book, refused func(line string) bool) {
	t.Helper()
	d.mu.Lock()
	defer d.mu.Unlock()
	missing := 0
	for run := range b.runs {
		for n := uint64(1); n <= b.entries; n++ {
			for k := range b.per {
				p := b.at(run, n, k)
				line := fmt.Sprintf("pressure,bench=K,channel=p1 gauge_Pa=%v %d", p.V, p.T)
				if d.lines[line] == 0 && !(refused != nil && refused(line)) {
					missing++
				}
				delete(d.lines, line)
			}
		}
	}
	if missing > 0 || len(d.lines) > 0 {
		t.Errorf("%d points missing, %d lines that nobody sent", missing, len(d.lines))
	}
}

// TestAnswers gives each kind of answer to the first requests of a copy: no
// point may be lost, and the status must say what is wrong.
func TestAnswers(t *testing.T) {
	for _, c := range []struct {
		name   string
		status int
		body   string
		header map[string]string
		says   string
	}{
		{"401", 401, `{"code":"unauthorized","message":"unauthorized access"}`, map[string]string{"Content-Type": "application/json"}, "token_env"},
		{"403", 403, "no", nil, "rights"},
		{"404", 404, `{"code":"not found","message":"database not found: \"lab\""}`, map[string]string{"Content-Type": "application/json"}, "create the bucket"},
		{"429", 429, "", map[string]string{"Retry-After": "0"}, "pause"},
		{"500", 500, "panic", nil, "500"},
		{"503", 503, "", map[string]string{"Retry-After": "0"}, "503"},
		{"not JSON", 500, "<html>", map[string]string{"Content-Type": "application/json"}, "500"},
		{"another web server", 200, "welcome", nil, "204"},
		{"redirect", 302, "", map[string]string{"Location": "/login"}, "204"},
	} {
		t.Run(c.name, func(t *testing.T) {
			d := newDesk(t, func(n int, _ []string) (int, string, map[string]string) {
				if n <= 4 {
					return c.status, c.body, c.header
				}
				return 0, "", nil
			})
			b := newBook(1000)
			o := options(t, d.URL)
			var said []string
			o.Notice = func(s Status) { said = append(said, s.Error) }
			s := forward(t, o, b, all(b))
			d.complete(t, b, nil)
			if s.Failures != 4 || s.Refused != 0 || s.Points != 1000 || !s.Up || s.Error != "" {
				t.Errorf("status %+v", s)
			}
			if len(said) < 2 || !strings.Contains(said[0], c.says) || said[len(said)-1] != "" {
				t.Errorf("said %q, want first something of %q and last nothing", said, c.says)
			}
		})
	}
}

func TestHang(t *testing.T) {
	release := make(chan struct{})
	d := newDesk(t, func(n int, _ []string) (int, string, map[string]string) {
		if n == 1 {
			<-release
			return 500, "", nil
		}
		return 0, "", nil
	})
	b := newBook(400)
	o := options(t, d.URL)
	o.Timeout = 50 * time.Millisecond
	failed := make(chan struct{})
	var once sync.Once
	o.Notice = func(s Status) {
		if s.Error != "" {
			once.Do(func() { close(failed) })
		}
	}
	go func() { <-failed; close(release) }()
	if s := forward(t, o, b, all(b)); s.Failures == 0 {
		t.Error("a server that hangs must count as a failure")
	}
	d.complete(t, b, nil)
}

func TestRetryAfterIsObeyed(t *testing.T) {
	_, _, after := classify(nil)
	if after != 0 {
		t.Errorf("a pause after success: %v", after)
	}
	var first, second time.Time
	d := newDesk(t, func(n int, _ []string) (int, string, map[string]string) {
		if n == 1 {
			first = time.Now()
			return 429, "slow down", map[string]string{"Retry-After": "1"}
		}
		if n == 2 {
			second = time.Now()
		}
		return 0, "", nil
	})
	b := newBook(100)
	forward(t, options(t, d.URL), b, all(b))
	if pause := second.Sub(first); pause < time.Second {
		t.Errorf("sent again after %v, the server asked for 1 s", pause)
	}
}

// poison tells the lines to which a server objects: the given part of them.
func poison(line string, part uint64) bool {
	h := uint64(14695981039346656037) // FNV-1a
	for i := range len(line) {
		h = (h ^ uint64(line[i])) * 1099511628211
	}
	return h%1000 < part
}

// TestPoison mixes lines that the server refuses into a copy: each ends in
// quarantine with the reason, all others arrive.
func TestPoison(t *testing.T) {
	for _, status := range []int{400, 422} {
		d := newDesk(t, func(_ int, lines []string) (int, string, map[string]string) {
			for _, l := range lines {
				if poison(l, 10) {
					return status, "partial write: field type conflict", nil
				}
			}
			return 0, "", nil
		})
		b := newBook(2000)
		o := options(t, d.URL)
		s := forward(t, o, b, all(b))
		bad := func(l string) bool { return poison(l, 10) }
		d.complete(t, b, bad)
		held := quarantined(t, o.Dir)
		if len(held) == 0 || uint64(len(held)) != s.Refused || s.Points+s.Refused != 2000 || !strings.Contains(s.Reason, "type conflict") {
			t.Errorf("%d in quarantine, status %+v", len(held), s)
		}
		for _, r := range held {
			if !bad(r.Line) || !strings.Contains(r.Reason, "type conflict") {
				t.Errorf("in quarantine without cause: %+v", r)
			}
		}
	}
}

func quarantined(t *testing.T, dir string) []refusal {
	t.Helper()
	data, err := os.ReadFile(filepath.Join(dir, quarantineFile))
	if err != nil {
		t.Fatal(err)
	}
	var out []refusal
	for l := range strings.Lines(string(data)) {
		var r refusal
		if err := json.Unmarshal([]byte(l), &r); err != nil {
			t.Fatal(err)
		}
		out = append(out, r)
	}
	return out
}

// TestTooMuch has a server that takes 37 lines at once.
func TestTooMuch(t *testing.T) {
	refusals := 0
	d := newDesk(t, func(_ int, lines []string) (int, string, map[string]string) {
		if len(lines) > 37 {
			refusals++
			return 413, "request body too large", nil
		}
		return 0, "", nil
	})
	b := newBook(2000)
	s := forward(t, options(t, d.URL), b, all(b))
	d.complete(t, b, nil)
	if s.Refused != 0 || refusals == 0 || refusals > 20 {
		t.Errorf("%d requests were too large, %d lines refused", refusals, s.Refused)
	}
}

// TestFullQuarantine: when a refused line can't be kept, the forwarder waits
// rather than lose it.
func TestFullQuarantine(t *testing.T) {
	d := newDesk(t, func(_ int, _ []string) (int, string, map[string]string) { return 400, "no", nil })
	b := newBook(100)
	f, err := New(options(t, d.URL), b)
	if err != nil {
		t.Fatal(err)
	}
	f.q.limit = 600
	ctx, cancel := context.WithCancel(context.Background())
	f.o.Notice = func(s Status) {
		if strings.Contains(s.Error, "quarantine") {
			cancel()
		}
	}
	if err := f.Run(ctx); err != nil {
		t.Error(err)
	}
	if s := f.Status(); s.Cursor != (Cursor{}) || s.Refused == 0 || s.Refused > 10 {
		t.Errorf("status %+v", s)
	}
	if !errors.Is(f.q.add("x", "y"), nil) && !errors.Is(f.q.add(strings.Repeat("x", 600), "y"), errFull) {
		t.Error("a full quarantine must say so")
	}
}

// TestKilledForwarder ends the forwarder at random moments, and drops the
// answer of some accepted requests: each new one goes on from the cursor, and
// in the end every point is there under its own stamp.
func TestKilledForwarder(t *testing.T) {
	const seed = 41
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	var mu sync.Mutex
	roll := func(n int) int { mu.Lock(); defer mu.Unlock(); return rng.IntN(n) }
	d := newDesk(t, func(int, []string) (int, string, map[string]string) { return 0, "", nil })
	inner := d.Config.Handler
	d.Config.Handler = http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if roll(10) == 0 { // accept, but cut the line before the answer
			inner.ServeHTTP(httptest.NewRecorder(), r)
			panic(http.ErrAbortHandler)
		}
		inner.ServeHTTP(w, r)
	})
	b := newBook(20_000)
	o := options(t, d.URL)
	for trial := 0; ; trial++ {
		f, err := New(o, b)
		if err != nil {
			t.Fatal(err)
		}
		if all(b)(f.Status()) {
			break
		}
		if trial > 200 {
			t.Fatalf("no end after %d trials: %+v", trial, f.Status())
		}
		ctx, cancel := context.WithTimeout(context.Background(), time.Duration(5+roll(40))*time.Millisecond)
		if err := f.Run(ctx); err != nil {
			t.Error(err)
		}
		cancel()
	}
	d.complete(t, b, nil)
}

func TestCursorFile(t *testing.T) {
	dir := t.TempDir()
	want := state{Cursor: Cursor{Run: "R", N: 7, Done: true}, Last: map[string]int64{"p1": 99}, Points: 3}
	if err := saveState(dir, want); err != nil {
		t.Fatal(err)
	}
	got, err := loadState(dir)
	if err != nil || got.Cursor != want.Cursor || got.Last["p1"] != 99 || got.Points != 3 {
		t.Errorf("got %+v, %v", got, err)
	}
	if err := os.WriteFile(filepath.Join(dir, cursorFile), []byte(`{"cur`), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := loadState(dir); err == nil || !strings.Contains(err.Error(), "move it away") {
		t.Errorf("a damaged cursor must say what to do, got %v", err)
	}
	if err := saveState(filepath.Join(dir, "absent"), want); err == nil {
		t.Error("a cursor can't be saved into a folder that isn't there")
	}
}

func TestNewRefuses(t *testing.T) {
	b := newBook(100)
	for _, o := range []Options{{URL: "localhost:8086", Bucket: "b", Bench: "K", Dir: t.TempDir()}, {URL: "http://127.0.0.1:1", Bench: "K", Dir: t.TempDir()}, {URL: "http://127.0.0.1:1", Bucket: "b", Dir: t.TempDir()}} {
		if _, err := New(o, b); err == nil {
			t.Errorf("%+v is accepted", o)
		}
	}
}

// failing is a source whose store can't be read at first.
type failing struct {
	*book
	times int
}

func (f *failing) Next(ctx context.Context, after Cursor, n int) (Batch, error) {
	if f.times--; f.times >= 0 {
		return Batch{}, errors.New("disk says no")
	}
	return f.book.Next(ctx, after, n)
}

func TestSourceFails(t *testing.T) {
	d := newDesk(t, func(int, []string) (int, string, map[string]string) { return 0, "", nil })
	b := newBook(400)
	o := options(t, d.URL)
	var said string
	o.Notice = func(s Status) {
		if s.Error != "" {
			said = s.Error
		}
	}
	forward(t, o, &failing{b, 3}, all(b))
	d.complete(t, b, nil)
	if !strings.Contains(said, "disk says no") {
		t.Errorf("the store's error is not told: %q", said)
	}
}
