package influx

import (
	"bytes"
	"context"
	"crypto/sha256"
	"fmt"
	"math/rand/v2"
	"net"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	influxdb2 "github.com/influxdata/influxdb-client-go/v2"

	"ventward/daq"
	"ventward/detect"
)

// serverBinary finds the InfluxDB 1.8 server that tools/tsdb pins.
func serverBinary(t *testing.T) string {
	t.Helper()
	if p := os.Getenv("VENTWARD_INFLUXD"); p != "" {
		return p
	}
	sum, err := os.ReadFile("../../tools/tsdb/go.sum")
	if err != nil {
		t.Fatal(err)
	}
	p := fmt.Sprintf("../../.cache/tsdb/%x/influxd", sha256.Sum256(sum))
	if _, err := os.Stat(p); err != nil {
		t.Fatalf("the database server of this test isn't built: run `make tsdb` (some minutes, once), or name an influxd 1.8 in VENTWARD_INFLUXD; %v", err)
	}
	return p
}

// server is a real InfluxDB server in folders of its own.
type server struct {
	t       *testing.T
	binary  string
	config  string
	url     string
	process *exec.Cmd
	said    *bytes.Buffer // by the process
	ended   chan struct{}
}

const serverConfig = `reporting-disabled = true
bind-address = "127.0.0.1:0"
[meta]
  dir = "%[1]s/meta"
[data]
  dir = "%[1]s/data"
  wal-dir = "%[1]s/wal"
[http]
  bind-address = "%[2]s"
  flux-enabled = true
  log-enabled = false
[monitor]
  store-enabled = false
[logging]
  level = "error"
  suppress-logo = true
`

func startServer(t *testing.T) *server {
	t.Helper()
	dir := t.TempDir()
	s := &server{t: t, binary: serverBinary(t), config: filepath.Join(dir, "influxd.conf")}
	addr := freeAddress(t)
	s.url = "http://" + addr
	if err := os.WriteFile(s.config, fmt.Appendf(nil, serverConfig, dir, addr), 0o600); err != nil {
		t.Fatal(err)
	}
	s.start()
	t.Cleanup(s.kill)
	s.create("lab")
	return s
}

// freeAddress finds a port that nobody uses and that no outgoing connection is
// given (those begin at 32768): it must be there again after a restart.
func freeAddress(t *testing.T) string {
	t.Helper()
	for range 100 {
		addr := fmt.Sprintf("127.0.0.1:%d", 20000+rand.IntN(12000))
		if l, err := net.Listen("tcp", addr); err == nil {
			if err := l.Close(); err != nil {
				t.Fatal(err)
			}
			return addr
		}
	}
	t.Fatal("no free port from 20000 to 32000")
	return ""
}

func (s *server) create(database string) {
	s.t.Helper()
	resp, err := http.PostForm(s.url+"/query", url.Values{"q": {"CREATE DATABASE " + database}})
	if err != nil {
		s.t.Fatal(err)
	}
	if err := resp.Body.Close(); err != nil || resp.StatusCode != http.StatusOK {
		s.t.Fatalf("CREATE DATABASE: %s, %v", resp.Status, err)
	}
}

func (s *server) start() {
	s.t.Helper()
	s.process, s.said, s.ended = exec.Command(s.binary, "-config", s.config), &bytes.Buffer{}, make(chan struct{})
	s.process.Stdout, s.process.Stderr = s.said, s.said
	if err := s.process.Start(); err != nil {
		s.t.Fatal(err)
	}
	go func(p *exec.Cmd, ended chan struct{}) {
		_ = p.Wait()
		close(ended)
	}(s.process, s.ended)
	for limit := time.Now().Add(60 * time.Second); ; time.Sleep(20 * time.Millisecond) {
		resp, err := http.Get(s.url + "/ping")
		if err == nil && resp.Body.Close() == nil && resp.StatusCode == http.StatusNoContent {
			return
		}
		select {
		case <-s.ended:
			s.t.Fatalf("the database server ended: %s", s.said)
		default:
		}
		if time.Now().After(limit) {
			s.t.Fatalf("the database server doesn't answer: %v", err)
		}
	}
}

// kill ends the server as a power cut would, but for the disk's own cache.
func (s *server) kill() {
	_ = s.process.Process.Kill()
	<-s.ended
}

func (s *server) signal(sig syscall.Signal) {
	if err := s.process.Process.Signal(sig); err != nil {
		s.t.Error(err)
	}
}

type reading struct {
	t int64
	v float64
}

// read gets one field of a channel back by Flux, in time order.
func (s *server) read(t *testing.T, database, measurement, channel, field string) []reading {
	t.Helper()
	c := influxdb2.NewClient(s.url, "anna:pw")
	defer c.Close()
	r, err := c.QueryAPI("").Query(context.Background(), fmt.Sprintf(`from(bucket:"%s/autogen") |> range(start: 2025-01-01T00:00:00Z, stop: 2027-01-01T00:00:00Z)
		|> filter(fn:(r)=>r._measurement==%q and r.channel==%q and r._field==%q) |> sort(columns:["_time"])`, database, measurement, channel, field))
	if err != nil {
		t.Fatal(err)
	}
	var out []reading
	for r.Next() {
		v, _ := r.Record().Value().(float64)
		out = append(out, reading{r.Record().Time().UnixNano(), v})
	}
	if r.Err() != nil {
		t.Fatal(r.Err())
	}
	return out
}

// holds compares what the server has with the book: count, every stamp to the
// ns, every value to the bit.
func (s *server) holds(t *testing.T, database string, b *book) {
	t.Helper()
	got := s.read(t, database, "pressure", "p1", "gauge_Pa")
	if len(got) != b.total() {
		t.Fatalf("the server holds %d points, %d were stored", len(got), b.total())
	}
	i, wrong := 0, 0
	for run := range b.runs {
		for n := uint64(1); n <= b.entries; n++ {
			for k := range b.per {
				if p := b.at(run, n, k); got[i].t != p.T || got[i].v != p.V {
					wrong++
				}
				i++
			}
		}
	}
	if wrong > 0 {
		t.Errorf("%d of %d points have another stamp or value", wrong, len(got))
	}
}

// TestServer copies stored runs to a real server and reads them back by Flux.
func TestServer(t *testing.T) {
	s := startServer(t)
	t.Run("copy", s.copies)
	t.Run("schema", s.schema)
	t.Run("no database", s.noDatabase)
}

// copies sends two stored runs, and then all of it once more, as after a lost
// cursor: it overwrites itself.
func (s *server) copies(t *testing.T) {
	b := newBook(20_000)
	o := options(t, s.url)
	o.AtOnce = 5000
	for range 2 {
		st := forward(t, o, b, all(b))
		if st.Refused != 0 || st.Failures != 0 || st.Points != uint64(b.total()) {
			t.Errorf("status %+v", st)
		}
		s.holds(t, "lab", b)
		o.Dir = filepath.Join(t.TempDir(), "again")
	}
}

// TestServerKilled kills the server twice (SIGKILL) and stops it once (SIGSTOP)
// in mid-copy, and replaces the forwarder once: no point is lost.
func TestServerKilled(t *testing.T) {
	s := startServer(t)
	b := newBook(20_000)
	o := options(t, s.url)
	o.AtOnce, o.Timeout, o.MaxPause = 400, time.Second, 50*time.Millisecond
	part := func(n int) func(Status) bool {
		return func(st Status) bool { return st.Points >= uint64(b.total()*n/10) }
	}
	failed := func(st Status) bool { return st.Error != "" }

	forward(t, o, b, part(2))
	killed := make(chan struct{})
	go func() { s.kill(); close(killed) }()
	forward(t, o, b, failed)
	<-killed
	s.start()
	forward(t, o, b, part(4))
	s.signal(syscall.SIGSTOP)
	forward(t, o, b, failed)
	s.signal(syscall.SIGCONT)
	forward(t, o, b, part(6))
	s.kill()
	s.start()
	st := forward(t, o, b, all(b))
	if st.Refused != 0 {
		t.Errorf("status %+v", st)
	}
	s.holds(t, "lab", b)
}

// stubborn is a source with one batch of everything a bench can say.
type stubborn struct{ batch Batch }

func (s *stubborn) Next(_ context.Context, after Cursor, _ int) (Batch, error) {
	if after == s.batch.Upto {
		return Batch{Upto: after}, nil
	}
	return s.batch, nil
}

// schema sends every measurement of the schema, and a field whose type the
// server already knows otherwise.
func (s *server) schema(t *testing.T) {
	s.create("schema")
	at := time.Date(2026, 11, 25, 9, 0, 0, 1, time.UTC).UnixNano()
	p := 18.42e5
	place := Place{Run: "R1", EpochUTC: at, Channels: []daq.Channel{{Name: "p1"}}}
	src := &stubborn{Batch{Series: channels, Upto: Cursor{Run: "R1", N: 9, Done: true}}}
	for i := range channels {
		src.batch.Points = append(src.batch.Points, Point{i, at + int64(i), float64(i) + 0.5, 0}, Point{i, at + int64(i), 1, daq.Saturated})
	}
	first := EventMark(place, detect.Event{ID: 1, Rev: 1, Kind: detect.VentOpening, Decided: 5})
	second := EventMark(place, detect.Event{ID: 1, Rev: 2, Kind: detect.VentOpening, Decided: 5, PressurePa: &p})
	odd := Mark{Measurement: "event", Channel: "p1", T: at, Fields: []Field{{"rev", "two"}}} // rev is a whole number
	src.batch.Marks = []Mark{first, second, RunMark(place, Run{Kind: "run", Start: 1}), odd}
	o := options(t, s.url)
	o.Bucket = "schema/autogen"
	st := forward(t, o, src, func(st Status) bool { return st.Cursor == src.batch.Upto })
	if st.Refused != 1 || !strings.Contains(st.Reason, "type conflict") || st.Moved != uint64(len(channels)) {
		t.Errorf("want one line refused for its type and %d stamps moved on, status %+v", len(channels), st)
	}
	for _, c := range channels {
		got := s.read(t, "schema", string(c.Quantity), c.Channel, valueField(c))
		if len(got) != 2 || got[1].t != got[0].t+1 || got[1].v != 1 {
			t.Errorf("%s: %v", c.Channel, got)
		}
		if q := s.read(t, "schema", string(c.Quantity), c.Channel, "quality"); len(q) != 1 {
			t.Errorf("%s: quality %v", c.Channel, q)
		}
	}
	if got := s.read(t, "schema", "event", "p1", "pressure_Pa"); len(got) != 1 || got[0].v != p || got[0].t != at+5+1 {
		t.Errorf("the event's revisions should stand in one point: %v", got)
	}
}

// noDatabase: the bucket is missing at first, and is created while the
// forwarder waits.
func (s *server) noDatabase(t *testing.T) {
	b := newBook(1000)
	o := options(t, s.url)
	o.Bucket = "attic/autogen"
	st := forward(t, o, b, func(st Status) bool { return st.Error != "" })
	if !strings.Contains(st.Error, "create the bucket") || st.Cursor != (Cursor{}) {
		t.Errorf("status %+v", st)
	}
	s.create("attic")
	if st = forward(t, o, b, all(b)); st.Points != 1000 {
		t.Errorf("status %+v", st)
	}
}
