package store

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"ventward/daq"
)

// faults fails steps of a writer at random, from a seed, as long as it is on.
type faults struct {
	mu   sync.Mutex
	rng  *rand.Rand
	rate int // one step in so many fails; 0: none
	hits int
}

func (x *faults) check(string) error {
	x.mu.Lock()
	defer x.mu.Unlock()
	if x.rate == 0 || x.rng.IntN(x.rate) != 0 {
		return nil
	}
	x.hits++
	return errors.New("injected input/output error")
}

func (x *faults) set(rate int) {
	x.mu.Lock()
	x.rate = rate
	x.mu.Unlock()
}

// An I/O error before a commit, after it (so that it looks as if it had
// failed), in the sidecar or while reopening: whatever the order, no entry is
// lost or doubled, and the process goes on.
func TestDiskErrorsLoseNothing(t *testing.T) {
	t.Parallel()
	for seed := uint64(1); seed <= 8; seed++ {
		t.Run(fmt.Sprintf("seed %d", seed), func(t *testing.T) {
			x := &faults{rng: rand.New(rand.NewPCG(seed, 5)), rate: 3}
			o := quick()
			o.CommitBytes = 3000
			o.hook = func(f *file) { f.checkFn = x.check }
			s := mustOpen(t, t.TempDir(), o)
			r := mustCreate(t, s, "r1")
			want := newGenerator(seed).entries(60)
			for _, e := range want {
				r.Append(e)
			}
			for range 1000 {
				if x.mu.Lock(); x.hits > 3 {
					x.mu.Unlock()
					break
				}
				x.mu.Unlock()
				time.Sleep(time.Millisecond)
			}
			x.set(0)
			m := mustClose(t, r)
			if got := readAll(t, s, "r1"); !sameEntries(got, want) {
				t.Errorf("%d entries read, %d given, or they differ (%d faults)", len(got), len(want), x.hits)
			}
			if err := s.Check("r1"); err != nil || m.Lost != 0 || x.hits == 0 {
				t.Errorf("%v; %d lost; %d faults", err, m.Lost, x.hits)
			}
		})
	}
}

func TestDiskErrorStandsInHealth(t *testing.T) {
	t.Parallel()
	x := &faults{rng: rand.New(rand.NewPCG(1, 1)), rate: 1}
	o := quick()
	o.hook = func(f *file) { f.checkFn = x.check }
	s := mustOpen(t, t.TempDir(), o)
	r := mustCreate(t, s, "r1")
	r.Append(daq.Entry{N: 1, At: 77, Kind: daq.EntryTick, Wall: 1})
	for range 5000 {
		if r.Health().Err != nil {
			break
		}
		time.Sleep(time.Millisecond)
	}
	if h := r.Health(); !errors.Is(h.Err, ErrDisk) || !h.Waiting || h.Oldest != 77 || h.Committed != 0 {
		t.Errorf("health under errors: %+v", h)
	}
	x.set(0)
	committed(t, r.Health, 1)
	if h := r.Health(); h.Err != nil || h.Waiting {
		t.Errorf("health afterwards: %+v", h)
	}
	// A close that can't be done gives up with its context; the run counts as
	// interrupted and is recovered later.
	x.set(1)
	ctx, cancel := context.WithTimeout(context.Background(), 20*time.Millisecond)
	defer cancel()
	if _, err := r.Close(ctx, End{}); !errors.Is(err, context.DeadlineExceeded) || !errors.Is(err, ErrDisk) {
		t.Errorf("close under errors: %v", err)
	}
	if m, err := s.Meta("r1"); err != nil || m.State != StateInterrupted {
		t.Errorf("state %v, %v", m.State, err)
	}
}

// full makes SQLite itself report a full disk, by the number of pages that the
// database may have; the log counts as room, so it is kept short.
type full struct {
	mu    sync.Mutex
	f     *file
	pages int // more than there are; < 0: no limit
	dir   string
}

func (x *full) check(step string) error {
	x.mu.Lock()
	defer x.mu.Unlock()
	if x.f.conn == nil {
		return nil
	}
	if _, err := os.Stat(filepath.Join(x.dir, ballastFile)); err != nil && x.pages == 0 {
		x.pages = 3 // the ballast's room
	}
	limit := 1 << 30
	if x.pages >= 0 {
		var n int
		if err := x.f.conn.QueryRowContext(context.Background(), "PRAGMA page_count").Scan(&n); err != nil {
			return err
		}
		limit = n + x.pages
	}
	return x.f.exec(fmt.Sprintf("PRAGMA max_page_count(%d)", limit))
}

func (x *full) set(pages int) {
	x.mu.Lock()
	x.pages = pages
	x.mu.Unlock()
}

func fullStore(t *testing.T) (*full, *Store) {
	x := &full{pages: -1, dir: t.TempDir()}
	o := Options{CommitInterval: time.Millisecond, BallastBytes: 1 << 16, QueueBytes: 1 << 20}
	o.hook = func(f *file) { x.f = f; f.checkFn = x.check }
	return x, mustOpen(t, x.dir, o)
}

// bulky entries need many pages each.
func bulky(from, to uint64) (es []daq.Entry) {
	rng := rand.New(rand.NewPCG(from, 8))
	for n := from; n <= to; n++ {
		b := &daq.Batch{N: 1, K: 10000, Counts: make([]int32, 10000)}
		for i := range b.Counts {
			b.Counts[i] = int32(rng.Uint32())
		}
		es = append(es, daq.Entry{N: n, At: int64(n), Kind: daq.EntryBatch, Batch: b})
	}
	return es
}

// A full disk is bridged by the queue; once there is room the run goes on
// without loss.
func TestDiskFullIsBridged(t *testing.T) {
	t.Parallel()
	x, s := fullStore(t)
	r := mustCreate(t, s, "r1")
	want := bulky(1, 12)
	for _, e := range want[:3] {
		r.Append(e)
	}
	committed(t, r.Health, 3)
	x.set(0)
	for _, e := range want[3:] {
		r.Append(e)
	}
	for range 5000 {
		if r.Health().Err != nil {
			break
		}
		time.Sleep(time.Millisecond)
	}
	if h := r.Health(); !errors.Is(h.Err, ErrDiskFull) {
		t.Fatalf("health on a full disk: %+v", h)
	}
	x.set(-1)
	committed(t, r.Health, 12)
	if m := mustClose(t, r); m.Lost != 0 || !sameEntries(readAll(t, s, "r1"), want) {
		t.Errorf("lost %d, or entries differ", m.Lost)
	}
	if _, err := os.Stat(filepath.Join(x.dir, ballastFile)); err != nil {
		t.Errorf("the ballast was given away without need: %v", err)
	}
}

// A run is closed on a full disk: with the ballast's room, and by dropping, as
// a declared gap, what doesn't fit into that.
func TestDiskFullCloses(t *testing.T) {
	t.Parallel()
	x, s := fullStore(t)
	r := mustCreate(t, s, "r1")
	want := bulky(1, 12)
	for _, e := range want[:3] {
		r.Append(e)
	}
	committed(t, r.Health, 3)
	x.set(0)
	for _, e := range want[3:] {
		r.Append(e)
	}
	m := mustClose(t, r)
	if m.State != StateClosed || m.Lost != 9 || m.Last != 12 || !sameEntries(readAll(t, s, "r1"), want[:3]) {
		t.Errorf("description %+v, or entries differ", m)
	}
	if err := s.Check("r1"); err != nil {
		t.Error(err)
	}
	if _, err := os.Stat(filepath.Join(x.dir, ballastFile)); err == nil {
		t.Error("the ballast was not given back")
	}
	// The next run needs it again.
	x.set(-1)
	mustClose(t, mustCreate(t, s, "r2"))
	if st, err := os.Stat(filepath.Join(x.dir, ballastFile)); err != nil || st.Size() != 1<<16 {
		t.Errorf("the ballast before the next run: %v", err)
	}
}
