package main

import "ventward/daq"

// serials keeps the numbers of demands growing on the lines when a run's engine
// takes over: it may have counted fewer demands than the one before, and a line
// refuses a number below its last. What is added on the way out is taken off a
// read-back on its way in, so that the record holds the engine's own numbers.
type serials struct {
	shift uint64
	last  uint64
}

// out numbers a demand for the lines.
func (s *serials) out(d daq.Demand) daq.Demand {
	d.Serial += s.shift
	s.last = max(s.last, d.Serial)
	return d
}

// in gives a read-back the engine's own number.
func (s *serials) in(en *daq.Entry) {
	if en.Readback == nil || s.shift == 0 {
		return
	}
	r := *en.Readback
	r.Serial -= min(r.Serial, s.shift)
	en.Readback = &r
}

// follow tells that an engine takes over which has numbered up to n.
func (s *serials) follow(n uint64) {
	if n+s.shift < s.last {
		s.shift = s.last - n
	}
}
