package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"os"
	"path/filepath"
)

// Recovery tells what Open made of a run that was left open by a crash, or of
// a folder that the catalog didn't know.
type Recovery struct {
	ID        string
	State     State
	Committed uint64 // last entry that is on disk
	Err       error  // what is wrong with the run; its folder was left as it is
}

// Recovered lists what Open had to recover, for the log.
func (s *Store) Recovered() []Recovery { return s.recovered }

// recover ends the runs that nobody writes any more.
func (s *Store) recover() error {
	ctx := context.Background()
	known := map[string]Meta{}
	list, err := s.cat.list(ctx, Filter{Idle: true})
	if err != nil {
		return fmt.Errorf("store: catalog: %w; move %s away to have it made again from the runs' folders", err, filepath.Join(s.dir, catalogFile))
	}
	for _, m := range list {
		known[m.ID] = m
	}
	for _, k := range []Kind{KindRun, KindIdle} {
		names, err := os.ReadDir(s.sub(k))
		if err != nil {
			return diskError(err)
		}
		for _, d := range names {
			m, ok := known[d.Name()]
			if !d.IsDir() || ok && m.State != StateOpen {
				continue
			}
			dir := filepath.Join(s.sub(k), d.Name())
			if beingWritten(filepath.Join(dir, commitFile)) {
				continue
			}
			if err := s.recoverRun(ctx, dir, d.Name(), m, ok); err != nil {
				return err
			}
		}
	}
	return nil
}

// recoverRun recovers one run and puts it into the catalog. Only the catalog's
// errors are returned; the run's own stand in its Recovery.
func (s *Store) recoverRun(ctx context.Context, dir, id string, m Meta, known bool) error {
	got, err := recoverFile(dir, id)
	rec := Recovery{ID: id, State: StateInterrupted, Committed: got.Last, Err: err}
	switch {
	case err == nil:
		m, rec.State = got, got.State
	case !known:
		s.recovered = append(s.recovered, rec) // nothing that could be listed
		return nil
	default:
		m.State = StateInterrupted
		m.Last, m.Commits = got.Last, got.Commits
	}
	s.recovered = append(s.recovered, rec)
	return diskError(s.cat.put(ctx, m))
}

// recoverFile ends a run file as interrupted, unless it has an end, and
// returns its description.
func recoverFile(dir, id string) (Meta, error) {
	r, err := openReader(dir, Meta{ID: id, State: StateInterrupted})
	if err != nil {
		return Meta{}, err
	}
	if r.end != nil && sealed(dir) {
		return r.Meta(), r.Close()
	}
	m, err := endFile(dir, r)
	return m, errors.Join(err, r.Close())
}

func sealed(dir string) bool {
	st, err := os.Stat(filepath.Join(dir, runFile))
	return err == nil && st.Mode().Perm()&0o222 == 0
}

// endFile writes the end that the dead writer couldn't. A file whose tail is
// lost, or whose last commit can't be read, is left as it is.
func endFile(dir string, r *Reader) (Meta, error) {
	m := r.Meta()
	t, err := readTail(r.db)
	if err != nil {
		return m, r.trouble(runFile+", commits", err)
	}
	if t.commit == 0 {
		t.seal = headerSeal([]byte(r.header))
	}
	said, err := readMark(filepath.Join(dir, commitFile))
	if err != nil {
		return m, corrupt(r.id, commitFile, "%v", err)
	}
	if said.commit > t.commit {
		m.Commits = said.commit
		return m, lostTail(r.id, said, t.commit)
	}
	f := &file{dir: dir, meta: m.header(), tail: t}
	if err := f.count(r); err != nil {
		return m, err
	}
	e := f.ending(StateInterrupted, End{At: f.at, Note: "the program ended before the run did"})
	if r.end != nil {
		f.meta = m // only the file's last steps are missing
	}
	r.db.Close() // its connection would keep the log from being put away
	defer f.close()
	if f.side, err = openSidecar(filepath.Join(dir, commitFile)); err != nil {
		return m, err
	}
	if err := f.connect(); err != nil {
		return m, diskError(err)
	}
	if t.commit > said.commit {
		if err := f.say(); err != nil {
			return m, diskError(err)
		}
	}
	return f.finish(e)
}

func lostTail(id string, said mark, have uint64) *Corrupt {
	return corrupt(id, runFile, "commit %d (up to entry %d) was acknowledged, but the file ends with commit %d: its tail was lost", said.commit, said.entry, have)
}

// count finds the gaps and the time of the last entry.
func (f *file) count(r *Reader) error {
	gaps, err := r.Gaps()
	if err != nil {
		return err
	}
	f.gaps = uint64(len(gaps))
	for _, g := range gaps {
		if g.Lost() {
			f.lost += g.Last - g.First + 1
		}
	}
	f.at = f.meta.Start
	var last sql.NullInt64
	err = r.db.QueryRow("SELECT max(n) FROM commits WHERE entries>0").Scan(&last)
	if err != nil || !last.Valid {
		return r.trouble(runFile+", commits", err)
	}
	var before sql.NullInt64
	if err := r.db.QueryRow("SELECT last FROM commits WHERE n=?", last.Int64-1).Scan(&before); err != nil && !errors.Is(err, sql.ErrNoRows) {
		return r.trouble(runFile+", commits", err)
	}
	if err := r.After(uint64(before.Int64)); err != nil {
		return err
	}
	if err := r.load(); err != nil {
		return err
	}
	if n := len(r.entries); n > 0 {
		f.at = r.entries[n-1].At
	}
	return nil
}
