package detect

import "ventward/daq"

const (
	// valveAheadNs and valveAfterNs bound when a pressure responds to a valve,
	// before and after the moment at which its input or command changed.
	valveAheadNs = int64(15e6) // an input sits anywhere on a valve's way
	valveAfterNs = int64(100e6)
)

// A valve is what is known of the supply or the dump valve. Its edges are
// known to lie between two times, as far as its input is sampled.
type valve struct {
	known   bool
	open    bool
	doubted bool // it was known, as open says, and is no longer
	opened  edge
	closed  edge
	isInput bool // an input channel tells; commands are ignored
	// demanded is when the bench's own outputs last asked for it to open; 0:
	// never, or nobody tells.
	demanded int64
	wanted   bool // the newest command
}

// An edge is a change of a valve.
type edge struct {
	from, to int64 // ns; it lies in (from, to]
	used     int   // event that it explains; 0: none
	set      bool
}

// covers tells whether a pressure's departure at t can be the valve's doing.
func (e *edge) covers(t, slack int64) bool {
	return e.set && t >= e.from-valveAheadNs-slack && t <= e.to+valveAfterNs+slack
}

func (v *valve) change(open bool, from, to int64) bool {
	if v.known && v.open == open {
		return false
	}
	first := !v.known && !(v.doubted && v.open != open)
	v.known, v.open, v.doubted = true, open, false
	if first {
		return false
	}
	e := edge{from: from, to: to, set: true}
	if open {
		v.opened = e
	} else {
		v.closed = e
	}
	return true
}

// Valve tells of a valve's command or state as the bench's own outputs know
// it (role supply_valve or dump_valve), for benches whose valves have no input
// channel: open at bench time now.
func (m *Monitor) Valve(role daq.Role, open bool, now int64) {
	m.ValveBetween(role, open, now, now)
}

// ValveBetween is Valve for a change that came at some time from from to to, as
// while nobody watched.
func (m *Monitor) ValveBetween(role daq.Role, open bool, from, to int64) {
	v := m.valveOf(role)
	if v == nil {
		return
	}
	if open && !v.wanted {
		v.demanded = from
	}
	v.wanted = open
	if !v.isInput {
		m.turn(v, open, from, to)
	}
}

// ValveUnknown tells that a valve's state is no longer known, as when its output
// can't be read back: it may have moved. When it is known again and has, say so
// by ValveBetween.
func (m *Monitor) ValveUnknown(role daq.Role) {
	if v := m.valveOf(role); v != nil && !v.isInput && v.known {
		v.known, v.doubted = false, true
	}
}

func (m *Monitor) valveOf(role daq.Role) *valve {
	switch role {
	case daq.RoleDumpValve:
		return &m.dump
	case daq.RoleSupplyValve:
		return &m.supply
	}
	return nil
}

// turn takes a valve's new state. An edge that comes to be known after the
// pressure's answer explains it: a fall by the dump valve, what looked like a
// first venting by the supply.
func (m *Monitor) turn(v *valve, open bool, from, to int64) {
	if !v.change(open, from, to) || !open {
		return
	}
	if v == &m.supply {
		m.thermal.explain(m)
		return
	}
	var first *record // the earliest fall that the edge can explain
	for i := len(m.book.recs) - 1; i >= 0; i-- {
		r := m.book.recs[i]
		if r.ev.Onset < from-valveAheadNs-int64(1e9) {
			break
		}
		if r.released() && v.demanded <= r.ev.Decided && v.opened.covers(r.ev.Onset, r.slack) {
			first = r
		}
	}
	if first != nil {
		v.opened.used = first.ev.ID
		first.quiet = false
		first.toDump(to)
		m.book.revise(first)
	}
}

// released tells whether the dump valve may be what the event is, once its edge
// comes to be known: an opening, or a fall as sharp as a valve's that another one
// cut short before it could be told what it was.
func (r *record) released() bool {
	return r.ev.Opens() || r.gentle() && r.slack <= valveAheadNs
}

// toDump makes a fall the dump valve's doing.
func (r *record) toDump(now int64) {
	r.ev.Kind, r.ev.Feature, r.shape = Dump, "", Dump
	r.ev.Named = max(now, r.ev.Decided)
}

// supplyOpenAt tells whether the supply valve is known to have been open at t.
func (m *Monitor) supplyOpenAt(t int64) bool {
	v := &m.supply
	if !v.known {
		return false
	}
	if v.open {
		return !v.opened.set || v.opened.to < t
	}
	return v.closed.set && v.closed.from > t && (!v.opened.set || v.opened.to < t)
}

// supplyState is the supply valve as a window tells it.
func (m *Monitor) supplyState() int8 {
	switch {
	case !m.supply.known:
		return -1
	case m.supply.open:
		return 1
	}
	return 0
}
