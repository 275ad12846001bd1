package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/rs/zerolog"

	"ventward/store"
)

// A replay on the page: it says that it is none of a bench, shows the run's
// events, pauses, goes on, goes back, and takes nothing that a bench would.
func TestReplayPage(t *testing.T) {
	data := t.TempDir()
	out, errs, code := program(t, "--data", data, "import", traces+"burst.csv", "--volume-ml", "50")
	if code != 0 {
		t.Fatalf("exit %d: %s", code, errs)
	}
	var made struct{ Run string }
	if err := json.Unmarshal([]byte(out), &made); err != nil {
		t.Fatal(err)
	}
	st, err := store.Open(data, store.Options{Access: store.Read})
	if err != nil {
		t.Fatal(err)
	}
	defer st.Close()
	ctx, stop := context.WithCancel(context.Background())
	defer stop()
	told, tell := io.Pipe()
	r := &replayPage{store: st, run: made.Run, listen: "127.0.0.1:0", log: zerolog.Nop(), out: tell, json: true, pace: newPacer(1)}
	ended := make(chan error, 1)
	go func() { ended <- r.serve(ctx) }()
	var at struct{ Page string }
	if err := json.NewDecoder(told).Decode(&at); err != nil {
		t.Fatal(err)
	}
	p := viewer{t, at.Page}

	p.must(200, `{"verb":"pause"}`)
	s := p.await(func(s playingState) bool { return s.Replay && s.Playing.Paused })
	if s.Run.ID != made.Run {
		t.Errorf("shows run %q, want %q", s.Run.ID, made.Run)
	}
	for _, verb := range []string{"arm", "abort", "acknowledge", "reset", "bypass", "record"} {
		if body := p.must(409, `{"verb":"`+verb+`","args":{"id":"1"}}`); !strings.Contains(body, "replay") {
			t.Errorf("%s: %s", verb, body)
		}
	}
	for _, bad := range []string{`{"verb":"go","args":{"to_s":"soon"}}`, `{"verb":"go"}`, `{"verb":"play","args":{"speed":"-1x"}}`} {
		p.must(409, bad)
	}
	p.must(200, `{"verb":"go","args":{"to_s":"1e6"}}`)
	p.await(func(s playingState) bool { return s.Playing.Over })
	live, _, _ := program(t, "analyze", traces+"burst.csv", "--volume-ml", "50", "--json")
	if want, got := strings.Count(live, `"vent-opening"`), strings.Count(p.get("events"), `"vent-opening"`); got != want || got == 0 {
		t.Errorf("%d openings shown, want %d", got, want)
	}
	p.must(200, `{"verb":"go","args":{"to_s":"0"}}`) // still paused: it stops there
	p.await(func(s playingState) bool { return !s.Playing.Over && s.Playing.Paused && s.Playing.At < 1 })
	if got := p.get("events"); strings.Contains(got, `"vent-opening"`) {
		t.Errorf("before the opening the page shows %s", got)
	}
	p.must(200, `{"verb":"play","args":{"speed":"max"}}`)
	p.await(func(s playingState) bool { return s.Playing.Over && s.Playing.Speed == 0 })
	stop()
	if err := <-ended; err != nil {
		t.Error(err)
	}
	if out, errs, code := program(t, "--data", data, "verify", made.Run); code != 0 {
		t.Errorf("verify afterwards: exit %d\n%s%s", code, out, errs)
	}
}

type playingState struct {
	Replay  bool
	Run     struct{ ID string }
	Playing struct {
		Speed        float64
		Paused, Over bool
		At           float64 `json:"at_s"`
	}
}

// A viewer asks a replay's page.
type viewer struct {
	t    *testing.T
	page string
}

// must posts a command and wants that status. Between two passes the port is
// shut for a moment.
func (v viewer) must(status int, body string) string {
	v.t.Helper()
	var err error
	for range 200 {
		var resp *http.Response
		if resp, err = http.Post(v.page+"api/v1/commands", "application/json", bytes.NewBufferString(body)); err == nil {
			defer resp.Body.Close()
			got, _ := io.ReadAll(resp.Body)
			if resp.StatusCode != status {
				v.t.Fatalf("%s: status %d, want %d: %s", body, resp.StatusCode, status, got)
			}
			return string(got)
		}
		time.Sleep(50 * time.Millisecond)
	}
	v.t.Fatalf("%s: %v", body, err)
	return ""
}

func (v viewer) get(what string) string {
	v.t.Helper()
	resp, err := http.Get(v.page + "api/v1/" + what)
	if err != nil {
		return fmt.Sprintf(`{"error":%q}`, err)
	}
	defer resp.Body.Close()
	got, _ := io.ReadAll(resp.Body)
	return string(got)
}

func (v viewer) await(ok func(playingState) bool) playingState {
	v.t.Helper()
	for end := time.Now().Add(time.Minute); ; time.Sleep(20 * time.Millisecond) {
		var s playingState
		got := v.get("state")
		if json.Unmarshal([]byte(got), &s) == nil && ok(s) {
			return s
		}
		if time.Now().After(end) {
			v.t.Fatalf("the page stays at %s", got)
		}
	}
}
