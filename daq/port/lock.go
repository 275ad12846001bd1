package port

import (
	"errors"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"strings"

	"golang.org/x/sys/unix"
)

// ErrBusy is wrapped by the error of an Open that another Link, in this or
// another process, keeps from the device.
var ErrBusy = errors.New("in use")

// A lock keeps a second Link from a device, also for the superuser, whom the
// terminal's own exclusive mode doesn't stop. The system drops it when the
// process ends, however it ends.
type lock struct{ f *os.File }

// lockName returns the lock file's name for a resolved device path. Escaping
// keeps different devices apart.
func lockName(device string) string {
	return url.PathEscape(strings.TrimPrefix(device, "/")) + ".lock"
}

// take locks the device. The lock file stays behind when the lock is dropped:
// removing it would let two programs lock two files of one name.
func take(dir, device string) (*lock, error) {
	if err := os.MkdirAll(dir, 0o777); err != nil {
		return nil, fmt.Errorf("port: %s: no folder for lock files: %w; name one that can be written", device, err)
	}
	// Several users of a machine share the folder; the process's mask must not
	// keep them out. Whoever doesn't own the folder can't, and needn't.
	_ = os.Chmod(dir, 0o777|os.ModeSticky)
	name := filepath.Join(dir, lockName(device))
	f, err := os.OpenFile(name, os.O_RDWR|os.O_CREATE|unix.O_NOFOLLOW, 0o666)
	if err != nil {
		return nil, fmt.Errorf("port: %s: can't open its lock file: %w; name another folder for lock files", device, err)
	}
	if err := flock(f); err != nil {
		holder := readHolder(f)
		f.Close()
		if errors.Is(err, unix.EWOULDBLOCK) {
			return nil, fmt.Errorf("port: %s is %w by %s; end that program or give this instrument another port", device, ErrBusy, holder)
		}
		return nil, fmt.Errorf("port: %s: can't lock %s: %w; name a folder on a local disk for lock files", device, name, err)
	}
	_ = f.Chmod(0o666)
	// The content only serves the message above.
	if f.Truncate(0) == nil {
		_, _ = fmt.Fprintf(f, "process %d", os.Getpid())
	}
	return &lock{f: f}, nil
}

func flock(f *os.File) error {
	for {
		err := unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB)
		if !errors.Is(err, unix.EINTR) {
			return err
		}
	}
}

func readHolder(f *os.File) string {
	var buf [64]byte
	n, _ := f.ReadAt(buf[:], 0)
	if n == 0 {
		return "another program"
	}
	return string(buf[:n])
}

func (l *lock) drop() { l.f.Close() }
