// Package store keeps every run's entries and records on disk, in the order
// they happened.
//
// A run is one SQLite file; FORMAT.md draws it and promises its
// compatibility. What is kept:
//
//   - the record: the entries that the bench's loop took (daq.Entry), packed
//     into checksummed chunks of raw counts, one transaction each commit
//     interval;
//   - what the live program made of them: events, alarms, demands and trips,
//     in the same transaction as the entries they came from;
//   - the number of the last commit in a sidecar file, so that a silently
//     lost tail is noticed.
//
// # Guarantees
//
//  1. Append, Event, Alarm, Demand and Trip never wait for the disk and never
//     fail. What doesn't fit the bounded queue is dropped, counted, and written
//     down as a gap.
//  2. A commit is acknowledged (Health, OnCommit) after the database and the
//     sidecar have been synced. An acknowledged commit survives a kill.
//  3. A reader sees exactly the entries of whole commits, bit by bit as they
//     were given.
//  4. A disk error never ends the process: it stands in Health, the queue
//     bridges it as long as it can, and the commit is tried again.
//  5. What reads a run never guesses: damage is a *Corrupt that says where it
//     is and what to do.
package store
