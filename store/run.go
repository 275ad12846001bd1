package store

import (
	"context"
	"encoding/json"

	"ventward/daq"
	"ventward/detect"
	"ventward/guard"
)

// Run is a run being written. Append, Event, Alarm, Demand and Trip are for
// the loop: they never wait and never fail, Health tells what became of what
// they were given. All methods may be called by several goroutines.
type Run struct {
	*journal
}

// ID is the run's id.
func (r *Run) ID() string { return r.described().ID }

// Meta is the run's description as it is known to the writer: complete after
// Close.
func (r *Run) Meta() Meta { return r.described() }

func (j *journal) described() Meta {
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.meta
}

// Append takes an entry. Entries come in the order of their numbers; an entry
// whose number isn't above the last one's is refused and counted. A batch, and
// whatever else the entry points to, must not be changed afterwards.
//
// A run may begin with the configuration in force although entries lie between
// that and the next one given: these were before the run and aren't lost. Any
// other jump in the numbers is a loss.
func (j *journal) Append(e daq.Entry) { j.append(&e) }

// Event takes an event, or a revision of one, that came from entry n.
func (j *journal) Event(n uint64, e detect.Event) {
	body, err := json.Marshal(e)
	j.q.derived(rowEvent, n, uint64(int64(e.ID)), uint64(int64(e.Rev)), body, err)
}

// Alarm takes an alarm's new state that came from entry n.
func (j *journal) Alarm(n uint64, a guard.Alarm) {
	body, err := json.Marshal(a)
	j.q.derived(rowAlarm, n, uint64(int64(a.ID)), 0, body, err)
}

// Demand takes a demand on an output that came from entry n.
func (j *journal) Demand(n uint64, d daq.Demand) {
	body, err := json.Marshal(d)
	j.q.derived(rowDemand, n, uint64(int64(d.Output)), d.Serial, body, err)
}

// Trip takes a trip's new state that came from entry n.
func (j *journal) Trip(n uint64, t guard.Trip) {
	body, err := json.Marshal(t)
	j.q.derived(rowTrip, n, 0, 0, body, err)
}

// Health tells how far the run is safe on disk.
func (j *journal) Health() Health { return j.state() }

// Close commits what waits and ends the run: the file is hashed, complete
// alone and read-only afterwards. It waits for the disk until ctx ends; then
// the run stays as far as it was committed, and counts as interrupted. A
// second Close gives ErrClosed.
func (r *Run) Close(ctx context.Context, end End) (Meta, error) {
	err := r.stop(closing{ctx: ctx, end: end})
	return r.Meta(), err
}
