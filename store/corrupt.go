package store

import (
	"errors"
	"fmt"
	"syscall"

	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"
)

// Errors that callers tell apart with errors.Is. Their texts say the next
// move.
var (
	ErrExists   = errors.New("store: a run with this id exists; ids are never used twice, make a new one")
	ErrUnknown  = errors.New("store: no run with this id; `ventward runs` lists those stored")
	ErrLocked   = errors.New("store: another ventward writes to this data folder; stop it, or name another folder with --data")
	ErrReadOnly = errors.New("store: opened for reading only")
	ErrDiskFull = errors.New("store: disk full; free space on the data folder's disk")
	ErrDisk     = errors.New("store: the disk refuses writes; check the disk and the kernel log")
	ErrClosed   = errors.New("store: the run has been closed")
	ErrVersion  = errors.New("written by a newer program; use that or a later one")
)

// Corrupt says that stored bytes are not what was written. Nothing read after
// it can be trusted to be complete.
type Corrupt struct {
	Run   string // id
	Where string // file, table and row
	What  string // what was found and what was expected
}

// Error names the place, the finding and the next move.
func (c *Corrupt) Error() string {
	return fmt.Sprintf("store: run %s is damaged at %s: %s; keep the folder as it is and restore the run from a copy", c.Run, c.Where, c.What)
}

func corrupt(run, where, format string, a ...any) *Corrupt {
	return &Corrupt{Run: run, Where: where, What: fmt.Sprintf(format, a...)}
}

// code returns SQLite's primary result code, or 0 for other errors.
func code(err error) int {
	var e *sqlite.Error
	if errors.As(err, &e) {
		return e.Code() & 0xff
	}
	return 0
}

func isFull(err error) bool {
	return errors.Is(err, ErrDiskFull) || code(err) == sqlite3.SQLITE_FULL || errors.Is(err, syscall.ENOSPC)
}

// damaged tells whether SQLite found its own structures broken.
func damaged(err error) bool {
	c := code(err)
	return c == sqlite3.SQLITE_CORRUPT || c == sqlite3.SQLITE_NOTADB
}

// diskError puts a disk's refusal into one of the two classes that an operator
// acts on differently.
func diskError(err error) error {
	if err == nil || errors.Is(err, ErrDisk) || errors.Is(err, ErrDiskFull) {
		return err
	}
	if isFull(err) {
		return fmt.Errorf("%w (%w)", ErrDiskFull, err)
	}
	return fmt.Errorf("%w (%w)", ErrDisk, err)
}
