package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"path/filepath"
	"strings"
)

const (
	catalogFile    = "catalog.db"
	catalogAppID   = 0x56574354
	catalogVersion = 2 // 2: specimens, outcomes, reviews, audit
	catalogSchema  = `
CREATE TABLE run(id TEXT PRIMARY KEY, kind TEXT NOT NULL, state TEXT NOT NULL, specimen TEXT NOT NULL, lot TEXT NOT NULL,
  start_utc INTEGER NOT NULL, commits INTEGER NOT NULL, hash TEXT NOT NULL, body TEXT NOT NULL) WITHOUT ROWID`
	upsertRun = `INSERT INTO run(id,kind,state,specimen,lot,start_utc,commits,hash,body) VALUES(?,?,?,?,?,?,?,?,?)
ON CONFLICT(id) DO UPDATE SET state=excluded.state, commits=excluded.commits, hash=excluded.hash, body=excluded.body`
)

// catalog is the index of runs, which holds nothing that the runs' own files
// don't but a second opinion on their ends; and what persons enter (specimen.go),
// which is nowhere else.
type catalog struct {
	db      *sql.DB
	version int
}

func openCatalog(dir string, write bool) (*catalog, error) {
	mode := modeRead
	if write {
		mode = modeWrite
	}
	db, err := openDB(filepath.Join(dir, catalogFile), mode)
	if err != nil {
		return nil, err
	}
	if write {
		if err = prepareSchema(db, catalogAppID, catalogVersion, catalogSchema+";"+paperSchema); err == nil {
			err = raiseCatalog(db)
		}
	}
	var app, ver int
	if err == nil {
		if app, ver, err = stampOf(db); err == nil {
			err = checkStamp(app, ver, catalogAppID, catalogVersion)
		}
	}
	if err != nil {
		db.Close()
		return nil, fmt.Errorf("store: %s: %w (if it is damaged, move it away: the daemon makes the index again from the runs' folders; specimens, outcomes and reviews are only in it, take them from a copy)",
			filepath.Join(dir, catalogFile), err)
	}
	return &catalog{db: db, version: ver}, nil
}

// raiseCatalog brings a catalog of version 1 up to version 2.
func raiseCatalog(db *sql.DB) error {
	_, ver, err := stampOf(db)
	if err != nil || ver >= catalogVersion {
		return err
	}
	_, err = db.ExecContext(context.Background(), "BEGIN IMMEDIATE;"+paperSchema+fmt.Sprintf(";PRAGMA user_version=%d;COMMIT", catalogVersion))
	return err
}

func (c *catalog) close() error { return c.db.Close() }

// put writes or replaces a run's line.
func (c *catalog) put(ctx context.Context, m Meta) error {
	body, err := json.Marshal(m)
	if err != nil {
		return err
	}
	_, err = c.db.ExecContext(ctx, upsertRun, m.ID, string(m.Kind), string(m.State), m.Specimen, m.Lot,
		m.EpochUTC+m.Start, int64(m.Commits), m.Hash, string(body))
	return err
}

func (c *catalog) remove(ctx context.Context, id string) error {
	_, err := c.db.ExecContext(ctx, "DELETE FROM run WHERE id=?", id)
	return err
}

// get returns one run's description.
func (c *catalog) get(ctx context.Context, id string) (Meta, error) {
	var body string
	err := c.db.QueryRowContext(ctx, "SELECT body FROM run WHERE id=?", id).Scan(&body)
	if errors.Is(err, sql.ErrNoRows) {
		return Meta{}, fmt.Errorf("%w (%.80q)", ErrUnknown, id)
	}
	if err != nil {
		return Meta{}, err
	}
	return parseMeta(id, body)
}

func parseMeta(id, body string) (m Meta, err error) {
	if err := json.Unmarshal([]byte(body), &m); err != nil || m.ID != id {
		return m, corrupt(id, catalogFile, "its description can't be read")
	}
	return m, nil
}

// list returns the runs that the filter selects.
func (c *catalog) list(ctx context.Context, f Filter) ([]Meta, error) {
	query, args := f.query()
	rows, err := c.db.QueryContext(ctx, query, args...)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var out []Meta
	for rows.Next() {
		var id, body string
		if err := rows.Scan(&id, &body); err != nil {
			return nil, err
		}
		m, err := parseMeta(id, body)
		if err != nil {
			return nil, err
		}
		out = append(out, m)
	}
	return out, rows.Err()
}

func (f Filter) query() (string, []any) {
	where := []string{"1"}
	var args []any
	add := func(cond string, v string) {
		where = append(where, cond)
		args = append(args, v)
	}
	if f.Kind != "" {
		add("kind=?", string(f.Kind))
	} else if !f.Idle {
		add("kind<>?", string(KindIdle))
	}
	if f.Lot != "" {
		add("lot=?", f.Lot)
	}
	if f.Specimen != "" {
		add("specimen=?", f.Specimen)
	}
	order := " ORDER BY id"
	if f.Newest {
		order += " DESC"
	}
	return "SELECT id,body FROM run WHERE " + strings.Join(where, " AND ") + order, args
}
