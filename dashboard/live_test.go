package dashboard

import (
	"context"
	"encoding/json"
	"io/fs"
	"net"
	"net/http"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"github.com/gorilla/websocket"

	"ventward/daq"
	"ventward/detect"
	"ventward/guard"
	"ventward/stream"
)

type mapFS map[string]string

func (m mapFS) Open(name string) (fs.File, error) {
	f := fstest.MapFS{}
	for k, v := range m {
		f[k] = &fstest.MapFile{Data: []byte(v)}
	}
	return f.Open(name)
}

// serve runs a rig on a loopback port and tells how to stop it and wait.
func serve(t *testing.T, r *rig) (addr string, stop func()) {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- r.Serve(ctx, l) }()
	stop = func() {
		cancel()
		if err := <-done; err != nil {
			t.Errorf("serve: %v", err)
		}
	}
	return l.Addr().String(), stop
}

func dial(t *testing.T, addr, query string) *websocket.Conn {
	t.Helper()
	c, _, err := websocket.DefaultDialer.Dial("ws://"+addr+"/api/v1/live"+query, nil)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Close() })
	return c
}

// text reads the next message, which has to be JSON.
func text(t *testing.T, c *websocket.Conn) map[string]any {
	t.Helper()
	kind, p, err := c.ReadMessage()
	if err != nil {
		t.Fatal(err)
	}
	if kind != websocket.TextMessage {
		t.Fatalf("a frame of %d bytes where text was expected", len(p))
	}
	var m map[string]any
	if err := json.Unmarshal(p, &m); err != nil {
		t.Fatal(err)
	}
	return m
}

func frame(t *testing.T, c *websocket.Conn) *stream.Frame {
	t.Helper()
	kind, p, err := c.ReadMessage()
	if err != nil {
		t.Fatal(err)
	}
	if kind != websocket.BinaryMessage {
		t.Fatalf("text where a frame was expected: %s", p)
	}
	f, err := stream.DecodeFrame(p)
	if err != nil {
		t.Fatal(err)
	}
	return f
}

func TestLiveFeed(t *testing.T) {
	r := newRig()
	r.fill()
	r.hub.Samples(0, []daq.Sample{{T: 9e9, V: 5e5}})
	r.hub.Flush(9.02e9)
	addr, stop := serve(t, r)
	defer stop()
	c := dial(t, addr, "")
	hello := text(t, c)
	if hello["type"] != "hello" || hello["version"] != "test" || len(hello["channels"].([]any)) != 3 || hello["bin_s"] != 0.05 {
		t.Fatalf("hello %v", hello)
	}
	snap := text(t, c)
	if snap["type"] != "snapshot" || len(snap["events"].([]any)) != 1 || len(snap["alarms"].([]any)) != 1 || snap["run"].(map[string]any)["start_bench_s"] != 2.0 || snap["state"] == nil {
		t.Fatalf("snapshot %v", snap)
	}
	if f := frame(t, c); f.Kind != stream.FrameRun || f.Blocks[0].Bins[0].Max != 5e5 {
		t.Fatalf("whole run %+v", f)
	}
	if f := frame(t, c); f.Kind != stream.FrameLive || f.Blocks[0].Newest != 9e9 {
		t.Fatalf("live bins %+v", f)
	}
	r.hub.Event(detect.Event{ID: 1, Rev: 2, Kind: detect.VentOpening, Onset: 5e9, PressurePa: ptr(18.42e5)})
	if e := text(t, c)["event"].(map[string]any); e["pressure_bar"] != 18.42 || e["rev"] != 2.0 || e["onset_s"] != 3.0 {
		t.Fatalf("event %v", e)
	}
	r.hub.Alarm(guard.Alarm{ID: 4, State: guard.Acknowledged, Who: "A. Rahn"})
	if a := text(t, c)["alarm"].(map[string]any); a["state"] != "acknowledged" || a["who"] != "A. Rahn" {
		t.Fatalf("alarm %v", a)
	}
	r.hub.Run(nil, 11e9)
	if m := text(t, c)["run"].(map[string]any); m["end_bench_s"] != 11.0 {
		t.Fatalf("run %v", m)
	}
}

func TestSeveralViewersGetTheSameBytes(t *testing.T) {
	r := newRig()
	addr, stop := serve(t, r)
	defer stop()
	var conns []*websocket.Conn
	for range 3 {
		c := dial(t, addr, "")
		text(t, c)
		text(t, c)
		frame(t, c)
		conns = append(conns, c)
	}
	r.hub.Samples(1, []daq.Sample{{T: 1e9, V: 23}})
	r.hub.Flush(1e9)
	for i, c := range conns {
		if f := frame(t, c); f.Blocks[0].Channel != 1 || f.Blocks[0].Bins[0].Last != 23 {
			t.Errorf("viewer %d: %+v", i, f)
		}
	}
}

func TestViewersAreTurnedAway(t *testing.T) {
	r := newRig()
	addr, stop := serve(t, r)
	defer stop()
	for range 4 {
		text(t, dial(t, addr, ""))
	}
	_, resp, err := websocket.DefaultDialer.Dial("ws://"+addr+"/api/v1/live", nil)
	if err == nil || resp == nil || resp.StatusCode != http.StatusServiceUnavailable {
		t.Fatalf("fifth viewer of four: %v", err)
	}
	_, resp, err = websocket.DefaultDialer.Dial("ws://"+addr+"/api/v1/live?alarms_after=x", nil)
	if err == nil || resp == nil || resp.StatusCode != http.StatusBadRequest {
		t.Fatalf("alarms_after=x: %v", err)
	}
}

func TestViewerOfAnotherSiteIsRefused(t *testing.T) {
	r := newRig()
	addr, stop := serve(t, r)
	defer stop()
	_, resp, err := websocket.DefaultDialer.Dial("ws://"+addr+"/api/v1/live", http.Header{"Origin": {"http://elsewhere.example"}})
	if err == nil || resp == nil || resp.StatusCode != http.StatusForbidden {
		t.Fatalf("a page of another site: %v", err)
	}
	if n := r.hub.Stats().Viewers; n != 0 {
		t.Errorf("%d viewers stay behind", n)
	}
}

func TestStopSendsViewersAway(t *testing.T) {
	r := newRig()
	addr, stop := serve(t, r)
	c := dial(t, addr, "")
	text(t, c)
	stop()
	c.SetReadDeadline(time.Now().Add(5 * time.Second))
	for {
		_, _, err := c.ReadMessage()
		if websocket.IsCloseError(err, websocket.CloseGoingAway) {
			break
		}
		if err != nil {
			t.Fatalf("closed with %v, want going away", err)
		}
	}
	if n := r.hub.Stats().Viewers; n != 0 {
		t.Errorf("%d viewers stay behind", n)
	}
}

// waitFor waits until f holds; the deadline is generous and only ends a hang.
func waitFor(t *testing.T, what string, f func() bool) {
	t.Helper()
	for end := time.Now().Add(20 * time.Second); !f(); {
		if time.Now().After(end) {
			t.Fatalf("never: %s", what)
		}
		time.Sleep(2 * time.Millisecond)
	}
}

// TestAViewerThatStopsReading is closed by the write deadline, and neither the
// loop nor another viewer waits for it.
func TestAViewerThatStopsReading(t *testing.T) {
	r := newRig()
	r.limits.write = 150 * time.Millisecond
	addr, stop := serve(t, r)
	defer stop()
	d := websocket.Dialer{NetDial: func(network, a string) (net.Conn, error) {
		c, err := net.Dial(network, a)
		if err == nil {
			err = c.(*net.TCPConn).SetReadBuffer(4096)
		}
		return c, err
	}}
	c, _, err := d.Dial("ws://"+addr+"/api/v1/live", nil)
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	waitFor(t, "the viewer joins", func() bool { return r.hub.Stats().Viewers == 1 })
	flag := detect.Flag(strings.Repeat("x", 8000))
	id := 0
	waitFor(t, "the stalled viewer is closed", func() bool {
		id++
		r.hub.Event(detect.Event{ID: id, Flags: []detect.Flag{flag}})
		return r.hub.Stats().Viewers == 0
	})
	t.Logf("closed after %d messages of 8 kB", id)
	if id > maxStalled {
		t.Errorf("%d messages of 8 kB were taken before the stall was noticed", id)
	}
	other := dial(t, addr, "")
	if text(t, other)["type"] != "hello" || text(t, other)["type"] != "snapshot" {
		t.Error("another viewer is not served")
	}
}

// maxStalled bounds what a stalled viewer may take: its queue of 256, its
// socket buffers (the kernel doubles what is asked for) and what one deadline
// lets through, in messages of 8 kB.
const maxStalled = 600

func TestAViewerWithoutPongsIsGone(t *testing.T) {
	r := newRig()
	r.limits.ping, r.limits.read = 20*time.Millisecond, 120*time.Millisecond
	addr, stop := serve(t, r)
	defer stop()
	c := dial(t, addr, "")
	c.SetPingHandler(func(string) error { return nil }) // never answers
	go func() {
		for {
			if _, _, err := c.ReadMessage(); err != nil {
				return
			}
		}
	}()
	waitFor(t, "the viewer joins", func() bool { return r.hub.Stats().Joined == 1 })
	waitFor(t, "the silent viewer is closed", func() bool { return r.hub.Stats().Viewers == 0 })
}

func TestAViewerThatTalksTooMuchIsGone(t *testing.T) {
	r := newRig()
	addr, stop := serve(t, r)
	defer stop()
	c := dial(t, addr, "")
	if err := c.WriteMessage(websocket.TextMessage, make([]byte, 4096)); err != nil {
		t.Fatal(err)
	}
	waitFor(t, "the viewer is closed", func() bool { s := r.hub.Stats(); return s.Joined == 1 && s.Viewers == 0 })
}

func TestServeTellsThatItsListenerFailed(t *testing.T) {
	r := newRig()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	l.Close()
	if err := r.Serve(context.Background(), l); err == nil || !strings.Contains(err.Error(), l.Addr().String()) {
		t.Errorf("error %v, want one that names the address", err)
	}
}

func BenchmarkEncodeState(b *testing.B) {
	r := newRig()
	r.fill()
	e := r.hub.Snapshot(-1)
	e.Kind = stream.KindState
	b.ReportAllocs()
	for b.Loop() {
		if _, err := encodeEnvelope(e, channels); err != nil {
			b.Fatal(err)
		}
	}
}
