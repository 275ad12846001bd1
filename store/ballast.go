package store

import (
	"os"
	"path/filepath"
	"sync"
)

const ballastFile = "ballast"

// ballast is room on the disk that is kept taken so that it can be given back
// when the disk is full and a run must be closed.
type ballast struct {
	mu   sync.Mutex
	path string
	size int64
}

func newBallast(dir string, size int64) *ballast {
	return &ballast{path: filepath.Join(dir, ballastFile), size: size}
}

// ensure makes the file if it isn't there in full. It is written, not only
// sized: a hole takes no room.
func (b *ballast) ensure() error {
	b.mu.Lock()
	defer b.mu.Unlock()
	if st, err := os.Stat(b.path); b.size <= 0 || err == nil && st.Size() == b.size {
		return nil
	}
	f, err := os.OpenFile(b.path, os.O_CREATE|os.O_TRUNC|os.O_WRONLY, 0o644)
	if err != nil {
		return err
	}
	err = b.fill(f)
	if cerr := f.Close(); err == nil {
		err = cerr
	}
	if err != nil {
		os.Remove(b.path) // part of a ballast only takes room away
	}
	return err
}

func (b *ballast) fill(f *os.File) error {
	zeros := make([]byte, 1<<20)
	for left := b.size; left > 0; {
		n, err := f.Write(zeros[:min(left, int64(len(zeros)))])
		if err != nil {
			return err
		}
		left -= int64(n)
	}
	return f.Sync()
}

// release gives one half of the room back: first the one for what waits to be
// committed, then the one for the end of the run, which takes as much again as
// the log holds. An error says that there is none left.
func (b *ballast) release() error {
	b.mu.Lock()
	defer b.mu.Unlock()
	st, err := os.Stat(b.path)
	if err != nil {
		return err
	}
	if half := b.size / 2; st.Size() > half {
		return os.Truncate(b.path, half)
	}
	return os.Remove(b.path)
}
