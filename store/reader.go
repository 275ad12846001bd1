package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"

	"ventward/daq"
	"ventward/detect"
	"ventward/guard"
)

// Reader reads one run, also while it is being written: it sees whole commits
// and nothing else. It is for one goroutine.
type Reader struct {
	id     string
	dir    string
	meta   Meta
	header string
	bytes  int64
	end    *ending
	hash   string
	db     *sql.DB

	dec     decodec
	label   [labelSize]byte
	commit  uint64 // last commit loaded
	record  int64  // its last row of record
	last    uint64 // its last entry
	after   uint64
	entries []daq.Entry // of the commit, from next on
	next    int
}

// A Gap is a stretch of numbers without entries.
type Gap struct {
	First, Last uint64
	Why         string // as FORMAT.md lists them
}

// Lost tells whether entries were lost in the gap; the entries between the
// configuration and the beginning of a run are not.
func (g Gap) Lost() bool { return g.Why != whyBefore }

// EventRow is an event, or a revision, with the entry it came from.
type EventRow struct {
	N     uint64
	Event detect.Event
}

// AlarmRow is an alarm's state with the entry it came from.
type AlarmRow struct {
	N     uint64
	Alarm guard.Alarm
}

// DemandRow is a demand on an output with the entry it came from.
type DemandRow struct {
	N      uint64
	Demand daq.Demand
}

// TripRow is a trip's state with the entry it came from.
type TripRow struct {
	N    uint64
	Trip guard.Trip
}

// Reader opens a run for reading, whatever its state. Close it.
func (s *Store) Reader(id string) (*Reader, error) {
	m, err := s.Meta(id)
	if err != nil {
		return nil, err
	}
	return openReader(s.folder(m), m)
}

// Bytes is the size of the run's file when it was opened: what has been read of
// the record so far does not change it.
func (r *Reader) Bytes() int64 { return r.bytes }

func openReader(dir string, m Meta) (*Reader, error) {
	r := &Reader{id: m.ID, dir: dir, meta: m}
	path := filepath.Join(dir, runFile)
	st, err := os.Stat(path)
	if errors.Is(err, os.ErrNotExist) {
		return nil, corrupt(m.ID, runFile, "the file is missing")
	}
	if err != nil {
		return nil, fmt.Errorf("store: run %s: %w", m.ID, err)
	}
	r.bytes = st.Size()
	mode := modeRead
	if st.Mode().Perm()&0o222 == 0 {
		mode = modeSealed
	}
	if r.db, err = openDB(path, mode); err != nil {
		return nil, err
	}
	if err := r.readRun(); err != nil {
		r.db.Close()
		return nil, err
	}
	return r, nil
}

// readRun reads the table run and completes the description.
func (r *Reader) readRun() error {
	app, ver, err := stampOf(r.db)
	if err != nil {
		return r.trouble(runFile, err)
	}
	err = checkStamp(app, ver, runAppID, runVersion)
	if errors.Is(err, ErrVersion) {
		return r.trouble(runFile, err)
	}
	if err != nil {
		return corrupt(r.id, runFile, "%v", err)
	}
	header, err := r.what(whatHeader)
	if err != nil {
		return err
	}
	r.header = header
	state := r.meta.State
	var m Meta
	if err := json.Unmarshal([]byte(header), &m); err != nil || m.ID != r.id {
		return corrupt(r.id, runFile+", header", "is not the description of this run")
	}
	r.meta = m
	r.meta.State = state
	return r.readEnd()
}

func (r *Reader) readEnd() error {
	body, err := r.what(whatEnd)
	if errors.Is(err, sql.ErrNoRows) {
		return r.readProgress()
	}
	if err != nil {
		return err
	}
	quoted, err := r.what(whatHash)
	if err != nil {
		return r.trouble(runFile+", hash", err)
	}
	var e ending
	err1, err2 := json.Unmarshal([]byte(body), &e), json.Unmarshal([]byte(quoted), &r.hash)
	if err1 != nil || err2 != nil {
		return corrupt(r.id, runFile+", end", "can't be read")
	}
	r.end = &e
	r.meta = r.meta.with(e, r.hash)
	return nil
}

// readProgress fills in how far a run without an end has come.
func (r *Reader) readProgress() error {
	t, err := readTail(r.db)
	if err != nil {
		return r.trouble(runFile+", commits", err)
	}
	r.meta.First, r.meta.Last, r.meta.Entries, r.meta.Commits = t.first, t.last, t.entries, t.commit
	return nil
}

// what returns the body of one row of the table run, checked.
func (r *Reader) what(name string) (string, error) {
	var crc int64
	var body string
	err := r.db.QueryRow("SELECT crc,body FROM run WHERE what=?", name).Scan(&crc, &body)
	if errors.Is(err, sql.ErrNoRows) && name == whatEnd {
		return "", err
	}
	if errors.Is(err, sql.ErrNoRows) {
		return "", corrupt(r.id, runFile+", "+name, "the row is missing")
	}
	if err != nil {
		return "", r.trouble(runFile+", "+name, err)
	}
	if got := runSum(name, []byte(body)); int64(got) != crc {
		return "", corrupt(r.id, runFile+", "+name, "checksum is %08x, expected %08x", got, uint32(crc))
	}
	return body, nil
}

// trouble classes an error of the database while reading.
func (r *Reader) trouble(where string, err error) error {
	if damaged(err) {
		return corrupt(r.id, where, "%v", err)
	}
	var c *Corrupt
	if err == nil || errors.As(err, &c) {
		return err
	}
	return fmt.Errorf("store: run %s, %s: %w", r.id, where, err)
}

// Close frees the reader.
func (r *Reader) Close() error { return r.db.Close() }

// Meta is the run's description, with how far it had come when the reader was
// opened.
func (r *Reader) Meta() Meta { return r.meta }

// After makes Next go on with the first entry whose number is above n.
func (r *Reader) After(n uint64) error {
	r.after, r.entries, r.next = n, r.entries[:0], 0
	var commit, record, last sql.NullInt64
	err := r.db.QueryRow("SELECT n,record_to,last FROM commits WHERE last<=? ORDER BY n DESC LIMIT 1", int64(min(n, 1<<62))).Scan(&commit, &record, &last)
	if err != nil && !errors.Is(err, sql.ErrNoRows) {
		return r.trouble(runFile+", commits", err)
	}
	r.commit, r.record, r.last = uint64(commit.Int64), record.Int64, uint64(last.Int64)
	return nil
}

// Next returns the next entry, or io.EOF when there is no more for now: on a
// run that is being written, later calls give what was committed since.
func (r *Reader) Next() (daq.Entry, error) {
	for {
		for r.next < len(r.entries) {
			e := r.entries[r.next]
			r.next++
			if e.N > r.after {
				return e, nil
			}
		}
		if err := r.load(); err != nil {
			return daq.Entry{}, err
		}
	}
}

// load reads the commit that follows.
func (r *Reader) load() error {
	c, err := r.commitAfter(context.Background(), r.db, r.commit)
	if err != nil {
		return err
	}
	rows, err := r.rows(context.Background(), r.db, tableRecord, r.record, c.recordTo)
	if err != nil {
		return err
	}
	if r.entries, err = r.unpack(r.entries[:0], rows, c, r.last); err != nil {
		return err
	}
	r.next = 0
	r.commit, r.record, r.last = c.n, c.recordTo, c.last
	return nil
}

// commitRow is one row of commits.
type commitRow struct {
	n, first, last, entries uint64
	recordTo, derivedTo     int64
	seal                    seal
}

// commitAfter returns commit n+1, or io.EOF.
func (r *Reader) commitAfter(ctx context.Context, q queryer, n uint64) (c commitRow, err error) {
	var raw []byte
	err = q.QueryRowContext(ctx, "SELECT n,first,last,entries,record_to,derived_to,seal FROM commits WHERE n>? ORDER BY n LIMIT 1", int64(n)).
		Scan(&c.n, &c.first, &c.last, &c.entries, &c.recordTo, &c.derivedTo, &raw)
	if errors.Is(err, sql.ErrNoRows) {
		return c, io.EOF
	}
	where := fmt.Sprintf("%s, commit %d", runFile, n+1)
	if err != nil {
		return c, r.trouble(where, err)
	}
	if c.n != n+1 || len(raw) != len(c.seal) {
		return c, corrupt(r.id, where, "the row is missing or malformed")
	}
	copy(c.seal[:], raw)
	return c, nil
}

var selectRows = [...]string{
	tableRecord:  "SELECT id,kind,first,last,count,crc,body FROM record WHERE id>? AND id<=? ORDER BY id",
	tableDerived: "SELECT id,kind,n,ref,rev,crc,body FROM derived WHERE id>? AND id<=? ORDER BY id",
}

var tableNames = [...]string{tableRecord: "record", tableDerived: "derived"}

// rows returns the rows with ids above from up to to, each checked.
func (r *Reader) rows(ctx context.Context, q queryer, table byte, from, to int64) ([]row, error) {
	where := runFile + ", " + tableNames[table]
	rs, err := q.QueryContext(ctx, selectRows[table], from, to)
	if err != nil {
		return nil, r.trouble(where, err)
	}
	defer rs.Close()
	var out []row
	for id := from; rs.Next(); {
		var got, kind, a, b, c, crc int64
		var body []byte
		if err := rs.Scan(&got, &kind, &a, &b, &c, &crc, &body); err != nil {
			return nil, r.trouble(where, err)
		}
		if id++; got != id {
			return nil, corrupt(r.id, where, "row %d is missing", id)
		}
		w := row{table: table, kind: byte(kind), a: uint64(a), b: uint64(b), c: uint64(c), crc: uint32(crc), body: body}
		if sum := w.sum(&r.label); int64(sum) != crc || int64(w.kind) != kind {
			return nil, corrupt(r.id, fmt.Sprintf("%s row %d", where, id), "checksum is %08x, expected %08x", sum, uint32(crc))
		}
		out = append(out, w)
	}
	if err := rs.Err(); err != nil {
		return nil, r.trouble(where, err)
	}
	if to >= from && int64(len(out)) != to-from {
		return nil, corrupt(r.id, where, "%d rows after row %d, expected %d", len(out), from, to-from)
	}
	return out, nil
}

// unpack decodes the record rows of a commit that follows entry prev, and puts
// the entries in the order of their numbers.
func (r *Reader) unpack(out []daq.Entry, rows []row, c commitRow, prev uint64) ([]daq.Entry, error) {
	where := fmt.Sprintf("%s, commit %d", runFile, c.n)
	var err error
	missing := uint64(0)
	for i := range rows {
		w := &rows[i]
		if out, err = r.dec.decodeRow(out, w); err != nil {
			return nil, corrupt(r.id, fmt.Sprintf("%s, row of kind %d, entries %d to %d", where, w.kind, w.a, w.b), "%v", err)
		}
		if w.kind == rowGap {
			missing += w.b - w.a + 1
		}
	}
	slices.SortFunc(out, func(a, b daq.Entry) int {
		if a.N < b.N {
			return -1
		}
		return 1
	})
	span := c.last - c.first + 1
	if prev != 0 && c.first != prev+1 || uint64(len(out)) != c.entries || c.entries+missing != span {
		return nil, corrupt(r.id, where, "%d entries and %d declared missing, expected %d from %d to %d after %d", len(out), missing, c.entries, c.first, c.last, prev)
	}
	return out, inOrder(r.id, where, out, c)
}

func inOrder(id, where string, es []daq.Entry, c commitRow) error {
	for i := range es {
		n := es[i].N
		if n < c.first || n > c.last || i > 0 && n == es[i-1].N {
			return corrupt(id, where, "entry %d twice or out of %d to %d", n, c.first, c.last)
		}
	}
	return nil
}

// derived hands each row of a kind to fn.
func (r *Reader) derived(kind byte, fn func(n uint64, body []byte) error) error {
	var to sql.NullInt64
	if err := r.db.QueryRow("SELECT max(derived_to) FROM commits").Scan(&to); err != nil {
		return r.trouble(runFile+", commits", err)
	}
	const step = 1024
	for from := int64(0); from < to.Int64; from += step {
		rows, err := r.rows(context.Background(), r.db, tableDerived, from, min(from+step, to.Int64))
		if err != nil {
			return err
		}
		for i := range rows {
			if w := &rows[i]; w.kind == kind {
				if err := fn(w.a, w.body); err != nil {
					return corrupt(r.id, fmt.Sprintf("%s, derived row %d", runFile, from+int64(i)+1), "%v", err)
				}
			}
		}
	}
	return nil
}

// Events returns the events and their revisions in the order they were
// decided.
func (r *Reader) Events() (out []EventRow, err error) {
	err = r.derived(rowEvent, func(n uint64, body []byte) error {
		w := EventRow{N: n}
		err := json.Unmarshal(body, &w.Event)
		out = append(out, w)
		return err
	})
	return out, err
}

// Alarms returns every change of an alarm's state, in order.
func (r *Reader) Alarms() (out []AlarmRow, err error) {
	err = r.derived(rowAlarm, func(n uint64, body []byte) error {
		w := AlarmRow{N: n}
		err := json.Unmarshal(body, &w.Alarm)
		out = append(out, w)
		return err
	})
	return out, err
}

// Demands returns the demands on outputs, in order.
func (r *Reader) Demands() (out []DemandRow, err error) {
	err = r.derived(rowDemand, func(n uint64, body []byte) error {
		w := DemandRow{N: n}
		err := json.Unmarshal(body, &w.Demand)
		out = append(out, w)
		return err
	})
	return out, err
}

// Trips returns every change of a trip's state, in order.
func (r *Reader) Trips() (out []TripRow, err error) {
	err = r.derived(rowTrip, func(n uint64, body []byte) error {
		w := TripRow{N: n}
		err := json.Unmarshal(body, &w.Trip)
		out = append(out, w)
		return err
	})
	return out, err
}

// Gaps returns the stretches of numbers without entries.
func (r *Reader) Gaps() ([]Gap, error) {
	rs, err := r.db.Query("SELECT first,last,crc,body FROM record WHERE kind=? ORDER BY id", int64(rowGap))
	if err != nil {
		return nil, r.trouble(runFile+", record", err)
	}
	defer rs.Close()
	var out []Gap
	for rs.Next() {
		w := row{table: tableRecord, kind: rowGap}
		var a, b, crc int64
		var g gapBody
		if err := rs.Scan(&a, &b, &crc, &w.body); err != nil {
			return nil, r.trouble(runFile+", record", err)
		}
		w.a, w.b = uint64(a), uint64(b)
		if int64(w.sum(&r.label)) != crc || json.Unmarshal(w.body, &g) != nil {
			return nil, corrupt(r.id, fmt.Sprintf("%s, gap %d to %d", runFile, a, b), "checksum or body is wrong")
		}
		out = append(out, Gap{First: w.a, Last: w.b, Why: g.Why})
	}
	return out, r.trouble(runFile+", record", rs.Err())
}
