package wire

import (
	"fmt"

	"ventward/daq"
)

const (
	// onAttempts bounds how often switching on is tried: a wish to energise
	// that comes true long after it was wished is no help to anybody. Switching
	// off is tried for ever.
	onAttempts = 3
	// quickAttempts follow one another at once, later ones each VerifyS.
	quickAttempts = 3
	readTries     = 2
)

// An output is a switched output of the line with what is wished and known of
// it.
type output struct {
	index     int // in the bench's output table
	heartbeat bool
	wished    bool // there was a demand
	want      bool
	serial    uint64 // of the newest demand
	dirty     bool   // to be written
	attempts  int    // failed ones of the newest demand
	retry     int64  // not to be written again before
	written   uint64 // serial of the demand last written
	fresh     bool   // written since it was last reported
	state     daq.OutputState
	told      bool   // state was reported
	toldOf    uint64 // with this serial
	block     int
	seen      int64 // when it was last read back
}

// A block is outputs read back by one request.
type block struct {
	outputs []int
	due     bool
	fresh   bool // one of them was written
	verify  bool // report every output
	tries   int
}

// Demand sets the newest wish for an output. An older wish than the one known
// is ignored.
func (m *asker) Demand(d daq.Demand) {
	for i := range m.outputs {
		c := &m.outputs[i]
		if c.index != d.Output {
			continue
		}
		if c.wished && d.Serial < c.serial {
			return
		}
		c.wished, c.want, c.serial = true, d.On, d.Serial
		c.dirty, c.attempts, c.retry = true, 0, 0
		return
	}
	m.push(daq.Readback{Output: d.Output, State: daq.OutputUnknown, Serial: d.Serial,
		Reason: "nothing on this line carries the output: correct the bench's outputs"})
}

// urgent returns the output whose new demand goes first: switching off, then
// heartbeats, then switching on; -1: none.
func (m *asker) urgent() int {
	best, rank := -1, 3
	for i := range m.outputs {
		c := &m.outputs[i]
		if !c.dirty || c.attempts > 0 {
			continue
		}
		r := 2
		switch {
		case c.heartbeat:
			r = 1
		case !c.want:
			r = 0
		}
		if r < rank {
			best, rank = i, r
		}
	}
	return best
}

// again picks what is read back because it was written, or else a write to
// repeat, or else what is read back to verify it. Verification comes last: on a
// dead line it would never let a demand to switch off be repeated.
func (m *asker) again(now int64) bool {
	if m.readBlock(true) {
		return true
	}
	for i := range m.outputs {
		if c := &m.outputs[i]; c.dirty && now >= c.retry {
			m.write(i)
			return true
		}
	}
	return m.readBlock(false)
}

// readBlock begins to read a block back that is due.
func (m *asker) readBlock(fresh bool) bool {
	for i := range m.blocks {
		if b := &m.blocks[i]; b.due && (b.fresh || !fresh) {
			m.pose(jobRead, i, false)
			return true
		}
	}
	return false
}

// write begins to write the newest demand of a output.
func (m *asker) write(i int) {
	c := &m.outputs[i]
	c.written, c.dirty = c.serial, false
	m.pose(jobWrite, i, c.want)
}

// wrote takes the echo of a write. What counts is what is read back.
func (m *asker) wrote(c *output) {
	c.fresh = true
	b := &m.blocks[c.block]
	b.due, b.fresh, b.tries = true, true, 0
}

// writeFailed marks the output unknown and has it read back, then written again.
func (m *asker) writeFailed(c *output, now int64, why string) {
	m.report(c, daq.OutputUnknown, why)
	b := &m.blocks[c.block]
	b.due, b.fresh, b.tries = true, true, 0
	c.fresh = true
	m.yield = true
	m.repeat(c, now)
}

// repeat has the output written again unless it is going to be anyway. A
// heartbeat is never repeated.
func (m *asker) repeat(c *output, now int64) {
	if c.heartbeat || c.dirty || !c.wished {
		return
	}
	c.attempts++
	if c.want && c.attempts >= onAttempts {
		return
	}
	c.dirty, c.retry = true, now
	if c.attempts >= quickAttempts {
		c.retry = now + m.verifyNS
	}
}

// readBack takes the state of a block of outputs from an answer.
func (m *asker) readBack(b *block, answer []byte, now int64) {
	for i, k := range b.outputs {
		m.settle(&m.outputs[k], m.talk.state(answer, i), b.verify, now)
	}
	b.due, b.fresh, b.verify, b.tries = false, false, false, 0
}

// settle compares what was read back with what was wished. Off that was
// wished is written until it is read back; on that was lost without a wish
// (a watchdog relay opened, say) is reported and left off.
func (m *asker) settle(c *output, s daq.OutputState, verify bool, now int64) {
	fresh, changed := c.fresh, c.state != s
	c.fresh, c.seen = false, now
	why := ""
	want := daq.OutputOff
	if c.want {
		want = daq.OutputOn
	}
	current := c.wished && c.written == c.serial && !c.heartbeat
	switch {
	case current && s == want:
		c.dirty, c.attempts = false, 0
	case current && (fresh || !c.want):
		why = fmt.Sprintf("read back %s, demanded %s", s, want)
		m.repeat(c, now)
	case current && c.attempts >= onAttempts:
		why = fmt.Sprintf("read back %s, demanded %s: given up after %d attempts; look at the relay, then demand it again", s, want, onAttempts)
	case current:
		why = fmt.Sprintf("read back %s, demanded %s: it changed without a demand", s, want)
	}
	if fresh || changed || verify {
		m.report(c, s, why)
	}
}

// doubt reports outputs unknown that were not read back for longer than it takes
// to verify twice and to fail once: what was known of them is old. A line that
// answers nothing may be busy with nothing but heartbeats.
func (m *asker) doubt(now int64) {
	for i := range m.outputs {
		c := &m.outputs[i]
		if c.seen != 0 && c.state != daq.OutputUnknown && now-c.seen > 2*m.verifyNS+m.timeoutNS+m.quarantineNS {
			m.report(c, daq.OutputUnknown, fmt.Sprintf("not read back for %.2g s", float64(now-c.seen)/second))
		}
	}
}

// readFailed reports what is no longer known, and tries the read-back once more.
func (m *asker) readFailed(b *block, now int64, why string) {
	for _, k := range b.outputs {
		m.report(&m.outputs[k], daq.OutputUnknown, "not read back: "+why)
	}
	m.yield = true
	if b.tries++; b.tries >= readTries {
		b.due, b.fresh, b.tries = false, false, 0
	}
}

// report tells what is known of an output. That it is still unknown after the
// same demand is no news: while a line is dead there would be no end of it.
func (m *asker) report(c *output, s daq.OutputState, why string) {
	known := c.told && c.state == daq.OutputUnknown && c.toldOf == c.written
	c.state = s
	if s == daq.OutputUnknown && known {
		return
	}
	c.told, c.toldOf = true, c.written
	m.push(daq.Readback{Output: c.index, State: s, Serial: c.written, Reason: why})
}

// push keeps a read-back until Take. Of too many the oldest go: the newest
// tells the state.
func (m *asker) push(r daq.Readback) {
	if len(m.readbacks) == maxTaken {
		m.readbacks = append(m.readbacks[:0], m.readbacks[1:]...)
		m.count.Refused++
	}
	m.readbacks = append(m.readbacks, r)
}
