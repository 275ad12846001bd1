package daq

import "encoding/json"

// EntryKind tells what an Entry carries.
type EntryKind uint8

const (
	EntryBatch    EntryKind = iota + 1 // Batch
	EntryTick                          // Wall: time passed, so that silence is noticed
	EntryCommand                       // Command: somebody asked for something
	EntryFinding                       // Body: what the fit worker found (detect.Finding as JSON)
	EntryReadback                      // Readback: what an output line saw of its outputs
	EntryConfig                        // Body: the bench description in force from here on
	EntryLink                          // Link: an instrument's port went or came back
)

// An Entry is one input of the loop, numbered in the order the loop took it.
// A run's entries are its record: replaying them through the same calls gives
// the same samples, events, alarms and demands.
type Entry struct {
	N        uint64 // number, increasing by 1 within a daemon's life
	At       int64  // bench time at which the loop took it, ns
	Kind     EntryKind
	Wall     int64 // EntryTick: wall clock, ns since 1970-01-01 UTC
	Batch    *Batch
	Command  *Command
	Readback *Readback
	Link     *LinkState
	Body     json.RawMessage
}

// A Command is a wish of a person or of the program itself.
type Command struct {
	Verb string            `json:"verb"` // start, end, abort, acknowledge, reset, note, ...
	Who  string            `json:"who"`  // "unattributed" until somebody signs in
	Args map[string]string `json:"args,omitempty"`
}

// LinkState tells that an instrument's port went away or came back.
type LinkState struct {
	Instrument int    `json:"instrument"`
	Up         bool   `json:"up"`
	Reason     string `json:"reason,omitempty"`
}

// Counters is what a decoder or asker has met since it was made. Every field
// only grows.
type Counters struct {
	Bytes     uint64 `json:"bytes"`
	Frames    uint64 `json:"frames"`     // messages decoded
	Rows      uint64 `json:"rows"`       // rows of readings decoded
	Bad       uint64 `json:"bad"`        // messages refused: checksum, form, length
	Discarded uint64 `json:"discarded"`  // bytes thrown away
	LostRows  uint64 `json:"lost_rows"`  // rows missing by the device's own sequence
	Resets    uint64 `json:"resets"`     // resets of the device's sequence or tick
	Timeouts  uint64 `json:"timeouts"`   // questions without an answer in time
	LateReply uint64 `json:"late_reply"` // answers that came after their time and were thrown away
	Exception uint64 `json:"exception"`  // answers that said no
	Refused   uint64 `json:"refused"`    // rows refused because the loop's queue was full
}
