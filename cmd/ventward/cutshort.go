package main

import (
	"ventward/config"
	"ventward/store"
	"ventward/stream"
)

// stopping is why a test ends that the program leaves.
const stopping = "the daemon is stopping"

// cutShort is the bench's newest run where the program ended during it and nobody
// has entered since what was found on the specimen: it may be under pressure,
// whatever the transducers show. nil: there is none.
func cutShort(st *store.Store, b *config.Bench) (*stream.RunState, error) {
	ms, err := st.Runs(store.Filter{})
	if err != nil {
		return nil, err
	}
	for i := len(ms) - 1; i >= 0; i-- {
		m := &ms[i]
		if m.Kind != store.KindRun || m.Bench != b.Name || m.Source != "" || m.Entries == 0 {
			continue
		}
		if m.State != store.StateInterrupted && m.EndNote != stopping {
			return nil, nil
		}
		p, err := papers(st, m)
		if err != nil || p.outcome != nil {
			return nil, err
		}
		return &stream.RunState{ID: m.ID, Specimen: m.Specimen, Lot: m.Lot, Shot: m.Shot}, nil
	}
	return nil, nil
}
