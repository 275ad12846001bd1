package wire

import "math"

// A mark is where a message stands in the device's own count: the sequence and
// tick of its first row, as sent, and its number of rows.
type mark struct {
	seq, tick uint64
	rows      uint64
}

// A counter is one of the device's counts with its number of values (0: 2^64).
type counter struct {
	on   bool
	wrap uint64
}

// after returns how far b is past a, going round the wrap.
func (c counter) after(a, b uint64) uint64 {
	if c.wrap != 0 && b < a {
		return b + (c.wrap - a)
	}
	return b - a
}

// forward tells whether a distance is a way ahead, not a way back.
func (c counter) forward(d uint64) bool {
	if c.wrap == 0 {
		return d < 1<<63
	}
	return d <= (c.wrap-1)/2
}

// A sequence follows the device's count. It tells loss from resets, repeats and
// damage: a message that jumps back (or, on a line without checksum, ahead
// further than belief) is held until the next one says whether the device
// really goes on from there.
type sequence struct {
	seq, tick counter
	step      float64 // ticks a row; 0: not known
	doubt     uint64  // rows: a jump ahead beyond this is held; 0: believe any

	begun bool // something was accepted
	fresh bool // the port went away: believe the next message
	last  mark
	lastU place // last, unwrapped
	held  *mark
}

// A place is a mark's unwrapped sequence and tick.
type place struct{ seq, tick uint64 }

// A ruling says what to do with a message and with the one held before it.
type ruling struct {
	held    bool // the held message is accepted and comes first; otherwise, if there was one, it is refused
	take    bool // this message is accepted
	hold    bool // this message is held
	reset   bool // the first accepted message begins a new epoch
	refused bool // a held message was refused
	lostA   uint64
	lost    uint64 // rows missing before the held and before this message
	heldAt  place
	at      place
}

func newSequence(seq, tick counter, step float64, doubt uint64) sequence {
	return sequence{seq: seq, tick: tick, step: step, doubt: doubt}
}

// restart tells that the port went away.
func (s *sequence) restart() {
	s.fresh = true
	s.held = nil
}

// gap returns the rows missing between a and b, and whether b comes after a.
func (s *sequence) gap(a, b mark) (uint64, bool) {
	ok := true
	var rows uint64
	if s.seq.on {
		next := a.seq + a.rows
		if s.seq.wrap != 0 {
			next %= s.seq.wrap
		}
		rows = s.seq.after(next, b.seq)
		ok = s.seq.forward(rows)
	}
	if s.tick.on && !s.tick.forward(s.tick.after(a.tick, b.tick)) {
		ok = false
	}
	return rows, ok
}

// credible tells whether a way ahead of rows is believed without confirmation.
func (s *sequence) credible(a, b mark, rows uint64) bool {
	if s.doubt == 0 {
		return true
	}
	if s.seq.on && rows > s.doubt {
		return false
	}
	if !s.tick.on || s.step == 0 {
		return true
	}
	d := float64(s.tick.after(a.tick, b.tick))
	if !s.seq.on {
		return d <= s.step*float64(s.doubt)
	}
	want := s.step * float64(a.rows+rows)
	return math.Abs(d-want) <= want/2+2*s.step
}

// advance returns the unwrapped place of b, which comes after a at u.
func (s *sequence) advance(a mark, u place, b mark, rows uint64) place {
	p := place{seq: b.seq, tick: b.tick}
	if s.seq.on {
		p.seq = u.seq + a.rows + rows
	}
	if s.tick.on {
		p.tick = u.tick + s.tick.after(a.tick, b.tick)
	}
	return p
}

// judge rules on the next message.
func (s *sequence) judge(m mark) ruling {
	if !s.seq.on && !s.tick.on {
		s.begun = true
		return ruling{take: true, reset: s.unfresh()}
	}
	if !s.begun || s.fresh {
		return s.begin(m)
	}
	rows, ok := s.gap(s.last, m)
	ok = ok && s.credible(s.last, m, rows)
	if s.held == nil {
		if ok {
			return s.follow(m, rows)
		}
		if m == s.last {
			return ruling{} // a repetition
		}
		s.held = &mark{}
		*s.held = m
		return ruling{hold: true}
	}
	return s.settle(m, rows, ok)
}

// unfresh tells whether the port went away since the last message, and forgets it.
func (s *sequence) unfresh() bool {
	f := s.fresh
	s.fresh = false
	return f
}

// begin accepts the first message, or the first after the port came back. A
// device that went on counting meanwhile tells how many rows were lost.
func (s *sequence) begin(m mark) ruling {
	r := ruling{take: true, at: place{m.seq, m.tick}}
	if s.begun {
		r.reset = true
		if rows, ok := s.gap(s.last, m); ok {
			r.at = s.advance(s.last, s.lastU, m, rows)
			if s.seq.on {
				r.lost = rows
			}
		}
	}
	s.begun, s.fresh = true, false
	s.last, s.lastU = m, r.at
	return r
}

func (s *sequence) follow(m mark, rows uint64) ruling {
	r := ruling{take: true, lost: rows, at: s.advance(s.last, s.lastU, m, rows)}
	s.last, s.lastU = m, r.at
	return r
}

// settle rules on a message that comes while another is held. It goes with the
// one it continues without a gap, else with the last accepted, else with the
// held.
func (s *sequence) settle(m mark, rows uint64, ok bool) ruling {
	h := *s.held
	hrows, hok := s.gap(h, m)
	// Two in a row confirm each other even where their ticks disagree with the
	// stated rate: that may be wrong, and no reason to refuse all.
	hok = hok && (s.seq.on && hrows == 0 || s.credible(h, m, hrows))
	if ok && (rows == 0 || !hok || hrows != 0) {
		s.held = nil
		r := s.follow(m, rows)
		r.refused = true
		return r
	}
	if !hok {
		if m == s.last {
			return ruling{} // a repetition settles nothing
		}
		*s.held = m
		return ruling{hold: true, refused: true}
	}
	s.held = nil
	r := ruling{held: true, take: true, lost: hrows, heldAt: place{h.seq, h.tick}}
	if jump, ahead := s.gap(s.last, h); ahead {
		r.lostA = jump
		r.heldAt = s.advance(s.last, s.lastU, h, jump)
	} else {
		r.reset = true
	}
	r.at = s.advance(h, r.heldAt, m, hrows)
	s.last, s.lastU = m, r.at
	return r
}
