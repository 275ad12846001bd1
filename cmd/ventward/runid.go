package main

import (
	"math/rand/v2"
	"sync"
	"time"

	"ventward/store"
)

// newRunID is a run's name: sortable by time and never used twice.
func newRunID(t time.Time) string { return store.NewID(t, rand.Uint32()) }

// runIDs names a daemon's runs so that their order is the order in which they
// were made, though the wall clock was set back in between: whoever follows the
// store by name would otherwise pass them over.
type runIDs struct {
	mu   sync.Mutex
	last time.Time
	read bool
}

func (r *runIDs) next(wall time.Time, st *store.Store) string {
	r.mu.Lock()
	defer r.mu.Unlock()
	if !r.read {
		r.read = true
		if ms, err := st.Runs(store.Filter{}); err == nil {
			for i := range ms {
				if t, ok := store.IDTime(ms[i].ID); ok && ms[i].Kind != store.KindIdle && t.After(r.last) {
					r.last = t.Add(time.Second)
				}
			}
		}
	}
	if !wall.After(r.last) {
		wall = r.last.Add(time.Millisecond)
	}
	r.last = wall
	return newRunID(wall)
}
