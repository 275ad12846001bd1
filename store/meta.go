package store

import (
	"fmt"
	"time"
)

// Kind tells how a run came to be.
type Kind string

const (
	KindRun    Kind = "run"    // from arming to the end of the pressure watch
	KindIdle   Kind = "idle"   // kept while nothing was armed; deleted by and by
	KindImport Kind = "import" // a trace that was recorded elsewhere
)

// State is where a run is in its life.
type State string

const (
	StateOpen        State = "open"        // being written
	StateClosed      State = "closed"      // complete, read-only, hashed
	StateInterrupted State = "interrupted" // the writer died or gave up; whole up to its last commit
)

// Meta describes a run. The first block is given to Create and never changes;
// the second is the store's.
type Meta struct {
	ID        string `json:"id"`
	Kind      Kind   `json:"kind"`
	Bench     string `json:"bench"`
	Simulated bool   `json:"simulated,omitempty"` // a simulated bench
	Specimen  string `json:"specimen,omitempty"`
	Lot       string `json:"lot,omitempty"`
	Feature   string `json:"feature,omitempty"` // feature under test
	Operator  string `json:"operator,omitempty"`
	Shot      int    `json:"shot,omitempty"`
	Start     int64  `json:"start"`            // bench time of the run's zero, ns
	EpochUTC  int64  `json:"epoch_utc"`        // UTC of bench time 0, ns since 1970-01-01
	Program   string `json:"program"`          // version of the program that wrote the run
	Algorithm int    `json:"algorithm"`        // number of the algorithms that made its events
	Source    string `json:"source,omitempty"` // name of the imported file
	Note      string `json:"note,omitempty"`

	State   State  `json:"state"`
	End     int64  `json:"end,omitempty"`      // bench time of the end, ns
	EndNote string `json:"end_note,omitempty"` // why it ended
	First   uint64 `json:"first,omitempty"`    // number of the first entry
	Last    uint64 `json:"last,omitempty"`     // number of the last entry
	Entries uint64 `json:"entries,omitempty"`
	Commits uint64 `json:"commits,omitempty"`
	Gaps    uint64 `json:"gaps,omitempty"` // stretches of missing numbers
	Lost    uint64 `json:"lost,omitempty"` // entries lost, by number
	Refused uint64 `json:"refused,omitempty"`
	Hash    string `json:"hash,omitempty"` // run hash, hexadecimal, once ended
}

// StartUTC is the wall-clock time of the run's zero.
func (m *Meta) StartUTC() time.Time { return time.Unix(0, m.EpochUTC+m.Start).UTC() }

// End is what Close is told.
type End struct {
	At   int64  // bench time, ns
	Note string // why the run ended
}

// ending is the body of the end row (FORMAT.md).
type ending struct {
	State   State  `json:"state"`
	End     int64  `json:"end"`
	Note    string `json:"note,omitempty"`
	First   uint64 `json:"first"`
	Last    uint64 `json:"last"`
	Entries uint64 `json:"entries"`
	Commits uint64 `json:"commits"`
	Gaps    uint64 `json:"gaps"`
	Lost    uint64 `json:"lost"`
	Refused uint64 `json:"refused"`
}

// header returns the part of the description that never changes.
func (m Meta) header() Meta {
	m.State, m.End, m.EndNote = StateOpen, 0, ""
	m.First, m.Last, m.Entries, m.Commits, m.Gaps, m.Lost, m.Refused, m.Hash = 0, 0, 0, 0, 0, 0, 0, ""
	return m
}

func (m Meta) with(e ending, hash string) Meta {
	m.State, m.End, m.EndNote = e.State, e.End, e.Note
	m.First, m.Last, m.Entries, m.Commits = e.First, e.Last, e.Entries, e.Commits
	m.Gaps, m.Lost, m.Refused, m.Hash = e.Gaps, e.Lost, e.Refused, hash
	return m
}

const maxID = 64

// NewID names a run by UTC to the millisecond and 32 further bits (random in
// the daemon, fixed in a test), so that ids sort by time and two of the same
// millisecond differ.
func NewID(utc time.Time, suffix uint32) string {
	utc = utc.UTC()
	return fmt.Sprintf("%s-%03d-%08x", utc.Format(idTime), utc.Nanosecond()/1e6, suffix)
}

// idTime is how a name begins.
const idTime = "20060102-150405"

// IDTime is the time that a run's name begins with, UTC, to the second; false:
// the name was given by somebody else.
func IDTime(id string) (time.Time, bool) {
	if len(id) < len(idTime) {
		return time.Time{}, false
	}
	t, err := time.Parse(idTime, id[:len(idTime)])
	return t, err == nil
}

// checkID keeps ids usable as names of folders: digits, letters and hyphens,
// a digit or letter first.
func checkID(id string) error {
	ok := len(id) > 0 && len(id) <= maxID && id[0] != '-'
	for i := 0; i < len(id) && ok; i++ {
		c := id[i]
		ok = c == '-' || c >= '0' && c <= '9' || c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z'
	}
	if !ok {
		return fmt.Errorf("store: run id %.80q: digits, letters and hyphens, 1 to %d of them, are allowed", id, maxID)
	}
	return nil
}

// Filter selects runs. Empty fields select everything; idle records are left
// out unless Kind or Idle asks for them.
type Filter struct {
	Kind     Kind
	Idle     bool // with the idle records
	State    State
	Lot      string
	Specimen string
	Limit    int  // 0: all
	Newest   bool // newest first; otherwise oldest first
}
