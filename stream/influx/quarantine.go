package influx

import (
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"
)

// quarantineFile holds the refused lines, one JSON object a line.
const quarantineFile = "quarantine.jsonl"

// maxQuarantine bounds the quarantine in bytes.
const maxQuarantine = 64 << 20

// errFull holds the forwarder: going on would lose refused lines.
var errFull = errors.New("influx: the quarantine of refused lines is full; read the reasons in " + quarantineFile + ", mend their cause and move the file away")

// quarantine keeps refused lines with the server's reason.
type quarantine struct {
	dir   string
	limit int64
	count uint64 // lines since the forwarder was made
	last  string // the newest reason
}

type refusal struct {
	At     string `json:"at"` // RFC 3339
	Reason string `json:"reason"`
	Line   string `json:"line"`
}

// add appends a line durably.
func (q *quarantine) add(line, reason string) error {
	data, err := json.Marshal(refusal{time.Now().UTC().Format(time.RFC3339Nano), clip(reason), line})
	if err != nil {
		return fmt.Errorf("influx: quarantine: %w", err)
	}
	f, err := os.OpenFile(filepath.Join(q.dir, quarantineFile), os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	if err != nil {
		return fmt.Errorf("influx: quarantine: %w; mend the folder's rights", err)
	}
	info, err := f.Stat()
	if err == nil && info.Size()+int64(len(data)) > q.limit {
		return errors.Join(errFull, f.Close())
	}
	if err == nil {
		_, err = f.Write(append(data, '\n'))
	}
	if err == nil {
		err = f.Sync()
	}
	if err = errors.Join(err, f.Close()); err != nil {
		return fmt.Errorf("influx: quarantine: %w; free space", err)
	}
	q.count++
	q.last = clip(reason)
	return nil
}

// clip bounds a reason that a server wrote.
func clip(s string) string {
	if len(s) > 500 {
		return s[:500] + "..."
	}
	return s
}
