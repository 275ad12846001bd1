package store

import (
	"encoding/binary"
	"encoding/json"
	"errors"
	"hash/crc32"
	"math"

	"ventward/daq"
)

// Tables of rows, as they stand in a label.
const (
	tableRecord  = 1
	tableDerived = 2
)

// Kinds of record rows: the kinds of entries, and a gap.
const (
	rowBatches  = byte(daq.EntryBatch)
	rowTicks    = byte(daq.EntryTick)
	rowCommand  = byte(daq.EntryCommand)
	rowFinding  = byte(daq.EntryFinding)
	rowReadback = byte(daq.EntryReadback)
	rowConfig   = byte(daq.EntryConfig)
	rowLink     = byte(daq.EntryLink)
	rowGap      = byte(100)
)

// Kinds of derived rows.
const (
	rowEvent  = byte(1)
	rowAlarm  = byte(2)
	rowDemand = byte(3)
	rowTrip   = byte(4)
)

// Why a number has no entry.
const (
	whyBefore    = "before-run"
	whyNotGiven  = "not-given"
	whyQueueFull = "queue-full"
	whyMalformed = "malformed"
	whyDisk      = "disk"
)

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

const labelSize = 30

// row is one row of record or derived. a, b and c are first, last, count or
// n, ref, rev.
type row struct {
	table, kind byte
	a, b, c     uint64
	crc         uint32
	body        []byte
}

// label writes what the checksum covers besides the body.
func (r *row) label(l *[labelSize]byte) {
	l[0], l[1] = r.table, r.kind
	binary.LittleEndian.PutUint64(l[2:], r.a)
	binary.LittleEndian.PutUint64(l[10:], r.b)
	binary.LittleEndian.PutUint64(l[18:], r.c)
	binary.LittleEndian.PutUint32(l[26:], uint32(len(r.body)))
}

// sum is the row's checksum. l is scratch, so that none is made for each row.
func (r *row) sum(l *[labelSize]byte) uint32 {
	r.label(l)
	return crc32.Update(crc32.Checksum(l[:], castagnoli), castagnoli, r.body)
}

// single is the JSON of a row that holds one command, read-back or link.
type single struct {
	At       int64          `json:"at"`
	Command  *daq.Command   `json:"command,omitempty"`
	Readback *daq.Readback  `json:"readback,omitempty"`
	Link     *daq.LinkState `json:"link,omitempty"`
}

type gapBody struct {
	Why string `json:"why"`
}

var errRow = errors.New("row's body is malformed")

// rowBody appends the body of the row of an entry that is neither batch nor
// tick.
func rowBody(dst []byte, e *daq.Entry) ([]byte, error) {
	switch e.Kind {
	case daq.EntryFinding, daq.EntryConfig:
		dst = binary.LittleEndian.AppendUint64(dst, uint64(e.At))
		return append(dst, e.Body...), nil
	}
	j, err := json.Marshal(single{At: e.At, Command: e.Command, Readback: e.Readback, Link: e.Link})
	return append(dst, j...), err
}

// rowEntry is the inverse of rowBody. The body is copied.
func rowEntry(kind byte, n uint64, body []byte) (daq.Entry, error) {
	e := daq.Entry{N: n, Kind: daq.EntryKind(kind)}
	if kind == rowFinding || kind == rowConfig {
		if len(body) < 8 {
			return e, errRow
		}
		e.At = int64(binary.LittleEndian.Uint64(body))
		if len(body) > 8 {
			e.Body = append(json.RawMessage(nil), body[8:]...)
		}
		return e, nil
	}
	var s single
	if err := json.Unmarshal(body, &s); err != nil {
		return e, errRow
	}
	e.At, e.Command, e.Readback, e.Link = s.At, s.Command, s.Readback, s.Link
	if !whole(&e) {
		return e, errRow
	}
	return e, nil
}

// whole tells whether an entry carries what its kind says and nothing else,
// so that storing it loses nothing.
func whole(e *daq.Entry) bool {
	if e.N == 0 || e.N > math.MaxInt64 {
		return false
	}
	var carries [daq.EntryLink + 1]bool
	carries[daq.EntryBatch] = e.Batch != nil
	carries[daq.EntryTick] = e.Wall != 0
	carries[daq.EntryCommand] = e.Command != nil
	carries[daq.EntryReadback] = e.Readback != nil
	carries[daq.EntryLink] = e.Link != nil
	for kind, has := range carries {
		if has && daq.EntryKind(kind) != e.Kind {
			return false
		}
	}
	switch e.Kind {
	case daq.EntryBatch:
		return len(e.Body) == 0 && wellFormed(e.Batch)
	case daq.EntryTick:
		return len(e.Body) == 0
	case daq.EntryCommand, daq.EntryReadback, daq.EntryLink:
		return len(e.Body) == 0 && carries[e.Kind]
	case daq.EntryFinding, daq.EntryConfig:
		return true
	}
	return false
}

// decodeRow appends the entries of a record row to out. Gaps add none.
func (d *decodec) decodeRow(out []daq.Entry, r *row) ([]daq.Entry, error) {
	at := len(out)
	var err error
	switch r.kind {
	case rowGap:
		return out, nil
	case rowBatches:
		out, err = d.chunk(out, r.a, r.body)
	case rowTicks:
		out, err = d.ticks(out, r.a, r.body)
	case rowCommand, rowFinding, rowReadback, rowConfig, rowLink:
		var e daq.Entry
		e, err = rowEntry(r.kind, r.a, r.body)
		out = append(out, e)
	default:
		err = errors.New("kind of row is not known to this version; use a newer program")
	}
	if err != nil {
		return out[:at], err
	}
	if got := out[at:]; uint64(len(got)) != r.c || got[0].N != r.a || got[len(got)-1].N != r.b {
		return out[:at], errors.New("entries differ from what the row says of them")
	}
	return out, nil
}
