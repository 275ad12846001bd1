package store

import (
	"bufio"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"ventward/daq"
)

const childEnv = "VENTWARD_STORE_TEST_CHILD"

// TestMain lets the test binary be the writer that is killed.
func TestMain(m *testing.M) {
	if dir := os.Getenv(childEnv); dir != "" {
		writeUntilKilled(dir)
		return
	}
	os.Exit(m.Run())
}

const childSeed = 77

// writeUntilKilled writes a run of endless entries and prints each
// acknowledged number.
func writeUntilKilled(dir string) {
	o := Options{CommitInterval: time.Millisecond, CommitBytes: 20000, BallastBytes: -1}
	o.OnCommit = func(_ string, n uint64) { fmt.Println("ack", n) }
	s, err := Open(dir, o)
	if err != nil {
		fmt.Println("error", err)
		return
	}
	r, err := s.Create(Meta{ID: "r1", Kind: KindRun, EpochUTC: 1.75e18})
	if err != nil {
		fmt.Println("error", err)
		return
	}
	for g := newGenerator(childSeed); ; {
		r.Append(g.entry())
		if g.n%20 == 0 {
			time.Sleep(time.Millisecond)
		}
	}
}

// killedWriter runs a writer in dir, kills it after at least acks
// acknowledgements and a random moment more, and returns the last entry
// acknowledged.
func killedWriter(t *testing.T, dir string, acks int, pause time.Duration) (last uint64) {
	t.Helper()
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), childEnv+"="+dir)
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	seen := 0
	for lines := bufio.NewScanner(out); lines.Scan(); {
		if _, err := fmt.Sscanf(lines.Text(), "ack %d", &last); err != nil {
			t.Errorf("writer says %q", lines.Text())
		}
		if seen++; seen == acks {
			time.AfterFunc(pause, func() { cmd.Process.Kill() })
		}
	}
	cmd.Wait() // killed: its error is wanted
	if seen < acks {
		t.Fatalf("the writer ended after %d commits", seen)
	}
	return last
}

// kill -9 at random moments: after it every acknowledged entry is there, the
// run is marked interrupted, complete and checked.
func TestKilledWriterLosesNothingAcknowledged(t *testing.T) {
	t.Parallel()
	const seed = 20
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, seed))
	for trial := range 20 {
		dir := t.TempDir()
		acked := killedWriter(t, dir, 1+rng.IntN(25), time.Duration(rng.IntN(4000))*time.Microsecond)
		before := mustOpen(t, dir, Options{Access: Read})
		if m, err := before.Meta("r1"); err != nil || m.State != StateInterrupted {
			t.Errorf("trial %d: before recovery: %+v, %v", trial, m, err)
		}
		if err := before.Check("r1"); err != nil {
			t.Errorf("trial %d: before recovery: %v", trial, err)
		}
		before.Close()
		s := mustOpen(t, dir, quick())
		rec := s.Recovered()
		if len(rec) != 1 || rec[0].Err != nil || rec[0].State != StateInterrupted || rec[0].Committed < acked {
			t.Fatalf("trial %d: %d acknowledged, recovered %+v", trial, acked, rec)
		}
		got := readAll(t, s, "r1")
		if uint64(len(got)) != rec[0].Committed || !sameEntries(got, newGenerator(childSeed).entries(len(got))) {
			t.Fatalf("trial %d: %d entries, or they differ", trial, len(got))
		}
		if err := s.Check("r1"); err != nil {
			t.Errorf("trial %d: %v", trial, err)
		}
		if m, _ := s.Meta("r1"); m.State != StateInterrupted || m.Hash == "" || m.End != got[len(got)-1].At {
			t.Errorf("trial %d: %+v", trial, m)
		}
		s.Close()
		again := mustOpen(t, dir, quick())
		if len(again.Recovered()) != 0 {
			t.Errorf("trial %d: recovered twice: %+v", trial, again.Recovered())
		}
	}
}

// The catalog can be made again from the runs' folders.
func TestCatalogIsRebuilt(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	s := mustOpen(t, dir, quick())
	r := mustCreate(t, s, "r1")
	for _, e := range newGenerator(4).entries(40) {
		r.Append(e)
	}
	want := mustClose(t, r)
	s.Close()
	for _, ext := range []string{"", "-wal", "-shm"} {
		os.Remove(filepath.Join(dir, catalogFile+ext))
	}
	if err := os.Mkdir(filepath.Join(dir, "runs", "stray"), 0o755); err != nil {
		t.Fatal(err)
	}
	s = mustOpen(t, dir, quick())
	if m, err := s.Meta("r1"); err != nil || m != want {
		t.Errorf("got %+v, %v\nwant %+v", m, err, want)
	}
	if err := s.Check("r1"); err != nil {
		t.Error(err)
	}
	rec := s.Recovered()
	if len(rec) != 2 || rec[0].Err != nil || rec[1].ID != "stray" || rec[1].Err == nil {
		t.Errorf("recovered: %+v", rec)
	}
}

// SQLite drops what follows a damaged place of its log without an error; the
// sidecar notices.
func TestLostTailIsNoticed(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	acked := killedWriter(t, dir, 10, 0)
	wal := filepath.Join(dir, "runs", "r1", runFile+"-wal")
	b, err := os.ReadFile(wal)
	if err != nil {
		t.Fatal(err)
	}
	b[len(b)/2] ^= 0x40
	os.Remove(filepath.Join(dir, "runs", "r1", runFile+"-shm"))
	if err := os.WriteFile(wal, b, 0o644); err != nil {
		t.Fatal(err)
	}
	s := mustOpen(t, dir, quick())
	rec := s.Recovered()
	var c *Corrupt
	if len(rec) != 1 || !errors.As(rec[0].Err, &c) || !strings.Contains(c.What, "tail was lost") || rec[0].Committed >= acked {
		t.Fatalf("%d acknowledged, recovered %+v", acked, rec)
	}
	if err := s.Check("r1"); !errors.As(err, &c) {
		t.Errorf("check: %v", err)
	}
	// What is left can still be read.
	got := readAll(t, s, "r1")
	if !sameEntries(got, newGenerator(childSeed).entries(len(got))) {
		t.Error("what is left differs from what was written")
	}
	if m, err := s.Meta("r1"); err != nil || m.State != StateInterrupted {
		t.Errorf("%+v, %v", m, err)
	}
}

// A store closed under an open run leaves it interrupted, with what it had.
func TestCloseAbandonsOpenRuns(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	s := mustOpen(t, dir, quick())
	r := mustCreate(t, s, "r1")
	want := newGenerator(6).entries(30)
	for _, e := range want {
		r.Append(e)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	s = mustOpen(t, dir, quick())
	if rec := s.Recovered(); len(rec) != 1 || rec[0].State != StateInterrupted || rec[0].Committed != 30 {
		t.Errorf("recovered: %+v", rec)
	}
	if !sameEntries(readAll(t, s, "r1"), want) {
		t.Error("entries differ")
	}
}

// Killed between the last steps of a close: the end stands in the file, and
// the catalog or the permission bits don't know it yet.
func TestHalfClosedRunKeepsItsEnd(t *testing.T) {
	t.Parallel()
	for _, mode := range []os.FileMode{0o444, 0o644} {
		dir := t.TempDir()
		s := mustOpen(t, dir, quick())
		r := mustCreate(t, s, "r1")
		want := newGenerator(12).entries(60)
		for _, e := range want {
			r.Append(e)
		}
		end := mustClose(t, r)
		if err := s.cat.put(t.Context(), end.header()); err != nil {
			t.Fatal(err)
		}
		if err := os.Chmod(filepath.Join(dir, "runs", "r1", runFile), mode); err != nil {
			t.Fatal(err)
		}
		s.Close()
		s = mustOpen(t, dir, quick())
		if m, err := s.Meta("r1"); err != nil || m != end {
			t.Errorf("mode %v: got %+v, %v\nwant %+v", mode, m, err, end)
		}
		if err := s.Check("r1"); err != nil || !sameEntries(readAll(t, s, "r1"), want) {
			t.Errorf("mode %v: %v, or entries differ", mode, err)
		}
	}
}

func TestDamagedCatalogSaysTheNextMove(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	mustOpen(t, dir, quick()).Close()
	for _, ext := range []string{"-wal", "-shm"} {
		os.Remove(filepath.Join(dir, catalogFile+ext))
	}
	if err := os.WriteFile(filepath.Join(dir, catalogFile), []byte(strings.Repeat("no database ", 1000)), 0o644); err != nil {
		t.Fatal(err)
	}
	for _, a := range []Access{Daemon, Read} {
		if _, err := Open(dir, Options{Access: a}); err == nil || !strings.Contains(err.Error(), "move it away") {
			t.Errorf("access %d: %v", a, err)
		}
	}
}

// Every run in the folder is recovered, whatever it is: a run without an entry,
// an idle record, an import still being written by another process (that one
// is left alone).
func TestRecoveryOfOddRuns(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	s := mustOpen(t, dir, quick())
	mustCreate(t, s, "empty")
	derived := mustCreate(t, s, "derived")
	derived.Demand(5, daq.Demand{Output: 1})
	idle, err := s.Idle(Meta{EpochUTC: 1.75e18}, IdleOptions{})
	if err != nil {
		t.Fatal(err)
	}
	idle.Append(daq.Entry{N: 1, At: 4e9, Kind: daq.EntryTick, Wall: 1})
	committed(t, idle.Health, 1)
	in := mustOpen(t, dir, Options{Access: Import, CommitInterval: time.Millisecond})
	imported, err := in.Create(Meta{ID: "imported", Kind: KindImport})
	if err != nil {
		t.Fatal(err)
	}
	s.Close()
	s = mustOpen(t, dir, quick())
	if rec := s.Recovered(); len(rec) != 3 {
		t.Errorf("recovered: %+v", rec)
	}
	ms, err := s.Runs(Filter{Idle: true})
	if err != nil || len(ms) != 4 {
		t.Fatalf("%d runs, %v", len(ms), err)
	}
	for _, m := range ms {
		want := StateInterrupted
		if m.ID == "imported" {
			want = StateOpen
		}
		if m.State != want {
			t.Errorf("%s is %s, want %s", m.ID, m.State, want)
		}
		if err := s.Check(m.ID); err != nil {
			t.Error(err)
		}
	}
	imported.Append(daq.Entry{N: 1, Kind: daq.EntryTick})
	if m, err := imported.Close(t.Context(), End{}); err != nil || m.State != StateClosed || m.Entries != 1 {
		t.Errorf("the import: %+v, %v", m, err)
	}
	if err := s.Check("imported"); err != nil {
		t.Error(err)
	}
}
