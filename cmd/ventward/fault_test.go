package main

import (
	"bufio"
	"compress/gzip"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/creack/pty"

	"ventward/daq"
	"ventward/sim"
	"ventward/store"
)

// SIGSTOP of the daemon in mid-ramp: no edge comes, so that the simulated
// watchdog relay shuts the supply. After SIGCONT the daemon notices that it
// stood still: it makes safe, alarms, calls nothing an opening, and the test
// can't go on without being armed anew.
func TestStoppedBySignal(t *testing.T) {
	t.Parallel()
	r := newRig(t, 21, nil)
	r.serve()
	run := underTest(t, r)
	time.Sleep(3 * time.Second) // of a straight ramp
	stopped := sim.Monotonic()
	if err := r.daemon.Process.Signal(syscall.SIGSTOP); err != nil {
		t.Fatal(err)
	}
	shut := r.sim.await(t, 20*time.Second, func(rep *sim.Report) bool { return rep.Supply != nil && !rep.Supply.Open })
	if shut.Supply.Why != "watchdog" {
		t.Errorf("the supply was shut by %q, want the watchdog", shut.Supply.Why)
	}
	t.Logf("supply shut %.2f s after the stop", seconds(shut.AtNS-stopped))
	time.Sleep(500 * time.Millisecond)
	if err := r.daemon.Process.Signal(syscall.SIGCONT); err != nil {
		t.Fatal(err)
	}
	r.await("the supply to be demanded off and read back off", 20*time.Second, supplyOff)
	r.awaitAlarm("Program stood still")
	if body, code := r.do("pressurise", nil); code/100 == 2 {
		t.Errorf("the test goes on without being armed anew: %s", body)
	}
	time.Sleep(time.Second)
	r.ended(run)
	if e := r.events(run); e["vent-opening"]+e["rupture"] > 0 {
		t.Errorf("events of a run in which nothing opened: %v", e)
	}
	r.verify(run)
}

// A panic of each part of the daemon: where the program still has a loop it
// writes the supply off itself; where it has none, or no line to write to, the
// watchdog does. It ends with an error, and the run is there and verifies.
func TestPanicsEndSafe(t *testing.T) {
	for _, c := range []struct{ part, by string }{
		{"decoder", "coil"}, {"worker", "coil"}, {"fit", "coil"}, {"loop", "coil"}, {"owner", "watchdog"}, {"bare", "watchdog"},
	} {
		t.Run(c.part, func(t *testing.T) {
			t.Parallel()
			r := newRig(t, 22, nil)
			r.env = []string{envPanic + "=" + c.part}
			r.serve()
			run := steady(t, r)
			if err := r.daemon.Process.Signal(syscall.SIGUSR1); err != nil {
				t.Fatal(err)
			}
			shut := r.sim.await(t, 20*time.Second, func(rep *sim.Report) bool { return rep.Supply != nil && !rep.Supply.Open })
			if shut.Supply.Why != c.by {
				t.Errorf("the supply was shut by %q, want %q", shut.Supply.Why, c.by)
			}
			if err := r.daemon.Wait(); err == nil {
				t.Error("the program ended as if nothing had been wrong")
			}
			found := false
			for _, m := range r.runs() {
				found = found || m["id"] == run
			}
			if !found {
				t.Fatalf("run %s is gone", run)
			}
			r.verify(run)
		})
	}
}

// steady is a run that has been under test for half a second with its supply on.
// A machine that stood still trips it, which writes the coil: what a panic does
// would not be seen then, so another run is begun.
func steady(t *testing.T, r *rig) string {
	t.Helper()
	const tries = 5
	for range tries {
		run := underTest(t, r)
		time.Sleep(500 * time.Millisecond)
		if s := r.state(); s["phase"] == "under test" && supply(s) == "on" {
			return run
		}
		t.Logf("run %s tripped by itself", run)
		r.sim.await(t, 20*time.Second, func(rep *sim.Report) bool { return rep.Supply != nil && !rep.Supply.Open })
		r.ended(run)
	}
	t.Fatalf("%d runs tripped by themselves", tries)
	return ""
}

// Writes to the data folder fail, as on a full disk, and then succeed again:
// the alarm stands meanwhile, trips go on, the run can be ended, and what was
// kept verifies. The system calls of the running daemon are made to fail from
// outside.
func TestDiskFullInMidRun(t *testing.T) {
	t.Parallel()
	r := newRig(t, 23, nil)
	r.serve()
	run := underTest(t, r)
	heal := r.inject("pwrite64,fallocate", "ENOSPC")
	r.awaitAlarm("Recording")
	if s := r.state(); s["phase"] != "under test" || supply(s) != "on" {
		t.Errorf("a full disk moved the test: %v", s["phase"])
	}
	r.openFast()
	r.await("the trip of the opening", 30*time.Second, func(s map[string]any) bool { return tripped(s, "Opening") && supplyOff(s) })
	r.must("make-safe", nil)
	heal()
	r.await("the record to be well again", 30*time.Second, func(s map[string]any) bool {
		rec, _ := s["record"].(map[string]any)
		return rec != nil && text(rec["error"]) == "<nil>" || rec != nil && rec["error"] == ""
	})
	r.ended(run)
	r.verify(run)
}

// fsync fails with an I/O error and works again: the same.
func TestFsyncFailsInMidRun(t *testing.T) {
	t.Parallel()
	r := newRig(t, 24, nil)
	r.serve()
	run := underTest(t, r)
	heal := r.inject("fsync,fdatasync", "EIO")
	r.awaitAlarm("Recording")
	if s := r.state(); s["phase"] != "under test" {
		t.Errorf("a failing disk moved the test: %v", s["phase"])
	}
	time.Sleep(time.Second)
	heal()
	r.openFast()
	r.await("the trip of the opening", 30*time.Second, func(s map[string]any) bool { return tripped(s, "Opening") && supplyOff(s) })
	time.Sleep(time.Second)
	r.ended(run)
	r.verify(run)
}

// inject makes system calls of the daemon fail until heal is called.
func (r *rig) inject(calls, with string) (heal func()) {
	r.t.Helper()
	log := filepath.Join(r.dir, "strace.log")
	c := exec.Command("strace", "-f", "-qq", "-o", log, "-p", fmt.Sprint(r.daemon.Process.Pid), "-e", "trace="+calls, "-e", "inject="+calls+":error="+with)
	var errs strings.Builder
	c.Stderr = &errs
	if err := c.Start(); err != nil {
		r.t.Fatalf("strace: %v: run make needs", err)
	}
	heal = func() {
		if c.ProcessState == nil {
			c.Process.Signal(os.Interrupt) // it lets go of the daemon
			c.Wait()
		}
	}
	r.t.Cleanup(heal)
	for end := time.Now().Add(20 * time.Second); ; time.Sleep(20 * time.Millisecond) {
		if b, _ := os.ReadFile(log); strings.Contains(string(b), "INJECTED") {
			return heal
		}
		if time.Now().After(end) {
			r.t.Fatalf("strace injected nothing: %s", errs.String())
		}
	}
}

// openFast lets the pressure rise until the specimen opens, in a few seconds.
func (r *rig) openFast() {
	r.t.Helper()
	if err := r.sim.do(sim.Command{Do: "ramp", BarS: 10}); err != nil {
		r.t.Fatal(err)
	}
}

// Sensors that can't be believed trip while the test runs: unplugged, frozen,
// railed, open. Each time the supply is read back off, an alarm says why, and a
// reset alone turns nothing on.
func TestSensorFaultsTrip(t *testing.T) {
	t.Parallel()
	r := newRig(t, 25, nil)
	r.serve()
	for _, c := range []struct {
		fault sim.Fault
		rule  string
	}{
		{sim.Fault{Name: "frozen", Channel: "p1", Seconds: 3}, "Specimen transducer faulty"},
		{sim.Fault{Name: "rail", Channel: "p1", Seconds: 2}, "Specimen transducer faulty"},
		{sim.Fault{Name: "open-wire", Channel: "p2", Seconds: 2}, "Specimen transducer faulty"},
		{sim.Fault{Name: "unplug", Instrument: "fast", Seconds: 4}, "Specimen pressure silent"},
	} {
		run := underTest(t, r)
		time.Sleep(2 * time.Second) // of a straight ramp
		if err := r.sim.do(sim.Command{Do: "fault", Fault: c.fault}); err != nil {
			t.Fatal(err)
		}
		r.await(c.fault.Name+" to trip", 30*time.Second, func(s map[string]any) bool { return tripped(s, c.rule) && supplyOff(s) })
		r.awaitAlarm(c.rule)
		if c.fault.Name == "unplug" {
			r.awaitAlarm("Instrument lost")
			r.await("edges to be withheld", 30*time.Second, func(s map[string]any) bool { return s["watchdog"].(map[string]any)["beating"] != true })
			open := r.sim.await(t, 20*time.Second, func(rep *sim.Report) bool { return rep.Watchdog != nil && rep.Watchdog.Open })
			t.Logf("watchdog opened: %s", open.Watchdog.Why)
			r.sim.do(sim.Command{Do: "reset-watchdog"})
		}
		r.await(c.fault.Name+" to be over", 30*time.Second, func(s map[string]any) bool {
			_, code := r.do("reset", nil)
			return code/100 == 2
		})
		if s := r.state(); demandedOn(s) {
			t.Errorf("%s: a reset turned the supply on", c.fault.Name)
		}
		r.ended(run)
		if e := r.events(run); e["vent-opening"]+e["rupture"] > 0 {
			t.Errorf("%s: events of a run in which nothing opened: %v", c.fault.Name, e)
		}
		r.verify(run)
		r.must("acknowledge", nil)
	}
}

// Somebody sets the wall clock an hour forward and two back while a test runs:
// an alarm tells it each time, nothing else moves, and the runs before and
// after are both there, in the order in which they were made. The clock is that
// of the program only: the machine's is not touched.
func TestWallClockIsSet(t *testing.T) {
	t.Parallel()
	r := newRig(t, 26, nil)
	off := filepath.Join(r.dir, "wall")
	set := func(by time.Duration) {
		t.Helper()
		if err := os.WriteFile(off+".new", []byte(fmt.Sprint(int64(by))), 0o644); err != nil {
			t.Fatal(err)
		}
		if err := os.Rename(off+".new", off); err != nil {
			t.Fatal(err)
		}
	}
	set(0)
	r.env = []string{envWall + "=" + off}
	r.serve()
	first := underTest(t, r)
	for _, by := range []time.Duration{time.Hour, -time.Hour} {
		set(by)
		r.awaitAlarm("Wall clock set")
		if s := r.state(); s["phase"] != "under test" || supply(s) != "on" {
			t.Errorf("the clock was set by %v and the test moved: %v", by, s["phase"])
		}
		r.must("acknowledge", nil)
		r.await("the alarm to be answered", 20*time.Second, func(map[string]any) bool {
			for _, a := range r.alarms() {
				if a["rule"] == "Wall clock set" {
					return false
				}
			}
			return true
		})
	}
	r.ended(first)
	second := underTest(t, r)
	if second <= first {
		t.Errorf("a run made later is named before: %s, %s", first, second)
	}
	r.ended(second)
	r.verify(first)
	r.verify(second)
}

// The bench description's file is changed under a run: it is told, arming is
// refused, and the run goes on with, and holds, what was read at the start.
func TestDescriptionChangedUnderARun(t *testing.T) {
	t.Parallel()
	r := newRig(t, 27, nil)
	r.serve()
	run := underTest(t, r)
	before, err := os.ReadFile(r.bench)
	if err != nil {
		t.Fatal(err)
	}
	after := strings.Replace(string(before), "trip_barg = 56.0", "trip_barg = 20.0", 1)
	if err := os.WriteFile(r.bench, []byte(after), 0o644); err != nil {
		t.Fatal(err)
	}
	r.awaitAlarm("Bench description changed")
	if s := r.state(); s["phase"] != "under test" {
		t.Errorf("the change moved the test: %v", s["phase"])
	}
	r.openFast()
	r.await("the opening beyond the changed limit", 30*time.Second, func(s map[string]any) bool { return tripped(s, "Opening") })
	if tripped(r.state(), "Specimen pressure high") {
		t.Error("the changed limit tripped, which was never read")
	}
	time.Sleep(time.Second)
	r.ended(run)
	r.verify(run)
	body, code := r.do("arm", map[string]string{"specimen": "B-0410-02", "who1": demoWho1, "who2": demoWho2})
	if code/100 == 2 || !strings.Contains(body, "bench description") {
		t.Errorf("arming with a changed description: %d %s", code, body)
	}
}

// A channel of a rule that makes safe never speaks: no edge is sent, the alarms
// say so, and arming is refused. A rule that names no channel of the bench is
// refused at once.
func TestRuleWithoutItsChannel(t *testing.T) {
	t.Parallel()
	master, slave, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	defer master.Close()
	defer slave.Close()
	r := newRig(t, 28, nil)
	good, err := os.ReadFile(r.bench)
	if err != nil {
		t.Fatal(err)
	}
	write := func(s string) {
		t.Helper()
		if err := os.WriteFile(r.bench, []byte(s), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	write(strings.Replace(string(good), `channels = ["p1", "p2"]`, `channels = ["p1", "p9"]`, 1))
	if _, errs, code := program(t, "--data", r.data, "serve", "--bench", r.bench); code != exitWrong || !strings.Contains(errs, `"p9" is not defined`) {
		t.Errorf("exit %d: %s", code, errs)
	}
	silent := strings.Replace(string(good), filepath.Join(r.dir, "ports")+"/ambient", slave.Name(), 1)
	silent = strings.Replace(silent, "[[rule]]", "[[rule]]\nname = \"Barometer silent\"\nkind = \"stale\"\nchannels = [\"barometer\"]\nstale_ms = 1000\npriority = \"high\"\nde_energise = [\"supply valve\"]\n\n[[rule]]", 1)
	write(silent)
	r.serve()
	r.awaitAlarm("Barometer silent")
	r.awaitAlarm("Watchdog")
	s := r.state()
	if w := s["watchdog"].(map[string]any); w["beating"] == true || !strings.Contains(text(w["why"]), "barometer") {
		t.Errorf("watchdog %v", w)
	}
	r.sim.mu.Lock()
	for _, rep := range r.sim.all {
		if rep.Watchdog != nil && !rep.Watchdog.Open {
			t.Error("the relay closed: edges were sent")
		}
	}
	r.sim.mu.Unlock()
	enterSteps(t, r)
	body, code := r.do("arm", map[string]string{"specimen": "B-0410-01", "who1": demoWho1, "who2": demoWho2})
	if code/100 == 2 || !strings.Contains(body, "no fresh reading of barometer") {
		t.Errorf("arming: %d %s", code, body)
	}
	if runs := r.runs(); len(runs) != 0 {
		t.Errorf("a refused arming left runs behind: %v", runs)
	}
}

// The time-series database is gone while a run is recorded, and comes back: an
// alarm tells it, the test goes on, and every point arrives in the end.
func TestDatabaseGoneAndBack(t *testing.T) {
	t.Parallel()
	db := newFakeDatabase(t)
	r := newRig(t, 29, func(s string) string {
		s = strings.Replace(s, "[[rule]]", "[[rule]]\nname = \"Copy behind\"\nkind = \"forwarding\"\npriority = \"low\"\n\n[[rule]]", 1)
		return s + fmt.Sprintf("\n[influx]\nurl = \"http://%s\"\nbucket = \"bench/autogen\"\ntoken = \"user:password\"\n", db.addr)
	})
	r.serve()
	run := underTest(t, r)
	db.await(t, 1)
	db.gone.Store(true)
	r.awaitAlarm("Copy behind")
	if s := r.state(); s["phase"] != "under test" || supply(s) != "on" {
		t.Errorf("a database that is gone moved the test: %v", s["phase"])
	}
	r.openFast()
	r.await("the trip of the opening", 30*time.Second, func(s map[string]any) bool { return tripped(s, "Opening") && supplyOff(s) })
	db.gone.Store(false)
	time.Sleep(time.Second)
	r.ended(run)
	r.verify(run)
	want := samplesOf(t, r.data, run)
	r.await("every point of the run", 60*time.Second, func(map[string]any) bool { return db.points("p1") >= want })
	if got := db.points("p1"); got != want {
		t.Errorf("%d points of p1 in the database, the run has %d", got, want)
	}
}

// samplesOf counts the samples of the first channel in a stored run.
func samplesOf(t *testing.T, data, run string) int {
	t.Helper()
	st, err := store.Open(data, store.Options{Access: store.Read})
	if err != nil {
		t.Fatal(err)
	}
	defer st.Close()
	rd, err := st.Reader(run)
	if err != nil {
		t.Fatal(err)
	}
	defer rd.Close()
	n := 0
	if _, err := play(rd, nil, func(_ *daq.Entry, _ *outcome, e *engine) error {
		n += len(e.samples[0])
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	return n
}

// fakeDatabase takes writes of line protocol, or, while it is gone, answers as
// a server that is being started does.
type fakeDatabase struct {
	addr string
	gone atomic.Bool

	mu   sync.Mutex
	seen map[string]map[string]bool // channel -> stamps
}

func newFakeDatabase(t *testing.T) *fakeDatabase {
	t.Helper()
	db := &fakeDatabase{seen: map[string]map[string]bool{}}
	s := httptest.NewServer(db)
	t.Cleanup(s.Close)
	db.addr = strings.TrimPrefix(s.URL, "http://")
	return db
}

func (db *fakeDatabase) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	if db.gone.Load() {
		w.WriteHeader(http.StatusServiceUnavailable)
		return
	}
	body := io.Reader(r.Body)
	if r.Header.Get("Content-Encoding") == "gzip" {
		z, err := gzip.NewReader(r.Body)
		if err != nil {
			w.WriteHeader(http.StatusBadRequest)
			return
		}
		body = z
	}
	db.mu.Lock()
	defer db.mu.Unlock()
	sc := bufio.NewScanner(body)
	for sc.Scan() {
		tags, rest, _ := strings.Cut(strings.ReplaceAll(sc.Text(), `\ `, "_"), " ")
		i := strings.Index(tags, ",channel=")
		if !strings.HasPrefix(tags, "pressure,") || i < 0 {
			continue
		}
		channel := tags[i+len(",channel="):]
		if db.seen[channel] == nil {
			db.seen[channel] = map[string]bool{}
		}
		db.seen[channel][rest[strings.LastIndexByte(rest, ' ')+1:]] = true
	}
	w.WriteHeader(http.StatusNoContent)
}

func (db *fakeDatabase) points(channel string) int {
	db.mu.Lock()
	defer db.mu.Unlock()
	return len(db.seen[channel])
}

func (db *fakeDatabase) await(t *testing.T, n int) {
	t.Helper()
	for end := time.Now().Add(60 * time.Second); db.points("p1") < n; time.Sleep(50 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("%d points of p1 reached the database", db.points("p1"))
		}
	}
}
