package sim

import (
	"encoding/binary"
	"fmt"
	"os"
	"path/filepath"
	"sync/atomic"
	"unsafe"

	"golang.org/x/sys/unix"
)

// Monotonic returns CLOCK_MONOTONIC in ns. All processes of one machine agree
// on it, and a step of the wall clock does not touch it.
func Monotonic() int64 {
	var ts unix.Timespec
	if err := unix.ClockGettime(unix.CLOCK_MONOTONIC, &ts); err != nil {
		return 0 // can't fail for this clock
	}
	return ts.Nano()
}

const (
	pageSize  = 4096
	pageMagic = "ventsim1"
	nowAt     = 64  // each counter on a cache line of its own
	doneAt    = 128 //
)

// A Page is a file mapped by the simulator and the daemon: the simulator
// writes the simulated time there, the daemon how far it has come. It stands
// in for the daemon's monotonic clock whenever the speed is not 1.
//
// Both are int64 ns on the scale of Monotonic. Methods may be called from any
// goroutine.
type Page struct {
	mem  []byte
	now  *atomic.Int64
	done *atomic.Int64
}

// Create makes the file (or clears the one that is there) and maps it. Now and
// Progress start at the present Monotonic time.
func Create(path string) (*Page, error) {
	tmp, err := os.CreateTemp(filepath.Dir(path), ".page-*")
	if err != nil {
		return nil, fmt.Errorf("clock page %s: %w: name a folder that can be written", path, err)
	}
	defer tmp.Close()
	b := make([]byte, pageSize)
	copy(b, pageMagic)
	t := uint64(Monotonic())
	binary.NativeEndian.PutUint64(b[nowAt:], t)
	binary.NativeEndian.PutUint64(b[doneAt:], t)
	if _, err = tmp.Write(b); err == nil {
		err = os.Rename(tmp.Name(), path)
	}
	if err != nil {
		os.Remove(tmp.Name())
		return nil, fmt.Errorf("clock page %s: %w", path, err)
	}
	return mapPage(tmp, path)
}

// Open maps a page that another process created.
func Open(path string) (*Page, error) {
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		return nil, fmt.Errorf("clock page: %w: start the simulator first", err)
	}
	defer f.Close()
	return mapPage(f, path)
}

func mapPage(f *os.File, path string) (*Page, error) {
	if st, err := f.Stat(); err != nil || st.Size() != pageSize {
		return nil, fmt.Errorf("clock page %s is not one: it must be %d bytes (%v)", path, pageSize, err)
	}
	mem, err := unix.Mmap(int(f.Fd()), 0, pageSize, unix.PROT_READ|unix.PROT_WRITE, unix.MAP_SHARED)
	if err != nil {
		return nil, fmt.Errorf("clock page %s: mmap: %w", path, err)
	}
	if string(mem[:len(pageMagic)]) != pageMagic {
		unix.Munmap(mem)
		return nil, fmt.Errorf("clock page %s is not one: its first bytes are not %q", path, pageMagic)
	}
	return &Page{
		mem:  mem,
		now:  (*atomic.Int64)(unsafe.Pointer(&mem[nowAt])),
		done: (*atomic.Int64)(unsafe.Pointer(&mem[doneAt])),
	}, nil
}

// Now is the simulated time, ns. Every reading that was sent by now was
// sampled at or before it.
func (p *Page) Now() int64 { return p.now.Load() }

// SetNow is the simulator's.
func (p *Page) SetNow(ns int64) { p.now.Store(ns) }

// Progress is the bench time, ns, up to which the daemon has done its work.
func (p *Page) Progress() int64 { return p.done.Load() }

// SetProgress is the daemon's: it has nothing left to do that came up to ns.
// Call it with a value of Now taken before looking whether there is anything
// left, also when nothing came: the simulator runs at most a lead ahead of it.
func (p *Page) SetProgress(ns int64) { p.done.Store(ns) }

// Close unmaps the page. No method may be called after it.
func (p *Page) Close() error { return unix.Munmap(p.mem) }
