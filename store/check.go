package store

import (
	"context"
	"errors"
	"io"
	"path/filepath"
)

// Check reads all of a run's raw data and compares it with everything that
// was said of it: every checksum, the numbers of rows, commits and entries, the
// seals, the sidecar's last commit, and for an ended run the run hash and the
// catalog. It returns nil or a *Corrupt, or another
// error when the run couldn't be read at all.
func (s *Store) Check(id string) error {
	m, err := s.cat.get(context.Background(), id)
	if err != nil {
		return err
	}
	dir := s.folder(m)
	// Before the database: a run that is being written only moves on.
	said, err := readMark(filepath.Join(dir, commitFile))
	if err != nil {
		return corrupt(id, commitFile, "%v", err)
	}
	r, err := openReader(dir, m)
	if err != nil {
		return err
	}
	defer r.Close()
	c := checker{r: r, ctx: context.Background()}
	if err := c.run(said); err != nil {
		return err
	}
	return c.against(m)
}

// checker walks through a run within one read transaction.
type checker struct {
	r    *Reader
	ctx  context.Context
	q    queryer
	last commitRow
	gaps uint64
	lost uint64
	sum  uint64 // entries
	low  uint64 // first entry
}

func (c *checker) run(said mark) error {
	conn, err := c.r.db.Conn(c.ctx)
	if err != nil {
		return c.r.trouble(runFile, err)
	}
	defer conn.Close()
	c.q = conn
	if _, err := conn.ExecContext(c.ctx, "BEGIN"); err != nil {
		return c.r.trouble(runFile, err)
	}
	defer conn.ExecContext(c.ctx, "ROLLBACK")
	if err := c.structure(); err != nil {
		return err
	}
	c.last.seal = headerSeal([]byte(c.r.header))
	if said.commit == 0 && said.seal != c.last.seal {
		return corrupt(c.r.id, commitFile, "says nothing that fits the run's header")
	}
	for {
		next, err := c.r.commitAfter(c.ctx, c.q, c.last.n)
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return err
		}
		if err := c.commit(next, said); err != nil {
			return err
		}
	}
	if said.commit > c.last.n {
		return lostTail(c.r.id, said, c.last.n)
	}
	return c.strays()
}

// structure has SQLite check its own pages.
func (c *checker) structure() error {
	var answer string
	if err := c.q.QueryRowContext(c.ctx, "PRAGMA quick_check(1)").Scan(&answer); err != nil {
		return c.r.trouble(runFile, err)
	}
	if answer != "ok" {
		return corrupt(c.r.id, runFile, "%s", answer)
	}
	return nil
}

// commit checks one commit against the one before.
func (c *checker) commit(n commitRow, said mark) error {
	record, err := c.r.rows(c.ctx, c.q, tableRecord, c.last.recordTo, n.recordTo)
	if err != nil {
		return err
	}
	derived, err := c.r.rows(c.ctx, c.q, tableDerived, c.last.derivedTo, n.derivedTo)
	if err != nil {
		return err
	}
	if c.r.entries, err = c.r.unpack(c.r.entries[:0], record, n, c.last.last); err != nil {
		return err
	}
	s := newSealer(c.last.seal, n.n, n.first, n.last, n.entries)
	for i := range record {
		s.row(&record[i])
		c.gap(&record[i])
	}
	for i := range derived {
		s.row(&derived[i])
	}
	if s.sum() != n.seal {
		return corrupt(c.r.id, runFile, "commit %d doesn't fit its seal", n.n)
	}
	if said.commit == n.n && (said.seal != n.seal || said.entry != n.last) {
		return corrupt(c.r.id, commitFile, "commit %d is another one than the sidecar's", n.n)
	}
	if c.low == 0 && n.last >= n.first {
		c.low = n.first
	}
	c.sum += n.entries
	c.last = n
	return nil
}

func (c *checker) gap(w *row) {
	if w.kind != rowGap {
		return
	}
	c.gaps++
	if string(w.body) != `{"why":"`+whyBefore+`"}` {
		c.lost += w.b - w.a + 1
	}
}

// strays looks for rows that no commit covers.
func (c *checker) strays() error {
	var record, derived int64
	err := c.q.QueryRowContext(c.ctx, "SELECT (SELECT count(*) FROM record), (SELECT count(*) FROM derived)").Scan(&record, &derived)
	if err != nil {
		return c.r.trouble(runFile, err)
	}
	if record != c.last.recordTo || derived != c.last.derivedTo {
		return corrupt(c.r.id, runFile, "%d record and %d derived rows, but the commits cover %d and %d", record, derived, c.last.recordTo, c.last.derivedTo)
	}
	return nil
}

// against compares an ended run with its end row and the catalog.
func (c *checker) against(m Meta) error {
	id := c.r.id
	if c.r.end == nil {
		if m.State == StateClosed {
			return corrupt(id, runFile+", end", "the catalog says closed, the row is missing")
		}
		if m.State == StateInterrupted && m.Commits > c.last.n {
			return corrupt(id, catalogFile, "%d commits were acknowledged, the file has %d: its tail was lost", m.Commits, c.last.n)
		}
		return nil
	}
	body, err := c.r.what(whatEnd)
	if err != nil {
		return err
	}
	if want := runHash(c.last.seal, []byte(body)); want != c.r.hash {
		return corrupt(id, runFile+", hash", "run hash is %s, expected %s", c.r.hash, want)
	}
	e := c.r.end
	if e.Commits != c.last.n || e.Last != c.last.last || e.First != c.low || e.Entries != c.sum || e.Gaps != c.gaps || e.Lost != c.lost {
		return corrupt(id, runFile+", end", "counts differ from the content")
	}
	if m.State != StateOpen && (m.Hash != c.r.hash || m.Commits != e.Commits) {
		return corrupt(id, catalogFile, "it has run hash %q and %d commits, the run has %q and %d", m.Hash, m.Commits, c.r.hash, e.Commits)
	}
	return nil
}
