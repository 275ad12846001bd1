package store

import (
	"context"
	"database/sql"
	"fmt"
	"net/url"
	"path/filepath"

	_ "modernc.org/sqlite" // the driver "sqlite"
)

// open modes of a database file.
const (
	modeWrite  = "rwc"       // make it if need be
	modeRead   = "ro"        // beside a writer
	modeSealed = "ro-sealed" // nobody writes it any more
)

// openDB opens one connection to an SQLite file. For writing, the journal is
// a write-ahead log synced at every commit.
func openDB(path, mode string) (*sql.DB, error) {
	abs, err := filepath.Abs(path)
	if err != nil {
		return nil, err
	}
	q := url.Values{}
	q.Add("_pragma", "busy_timeout(5000)")
	switch mode {
	case modeWrite:
		q.Set("mode", "rwc")
		q.Set("_txlock", "immediate")
		q.Add("_pragma", "journal_mode(WAL)")
		q.Add("_pragma", "synchronous(FULL)")
		q.Add("_pragma", "wal_autocheckpoint(1000)")
		q.Add("_pragma", "journal_size_limit(4194304)")
		q.Add("_pragma", "cell_size_check(1)")
	case modeRead:
		q.Set("mode", "ro")
	case modeSealed:
		q.Set("mode", "ro")
		q.Set("immutable", "1")
	}
	db, err := sql.Open("sqlite", "file:"+(&url.URL{Path: abs}).EscapedPath()+"?"+q.Encode())
	if err != nil {
		return nil, err
	}
	db.SetMaxOpenConns(1)
	db.SetMaxIdleConns(1)
	db.SetConnMaxLifetime(0)
	return db, nil
}

// prepareSchema makes a new file's tables and stamps it, or refuses a file
// that is something else or newer.
func prepareSchema(db *sql.DB, application, version int, schema string) error {
	app, ver, err := stampOf(db)
	if err != nil {
		return err
	}
	if app == 0 && ver == 0 {
		_, err := db.ExecContext(context.Background(), "BEGIN IMMEDIATE;"+schema+
			fmt.Sprintf(";PRAGMA application_id=%d;PRAGMA user_version=%d;COMMIT", application, version))
		return err
	}
	return checkStamp(app, ver, application, version)
}

func stampOf(db *sql.DB) (app, version int, err error) {
	if err = db.QueryRow("PRAGMA application_id").Scan(&app); err != nil {
		return 0, 0, err
	}
	err = db.QueryRow("PRAGMA user_version").Scan(&version)
	return app, version, err
}

func checkStamp(app, ver, application, version int) error {
	if app != application {
		return fmt.Errorf("application id is %#x, expected %#x", app, application)
	}
	if ver < 1 || ver > version {
		return fmt.Errorf("format version is %d, this program reads 1 to %d: %w", ver, version, ErrVersion)
	}
	return nil
}
