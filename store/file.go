package store

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/binary"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"hash/crc32"
	"os"
	"path/filepath"
	"strconv"
)

const (
	runFile    = "run.db"
	commitFile = "run.commit"
	runAppID   = 0x56575244
	runVersion = 1
	sealPrefix = "ventward run 1\n"
	whatHeader = "header"
	whatEnd    = "end"
	whatHash   = "hash"
	runSchema  = `
CREATE TABLE run(what TEXT PRIMARY KEY, crc INTEGER NOT NULL, body TEXT NOT NULL) WITHOUT ROWID;
CREATE TABLE commits(n INTEGER PRIMARY KEY, first INTEGER NOT NULL, last INTEGER NOT NULL, entries INTEGER NOT NULL,
  record_to INTEGER NOT NULL, derived_to INTEGER NOT NULL, seal BLOB NOT NULL);
CREATE TABLE record(id INTEGER PRIMARY KEY, kind INTEGER NOT NULL, first INTEGER NOT NULL, last INTEGER NOT NULL,
  count INTEGER NOT NULL, crc INTEGER NOT NULL, body BLOB NOT NULL);
CREATE TABLE derived(id INTEGER PRIMARY KEY, kind INTEGER NOT NULL, n INTEGER NOT NULL, ref INTEGER NOT NULL,
  rev INTEGER NOT NULL, crc INTEGER NOT NULL, body TEXT NOT NULL)`
	insertRecord  = "INSERT INTO record(id,kind,first,last,count,crc,body) VALUES(?,?,?,?,?,?,?)"
	insertDerived = "INSERT INTO derived(id,kind,n,ref,rev,crc,body) VALUES(?,?,?,?,?,?,?)"
	insertCommit  = "INSERT INTO commits(n,first,last,entries,record_to,derived_to,seal) VALUES(?,?,?,?,?,?,?)"
	insertRun     = "INSERT OR REPLACE INTO run(what,crc,body) VALUES(?,?,?)"
)

// tail is where a run file's content ends.
type tail struct {
	commit    uint64
	first     uint64 // of the whole run
	last      uint64
	entries   uint64
	recordTo  int64
	derivedTo int64
	seal      seal
}

// file is one run's file, open for writing. One goroutine uses it.
type file struct {
	dir  string
	meta Meta
	db   *sql.DB
	conn *sql.Conn
	ins  [3]*sql.Stmt // record, derived, commits
	side *sidecar
	tail
	gaps    uint64
	lost    uint64
	at      int64                   // time of the last entry
	bytes   int64                   // of the bodies written by this process
	ended   bool                    // the end is written
	doubt   bool                    // the last commit failed: what the file holds must be looked up
	unsaid  bool                    // committed, but the sidecar doesn't say so yet
	checkFn func(step string) error // tests inject failures here
}

// createFile makes the run's folder and files, durable when it returns.
func createFile(dir string, m Meta) (*file, error) {
	if err := os.Mkdir(dir, 0o755); err != nil {
		if errors.Is(err, os.ErrExist) {
			return nil, fmt.Errorf("%w (%s)", ErrExists, m.ID)
		}
		return nil, diskError(err)
	}
	f := &file{dir: dir, meta: m.header()}
	if err := f.create(); err != nil {
		f.close()
		os.RemoveAll(dir) // nothing has been promised of it yet
		return nil, diskError(err)
	}
	return f, nil
}

func (f *file) create() (err error) {
	if f.side, err = openSidecar(filepath.Join(f.dir, commitFile)); err != nil {
		return err
	}
	if err = f.connect(); err != nil {
		return err
	}
	header, err := json.Marshal(f.meta)
	if err != nil {
		return err
	}
	f.seal = headerSeal(header)
	if err = f.put(whatHeader, header); err != nil {
		return err
	}
	if err = f.side.write(mark{seal: f.seal}); err != nil {
		return err
	}
	if err = syncFolder(f.dir); err != nil {
		return err
	}
	return syncFolder(filepath.Dir(f.dir))
}

func headerSeal(header []byte) seal {
	return sha256.Sum256(append([]byte(sealPrefix), header...))
}

// connect opens the database and prepares the statements.
func (f *file) connect() (err error) {
	if f.db, err = openDB(filepath.Join(f.dir, runFile), modeWrite); err != nil {
		return err
	}
	if err = prepareSchema(f.db, runAppID, runVersion, runSchema); err != nil {
		return err
	}
	ctx := context.Background()
	if f.conn, err = f.db.Conn(ctx); err != nil {
		return err
	}
	for i, s := range []string{insertRecord, insertDerived, insertCommit} {
		if f.ins[i], err = f.conn.PrepareContext(ctx, s); err != nil {
			return err
		}
	}
	return nil
}

func (f *file) disconnect() error {
	var errs []error
	for i, s := range f.ins {
		if s != nil {
			errs = append(errs, s.Close())
		}
		f.ins[i] = nil
	}
	if f.conn != nil {
		errs = append(errs, f.conn.Close())
		f.conn = nil
	}
	if f.db != nil {
		errs = append(errs, f.db.Close())
		f.db = nil
	}
	return errors.Join(errs...)
}

// close frees everything; the run stays as it is on disk.
func (f *file) close() error {
	err := f.disconnect()
	if f.side != nil {
		err = errors.Join(err, f.side.close())
		f.side = nil
	}
	return err
}

func (f *file) exec(stmt string) error {
	_, err := f.conn.ExecContext(context.Background(), stmt)
	return err
}

// put writes one row of the table run.
func (f *file) put(what string, body []byte) error {
	_, err := f.conn.ExecContext(context.Background(), insertRun, what, int64(runSum(what, body)), string(body))
	return err
}

func runSum(what string, body []byte) uint32 {
	sum := crc32.Checksum([]byte(what), castagnoli)
	sum = crc32.Update(sum, castagnoli, []byte{0})
	return crc32.Update(sum, castagnoli, body)
}

// commit writes the pack as the next commit and its number into the sidecar.
// On an error the same pack is given again; whether the first try reached
// the disk is looked up.
func (f *file) commit(p *pack) error {
	next := f.after(p)
	if f.doubt {
		done, err := f.reopen(next)
		if err != nil {
			return err
		}
		f.doubt = false
		if done {
			f.accept(p, next)
		}
	}
	if !f.unsaid {
		if err := f.transact(p, next); err != nil {
			f.doubt = f.conn == nil || !isFull(err)
			return diskError(err)
		}
		f.accept(p, next)
	}
	if err := f.say(); err != nil {
		return diskError(err)
	}
	return nil
}

// after returns the tail as it is after the pack.
func (f *file) after(p *pack) tail {
	if f.unsaid {
		return f.tail // the pack is in already
	}
	t := f.tail
	t.commit++
	if t.first == 0 && p.last != 0 {
		t.first = p.first
	}
	t.last = p.last
	t.entries += p.entries
	t.recordTo += int64(p.record)
	t.derivedTo += int64(len(p.rows) - p.record)
	s := newSealer(f.seal, t.commit, p.first, p.last, p.entries)
	for i := range p.rows {
		s.row(&p.rows[i])
	}
	t.seal = s.sum()
	return t
}

// accept moves on past a pack that is in the file.
func (f *file) accept(p *pack, t tail) {
	f.tail = t
	f.gaps += p.gaps
	f.lost += p.lost
	f.bytes += int64(len(p.arena))
	if p.entries > 0 {
		f.at = p.at
	}
	f.unsaid = true
}

// say writes the sidecar; only then the commit is acknowledged.
func (f *file) say() error {
	if err := f.check("sidecar"); err != nil {
		return err
	}
	if err := f.side.write(mark{commit: f.tail.commit, entry: f.tail.last, seal: f.seal}); err != nil {
		return err
	}
	f.unsaid = false
	return nil
}

func (f *file) check(step string) error {
	if f.checkFn == nil {
		return nil
	}
	return f.checkFn(step)
}

// transact writes the rows of a pack in one transaction.
func (f *file) transact(p *pack, next tail) error {
	if err := f.check("begin"); err != nil {
		return err
	}
	if err := f.exec("BEGIN IMMEDIATE"); err != nil {
		return err
	}
	err := f.insert(p, next)
	if err == nil {
		err = f.exec("COMMIT")
	}
	if err != nil {
		f.conn.ExecContext(context.Background(), "ROLLBACK") // fails where SQLite has done it already
		return err
	}
	return f.check("committed")
}

func (f *file) insert(p *pack, next tail) error {
	ctx := context.Background()
	id := f.recordTo
	for i := range p.rows[:p.record] {
		r := &p.rows[i]
		id++
		if _, err := f.ins[0].ExecContext(ctx, id, int64(r.kind), int64(r.a), int64(r.b), int64(r.c), int64(r.crc), r.body); err != nil {
			return err
		}
	}
	id = f.derivedTo
	for i := range p.rows[p.record:] {
		r := &p.rows[p.record+i]
		id++
		if _, err := f.ins[1].ExecContext(ctx, id, int64(r.kind), int64(r.a), int64(r.b), int64(r.c), int64(r.crc), string(r.body)); err != nil {
			return err
		}
	}
	_, err := f.ins[2].ExecContext(ctx, int64(next.commit), int64(p.first), int64(p.last), int64(p.entries), next.recordTo, next.derivedTo, next.seal[:])
	return err
}

// reopen closes the database after an error and looks up whether the commit
// that failed is in it nevertheless. What the file holds is first written
// through to the disk: after a failed sync the kernel may hold pages that it
// no longer means to write.
func (f *file) reopen(next tail) (done bool, err error) {
	if err := f.check("reopen"); err != nil {
		return false, diskError(err)
	}
	if err := f.disconnect(); err != nil && damaged(err) {
		return false, diskError(err)
	}
	if err := f.connect(); err != nil {
		return false, diskError(err)
	}
	if err := f.exec("PRAGMA wal_checkpoint(TRUNCATE)"); err != nil {
		return false, diskError(err)
	}
	t, err := readTail(f.conn)
	if err != nil {
		return false, diskError(err)
	}
	switch {
	case t.commit == f.tail.commit && (t.commit == 0 || t.seal == f.seal):
		return false, nil
	case t.commit == next.commit && t.seal == next.seal:
		return true, nil
	}
	return false, corrupt(f.meta.ID, runFile, "after a disk error its last commit is %d, expected %d or %d", t.commit, f.tail.commit, next.commit)
}

// queryer is a connection or a pool.
type queryer interface {
	QueryRowContext(ctx context.Context, query string, args ...any) *sql.Row
	QueryContext(ctx context.Context, query string, args ...any) (*sql.Rows, error)
}

// readTail looks up where the file's content ends.
func readTail(q queryer) (t tail, err error) {
	ctx := context.Background()
	var raw []byte
	err = q.QueryRowContext(ctx, "SELECT n,last,record_to,derived_to,seal FROM commits ORDER BY n DESC LIMIT 1").
		Scan(&t.commit, &t.last, &t.recordTo, &t.derivedTo, &raw)
	if errors.Is(err, sql.ErrNoRows) {
		return tail{}, nil
	}
	if err != nil {
		return t, err
	}
	copy(t.seal[:], raw)
	err = q.QueryRowContext(ctx, "SELECT coalesce(sum(entries),0), coalesce(min(CASE WHEN last>=first THEN first END),0) FROM commits").
		Scan(&t.entries, &t.first)
	return t, err
}

// finish writes how the run ended, puts everything into the one file and
// makes it read-only. It may be called again after an error. The sidecar's
// lock is kept until close, so that the catalog can be told first.
func (f *file) finish(e ending) (Meta, error) {
	if !f.ended {
		if err := f.conclude(e); err != nil {
			return f.meta, diskError(err)
		}
	}
	for _, name := range []string{runFile, commitFile} {
		if err := os.Chmod(filepath.Join(f.dir, name), 0o444); err != nil {
			return f.meta, diskError(err)
		}
	}
	return f.meta, diskError(syncFolder(f.dir))
}

// conclude writes the end, unless there is one, and leaves the database
// complete in its one file.
func (f *file) conclude(e ending) error {
	if f.meta.Hash == "" {
		body, err := json.Marshal(e)
		if err != nil {
			return err
		}
		hash := runHash(f.seal, body)
		if err := f.writeEnd(body, hash); err != nil {
			return err
		}
		f.meta = f.meta.with(e, hash)
	}
	if err := f.reconnect(); err != nil {
		return err
	}
	if err := f.exec("PRAGMA wal_checkpoint(TRUNCATE)"); err != nil {
		return err
	}
	// Refused while somebody reads; the file is complete without it.
	f.exec("PRAGMA busy_timeout(100)")
	f.exec("PRAGMA journal_mode(DELETE)")
	if err := f.disconnect(); err != nil {
		return err
	}
	f.ended = true
	return nil
}

// reconnect opens the database where an error has closed it.
func (f *file) reconnect() error {
	if f.conn != nil {
		return nil
	}
	return errors.Join(f.disconnect(), f.connect())
}

func (f *file) writeEnd(end []byte, hash string) error {
	if err := f.check("end"); err != nil {
		return err
	}
	if err := f.reconnect(); err != nil {
		return err
	}
	if err := f.exec("BEGIN IMMEDIATE"); err != nil {
		return err
	}
	err := f.put(whatEnd, end)
	if err == nil {
		err = f.put(whatHash, []byte(strconv.Quote(hash)))
	}
	if err == nil {
		err = f.exec("COMMIT")
	}
	if err != nil {
		f.conn.ExecContext(context.Background(), "ROLLBACK")
	}
	return err
}

// sealer makes the seal of a commit.
type sealer struct {
	h interface {
		Write([]byte) (int, error)
		Sum([]byte) []byte
	}
	label [labelSize]byte
}

func newSealer(prev seal, commit, first, last, entries uint64) *sealer {
	s := &sealer{h: sha256.New()}
	s.h.Write(prev[:])
	var b [32]byte
	for i, v := range [...]uint64{commit, first, last, entries} {
		binary.LittleEndian.PutUint64(b[8*i:], v)
	}
	s.h.Write(b[:])
	return s
}

func (s *sealer) row(r *row) {
	r.label(&s.label)
	s.h.Write(s.label[:])
	s.h.Write(r.body)
}

func (s *sealer) sum() (out seal) {
	s.h.Sum(out[:0])
	return out
}

func runHash(last seal, end []byte) string {
	sum := sha256.Sum256(append(append([]byte(nil), last[:]...), end...))
	return hex.EncodeToString(sum[:])
}

// ending describes how the file ends.
func (f *file) ending(state State, end End) ending {
	t := &f.tail
	return ending{
		State: state, End: end.At, Note: end.Note, First: t.first, Last: t.last,
		Entries: t.entries, Commits: t.commit, Gaps: f.gaps, Lost: f.lost,
	}
}
