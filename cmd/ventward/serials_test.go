package main

import (
	"testing"

	"ventward/daq"
)

// An engine that has counted fewer demands takes over: its demands still get
// growing numbers on the line, and their read-backs come back with its own.
func TestSerialsGrowAcrossEngines(t *testing.T) {
	var s serials
	last := s.out(daq.Demand{Serial: 41}).Serial
	s.follow(30)
	for n := uint64(30); n < 35; n++ {
		d := s.out(daq.Demand{Serial: n})
		if d.Serial < last {
			t.Fatalf("serial %d after %d", d.Serial, last)
		}
		last = d.Serial
		en := daq.Entry{Kind: daq.EntryReadback, Readback: &daq.Readback{Serial: d.Serial}}
		s.in(&en)
		if en.Readback.Serial != n {
			t.Fatalf("the read-back of demand %d came in as %d", n, en.Readback.Serial)
		}
	}
	s.follow(100)
	if d := s.out(daq.Demand{Serial: 101}); d.Serial < last {
		t.Fatalf("serial %d after %d", d.Serial, last)
	}
}
