package main

import (
	"encoding/json"

	"ventward/daq"
	"ventward/detect"
	"ventward/guard"
	"ventward/store"
)

// journal is what the loop needs of a run that is being written. No call
// waits or fails.
type journal interface {
	Append(daq.Entry)
	Event(n uint64, e detect.Event)
	Alarm(n uint64, a guard.Alarm)
	Demand(n uint64, d daq.Demand)
}

// A recording is a run in the making: a fresh engine that is fed the entries
// from before the arming, then the live ones, so that the run's samples,
// events and alarms are functions of the run's own entries alone.
type recording struct {
	run      *store.Run
	meta     store.Meta
	journal  journal
	eng      *engine
	after    *engine // goes on when the run has ended
	gen      int
	n        uint64      // number of the run's last entry
	backlog  []daq.Entry // entries not yet fed
	armed    int64       // bench time of run time zero
	fits     int         // windows given to the fit worker and not yet answered
	ended    int64       // bench time at which the run was ended; 0: not yet
	why      string      // it was ended
	unasked  bool        // the program began it
	eventful int64       // bench time of the last event
}

// begin writes the record's first entry.
func (r *recording) begin(s setup, at int64) error {
	body, err := json.Marshal(s)
	if err != nil {
		return err
	}
	r.put(daq.Entry{At: at, Kind: daq.EntryConfig, Body: body})
	return nil
}

// put gives an entry its number in the run and journals it.
func (r *recording) put(en daq.Entry) daq.Entry {
	r.n++
	en.N = r.n
	r.journal.Append(en)
	return en
}

// note journals what an entry led to. Its demands have been acted on before.
func (r *recording) note(n uint64, out *outcome, heart int) {
	for i := range out.Events {
		r.journal.Event(n, out.Events[i])
		r.eventful = max(r.eventful, out.Events[i].Decided)
	}
	for i := range out.Alarms {
		r.journal.Alarm(n, out.Alarms[i])
	}
	for _, d := range out.Demands {
		if d.Output != heart { // edges are functions of the ticks; five a second would fill the record
			r.journal.Demand(n, d)
		}
	}
}
