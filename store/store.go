package store

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"time"
)

// Access is what a process means to do with a data folder.
type Access int

const (
	Daemon Access = iota // the one that records, recovers and keeps the ballast
	Import               // adds runs beside a daemon (or without one)
	Read                 // reads beside anybody
)

// Options of a store. Zero values stand for the defaults.
type Options struct {
	Access         Access
	CommitInterval time.Duration // between commits; 200 ms
	CommitBytes    int           // commit earlier when this much waits; 8 MiB, at most 16 MiB
	QueueBytes     int           // most that may wait for the disk, for each run; 256 MiB
	BallastBytes   int64         // given back to the disk to close a run when it is full; 32 MiB, < 0: none
	// OnCommit is told of each acknowledged commit and the last entry it
	// covers, by the writer's goroutine. It must not wait.
	OnCommit func(run string, entry uint64)

	hook func(*file) // tests reach a new file before its writer does
}

func (o Options) withDefaults() Options {
	if o.CommitInterval <= 0 {
		o.CommitInterval = 200 * time.Millisecond
	}
	if o.CommitBytes <= 0 {
		o.CommitBytes = 8 << 20
	}
	o.CommitBytes = min(o.CommitBytes, 16<<20)
	if o.QueueBytes <= 0 {
		o.QueueBytes = 256 << 20
	}
	if o.BallastBytes == 0 {
		o.BallastBytes = 32 << 20
	}
	return o
}

// Store is a data folder. Its methods may be used by several goroutines at
// the same time.
type Store struct {
	dir     string
	opts    Options
	lock    *os.File
	cat     *catalog
	ballast *ballast

	mu        sync.Mutex
	open      []*journal // runs and idle records being written
	recovered []Recovery
}

// Open opens the data folder dir. With Daemon access it makes the folder,
// locks it against a second daemon, and recovers the runs that a crash left
// open (see Recovered).
func Open(dir string, o Options) (*Store, error) {
	s := &Store{dir: dir, opts: o.withDefaults()}
	s.ballast = newBallast(dir, s.opts.BallastBytes)
	if err := s.start(); err != nil {
		s.Close()
		return nil, err
	}
	return s, nil
}

func (s *Store) start() (err error) {
	write := s.opts.Access != Read
	if write {
		for _, d := range []string{s.dir, s.sub(KindRun), s.sub(KindIdle)} {
			if err := os.MkdirAll(d, 0o755); err != nil {
				return diskError(err)
			}
		}
	} else if _, err := os.Stat(filepath.Join(s.dir, catalogFile)); err != nil {
		return fmt.Errorf("store: %s holds no runs (%w); name the data folder with --data", s.dir, err)
	}
	if s.opts.Access == Daemon {
		if s.lock, err = lockFolder(filepath.Join(s.dir, "lock")); err != nil {
			return err
		}
	}
	if s.cat, err = openCatalog(s.dir, write); err != nil {
		return err
	}
	if write {
		if err := syncFolder(s.dir); err != nil {
			return diskError(err)
		}
	}
	if s.opts.Access == Daemon {
		return s.recover()
	}
	return nil
}

// Close ends the use of the folder. Runs still being written are abandoned:
// what they queued is committed if the disk takes it at once, and they count
// as interrupted. Close runs first.
func (s *Store) Close() error {
	var errs []error
	s.mu.Lock()
	open := slices.Clone(s.open)
	s.mu.Unlock()
	for _, j := range open {
		errs = append(errs, j.abandon())
	}
	if s.cat != nil {
		errs = append(errs, s.cat.close())
	}
	if s.lock != nil {
		errs = append(errs, s.lock.Close())
	}
	return errors.Join(errs...)
}

// Dir is the data folder.
func (s *Store) Dir() string { return s.dir }

// sub is the folder of a kind's runs.
func (s *Store) sub(k Kind) string {
	if k == KindIdle {
		return filepath.Join(s.dir, "idle")
	}
	return filepath.Join(s.dir, "runs")
}

func (s *Store) folder(m Meta) string { return filepath.Join(s.sub(m.Kind), m.ID) }

// Create begins a run. Its id must be new (NewID makes one); an id that was
// ever used is refused with ErrExists. When Create returns, the run's files
// are on disk.
func (s *Store) Create(m Meta) (*Run, error) {
	if m.Kind != KindRun && m.Kind != KindImport {
		return nil, fmt.Errorf("store: kind %q of run %s: %q or %q is expected", m.Kind, m.ID, KindRun, KindImport)
	}
	f, err := s.create(m)
	if err != nil {
		return nil, err
	}
	j := newJournal(s, f)
	s.register(j)
	go j.write()
	return &Run{journal: j}, nil
}

// create makes a run's folder and its line in the catalog.
func (s *Store) create(m Meta) (*file, error) {
	if s.opts.Access == Read {
		return nil, ErrReadOnly
	}
	if err := checkID(m.ID); err != nil {
		return nil, err
	}
	if s.opts.Access == Daemon && s.opts.BallastBytes > 0 {
		if err := s.ballast.ensure(); err != nil {
			return nil, fmt.Errorf("store: ballast file: %w", diskError(err))
		}
	}
	_, err := s.cat.get(context.Background(), m.ID)
	if err == nil {
		return nil, fmt.Errorf("%w (%s)", ErrExists, m.ID)
	}
	if !errors.Is(err, ErrUnknown) {
		return nil, err
	}
	f, err := createFile(s.folder(m), m)
	if err != nil {
		return nil, err
	}
	if s.opts.hook != nil {
		s.opts.hook(f)
	}
	if err := s.cat.put(context.Background(), f.meta); err != nil {
		f.close()
		os.RemoveAll(f.dir) // nothing has been promised of it yet
		return nil, diskError(err)
	}
	return f, nil
}

// releaseBallast gives the ballast back to the disk; an error says that there
// is none to give.
func (s *Store) releaseBallast() error {
	if s.opts.Access != Daemon {
		return ErrReadOnly
	}
	return s.ballast.release()
}

func (s *Store) register(j *journal) {
	s.mu.Lock()
	s.open = append(s.open, j)
	s.mu.Unlock()
}

func (s *Store) forget(j *journal) {
	s.mu.Lock()
	s.open = slices.DeleteFunc(s.open, func(o *journal) bool { return o == j })
	s.mu.Unlock()
}

// Runs returns the runs that the filter selects, by id.
func (s *Store) Runs(f Filter) ([]Meta, error) {
	all, err := s.cat.list(context.Background(), f)
	if err != nil {
		return nil, fmt.Errorf("store: list of runs: %w", err)
	}
	out := all[:0]
	for _, m := range all {
		m = s.truthful(m)
		if f.State != "" && m.State != f.State {
			continue
		}
		if out = append(out, m); f.Limit > 0 && len(out) == f.Limit {
			break
		}
	}
	return out, nil
}

// Meta returns the description of one run.
func (s *Store) Meta(id string) (Meta, error) {
	m, err := s.cat.get(context.Background(), id)
	if err != nil {
		return m, err
	}
	return s.truthful(m), nil
}

// truthful calls a run interrupted that the catalog has as open but nobody
// writes.
func (s *Store) truthful(m Meta) Meta {
	if m.State == StateOpen && !beingWritten(filepath.Join(s.folder(m), commitFile)) {
		m.State = StateInterrupted
	}
	return m
}
