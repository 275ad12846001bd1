package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"ventward/store"
)

// A disk of its own runs full in mid-run: the alarm stands, the test goes on
// and trips as ever, the run is closed with the room that was kept for that,
// and what had been acknowledged is there. With room again the next run is
// recorded as ever.
func TestDiskFullForReal(t *testing.T) {
	t.Parallel()
	r := newRig(t, 33, func(s string) string { return strings.Replace(s, "min_free_MB = 2000", "min_free_MB = 10", 1) })
	own := smallDisk(t, r.data, 256<<20) // of which the ballast takes 32 MB
	r.serve()
	run := underTest(t, r)
	kept := r.acknowledged(run)
	for end := time.Now().Add(20 * time.Second); kept == 0 && time.Now().Before(end); time.Sleep(50 * time.Millisecond) {
		kept = r.acknowledged(run)
	}
	empty := r.fill(own)
	r.awaitAlarm("Recording")
	if s := r.state(); s["phase"] != "under test" || !demandedOn(s) { // read-backs may be late on a busy machine
		t.Errorf("a full disk moved the test: %v", s["phase"])
	}
	full := r.acknowledged(run)
	r.openFast()
	r.await("the trip of the opening", 30*time.Second, func(s map[string]any) bool { return tripped(s, "Opening") && supplyOff(s) })
	if own {
		r.ended(run) // still full: what was kept for that has to do
	}
	empty()
	if !own {
		r.ended(run)
	}
	if last := r.acknowledged(run); kept == 0 || full < kept || last < full {
		t.Errorf("entries that could be read before, on the full disk and after: %d, %d, %d", kept, full, last)
	}
	r.verify(run)
	r.await("the record to be well again", 30*time.Second, func(s map[string]any) bool {
		rec, _ := s["record"].(map[string]any)
		return rec != nil && (rec["error"] == nil || rec["error"] == "")
	})
	second := armed(t, r)
	r.await("entries of the next run on disk", 30*time.Second, func(map[string]any) bool { return r.acknowledged(second) > 0 })
	r.ended(second)
	r.verify(second)
}

// smallDisk gives dir a disk of its own. false: the machine allows no mounts,
// and writes have to be made to fail instead.
func smallDisk(t testing.TB, dir string, bytes int) bool {
	t.Helper()
	if err := os.MkdirAll(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	if err := unix.Mount("none", dir, "tmpfs", 0, fmt.Sprintf("size=%d", bytes)); err != nil {
		t.Logf("no disk of its own (%v): system calls are made to fail instead", err)
		return false
	}
	t.Cleanup(func() {
		if err := unix.Unmount(dir, unix.MNT_DETACH); err != nil {
			t.Error(err)
		}
	})
	return true
}

// fill takes all the room there is until empty is called.
func (r *rig) fill(own bool) (empty func()) {
	r.t.Helper()
	if !own {
		return r.inject("pwrite64,fallocate", "ENOSPC")
	}
	return fillDisk(r.t, r.data)
}

// fillDisk takes all the room of dir's disk until empty is called.
func fillDisk(t testing.TB, dir string) (empty func()) {
	t.Helper()
	f := newFilling(t, dir)
	f.more(t)
	return f.empty
}

// A filling takes the room of a disk. It is not written, only taken.
type filling struct {
	f     *os.File
	size  int64
	empty func()
}

func newFilling(t testing.TB, dir string) *filling {
	t.Helper()
	path := filepath.Join(dir, "filling")
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	return &filling{f: f, empty: func() {
		if err := errors.Join(f.Close(), os.Remove(path)); err != nil {
			t.Error(err)
		}
	}}
}

// more takes what room there is now.
func (f *filling) more(t testing.TB) {
	t.Helper()
	for part := int64(64 << 20); part >= 4096; {
		if err := unix.Fallocate(int(f.f.Fd()), 0, f.size, part); errors.Is(err, unix.ENOSPC) {
			part /= 4
		} else if err != nil {
			t.Fatal(err)
		} else {
			f.size += part
		}
	}
}

// acknowledged counts the entries of a run that can be read from its file.
func (r *rig) acknowledged(run string) (n int) {
	r.t.Helper()
	st, err := store.Open(r.data, store.Options{Access: store.Read})
	if err != nil {
		r.t.Fatal(err)
	}
	defer st.Close()
	rd, err := st.Reader(run)
	if err != nil {
		return 0 // it is only being made
	}
	defer rd.Close()
	for {
		switch _, err := rd.Next(); {
		case err == nil:
			n++
		case errors.Is(err, io.EOF):
			return n
		default:
			r.t.Fatal(fmt.Errorf("after %d entries: %w", n, err))
		}
	}
}
