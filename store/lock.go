package store

import (
	"errors"
	"fmt"
	"os"
	"strings"
	"syscall"
	"time"
)

// flock takes a lock on an open file. It is freed when the file is closed,
// also by the death of the process. It tries for a moment, for a reader that
// asks whether somebody writes holds it for an instant.
func flock(f *os.File, how int) error {
	var err error
	for try := 0; try < 20; try++ {
		err = syscall.Flock(int(f.Fd()), how|syscall.LOCK_NB)
		if !errors.Is(err, syscall.EWOULDBLOCK) && !errors.Is(err, syscall.EINTR) {
			return err
		}
		time.Sleep(10 * time.Millisecond)
	}
	return err
}

// lockFolder makes this process the one writer of the data folder.
func lockFolder(path string) (*os.File, error) {
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o644)
	if err != nil {
		return nil, err
	}
	if err := flock(f, syscall.LOCK_EX); err != nil {
		pid, _ := os.ReadFile(path)
		f.Close()
		return nil, fmt.Errorf("%w (process %s holds %s)", ErrLocked, strings.TrimSpace(string(pid)), path)
	}
	if err := f.Truncate(0); err != nil {
		f.Close()
		return nil, err
	}
	_, err = f.WriteAt(fmt.Appendf(nil, "%d\n", os.Getpid()), 0)
	if err != nil {
		f.Close()
		return nil, err
	}
	return f, nil
}

// beingWritten tells whether some process holds the lock of a run's sidecar.
func beingWritten(path string) bool {
	f, err := os.Open(path)
	if err != nil {
		return false
	}
	defer f.Close()
	return errors.Is(syscall.Flock(int(f.Fd()), syscall.LOCK_SH|syscall.LOCK_NB), syscall.EWOULDBLOCK)
}

// syncFolder makes a folder's entries durable; SQLite doesn't insist on it.
func syncFolder(path string) error {
	d, err := os.Open(path)
	if err != nil {
		return err
	}
	defer d.Close()
	return d.Sync()
}

// SpaceLeft returns the bytes that an unprivileged process can still write on
// the disk of a folder.
func SpaceLeft(dir string) (uint64, error) {
	var st syscall.Statfs_t
	if err := syscall.Statfs(dir, &st); err != nil {
		return 0, fmt.Errorf("store: space left in %s: %w", dir, err)
	}
	return uint64(st.Bavail) * uint64(st.Bsize), nil
}
