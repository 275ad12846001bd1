package detect

import (
	"math"

	"ventward/daq"
)

// Reversed wires of a thermocouple. Its reading is then mirrored at the cold
// junction: it falls while the couple warms. In a vessel that is heated nothing
// else gets far colder than it was: a venting cools the skin by some degrees
// only, and the gas cools where it expands, which its pressure tells. (Common
// practice, no source.)
const (
	reversedK  = 20.0         // below where it began and below the room
	coldK      = 8.0          // below where it began, where that was colder by reversedK than the room or the other couple measures
	usualRoomC = 23.0         // °C, where nothing tells it
	beganK     = 4.0          // the fall is counted from here on
	otherK     = 10.0         // that the other couple has risen meanwhile
	fallNs     = int64(160e9) // without another couple: 20 K within this, as a heater does; a climate chamber is slower
	startNs    = int64(2e9)   // over which the beginning is taken, and
	startLeast = 3            // so many values
	fallLeast  = 5            // values between beganK and reversedK: a broken wire jumps,
	jumpK      = 10.0         // by more than this from one to the next
	steadyNs   = int64(10e9)  // after a jump, the reading goes on steadily for so long,
	steadyK    = 5.0          // moving by so much: an open input rests
	keptPart   = 0.95         // of its first pressure, that a vessel keeps which wasn't opened; where the pressure
	madePart   = 1.3          // rose by more than to this part of it, gas was made,
	leftPart   = 1.15         // and a vessel that wasn't opened keeps this part
)

// A polarity follows whether a couple reads the way it should.
type polarity struct {
	n     int // values of the start
	began int64
	start float64 // °C
	level float64 // °C, the lower one of start and room: falls are counted from it

	from      int64   // since when it is below the start by beganK; 0: it isn't
	p0, top   float64 // Pa absolute, the vessel's first and highest pressure; 0: not known
	fallN     int
	last      float64
	jumped    bool
	calmAt    int64 // time of the last jump, and what was read since, °C
	low, high float64

	warm     bool // it has risen by otherK
	reversed bool
	event    int // of the fault; 0: none
}

// take follows a value of the couple's course; it tells whether it has fallen as
// nothing in the vessel falls. room is the room's temperature and other what
// another sensor measures, °C (-Inf: none does); p is the vessel's pressure, Pa
// absolute, 0: not known.
func (o *polarity) take(t int64, v, room, other, p float64) bool {
	if o.top = max(o.top, p); o.p0 == 0 {
		o.p0 = p
	}
	if o.n < startLeast || t-o.began < startNs {
		if o.n++; o.n == 1 {
			o.began = t
		}
		o.start += (v - o.start) / float64(o.n)
		o.level = min(o.start, room)
		return false
	}
	if o.warm = o.warm || v >= o.start+otherK; o.warm {
		return false // it has warmed with the vessel: what chills it now is gas that expands, or a wire that broke
	}
	if v > o.level-beganK {
		o.from = 0
		return false
	}
	if o.from == 0 {
		o.from, o.fallN, o.jumped, o.last = t, 0, false, o.level-beganK
	}
	o.fallN++
	if math.Abs(o.last-v) > jumpK {
		o.jumped, o.calmAt, o.low, o.high = true, t, v, v
	}
	o.last = v
	o.low, o.high = min(o.low, v), max(o.high, v)
	need := reversedK
	if o.start <= other-reversedK {
		need = coldK
	}
	if v > o.level-need || o.opened(p) {
		return false
	}
	if o.jumped {
		return t-o.calmAt >= steadyNs && o.high-o.low >= steadyK
	}
	return o.fallN >= fallLeast
}

// opened tells whether the vessel, now at pressure p in Pa absolute, lost gas:
// what expands in it and what is left is cold for a while. Gas that was made
// cools and keeps some of its pressure.
func (o *polarity) opened(p float64) bool {
	return p < keptPart*o.p0 || o.top > madePart*o.p0 && p < leftPart*o.p0
}

// reverse judges the newest value of a couple's course: wires are reversed where
// it has fallen so while the other couple warmed, or, of the skin, as fast as a
// heater heats.
func (t *thermal) reverse(m *Monitor, c *channel, s, other *tempCourse) {
	o := &s.wires
	i := (s.n - 1) & courseMask
	room, measured := m.roomC()
	witness := math.Inf(-1)
	if measured {
		witness = room
	} else if other.n > 0 && !other.wires.reversed {
		witness = other.newest()
	}
	if o.reversed || !o.take(s.t[i], s.v[i], room, witness, m.vesselPa()) {
		return
	}
	if !other.wires.warm && (s != &t.skin || o.jumped || s.t[i]-o.from > fallNs) {
		return
	}
	o.reversed = true
	r := m.book.open(SensorFault, c, o.from, s.t[i])
	r.ev.Fault, r.ev.Named, r.ev.End = FaultReversed, s.t[i], s.t[i]
	o.event = r.ev.ID
	m.book.issue(r)
	if s == &t.skin { // it tells nothing: the gas is judged instead
		t.skin.has = false
		t.mistrust(m)
	}
}

// vesselPa is the newest pressure of the vessel, Pa absolute; 0: none.
func (m *Monitor) vesselPa() float64 {
	for i := range m.channels {
		c := &m.channels[i]
		if c.p == nil || c.lastT == 0 {
			continue
		}
		if c.cfg.Reference == daq.Gauge {
			return c.last + m.ambient
		}
		return c.last
	}
	return 0
}

// roomC is the newest temperature of the room, °C, and whether it is measured:
// else it is the stated one.
func (m *Monitor) roomC() (c float64, measured bool) {
	for i := range m.channels {
		if c := &m.channels[i]; c.cfg.Role == daq.RoleRoom && c.lastT != 0 {
			return c.last, true
		}
	}
	if k := m.opt.Fixture.TemperatureK; k > 0 {
		return k - 273.15, false
	}
	return usualRoomC, false
}

// endReversed states until when the readings of a reversed couple went on.
func (s *tempCourse) endReversed(m *Monitor) {
	if r := m.book.at(s.wires.event); s.wires.event != 0 && r != nil && r.ev.End < s.last {
		r.ev.End = s.last
		m.book.revise(r)
	}
}
