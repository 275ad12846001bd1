package wire

import (
	"cmp"
	"encoding/binary"
	"fmt"
	"slices"

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

// A coil is an output with what is wished and known of it.
type coil struct {
	Coil
	wished   bool // there was a demand
	want     bool
	serial   uint64 // of the newest demand
	dirty    bool   // to be written
	attempts int    // failed ones of the newest demand
	retry    int64  // not to be written again before
	written  uint64 // serial of the demand last written
	fresh    bool   // written since it was last reported
	state    daq.OutputState
	told     bool   // state was reported
	toldOf   uint64 // with this serial
	block    int
}

// A block is coils of one unit at neighbouring addresses, read back by one request.
type block struct {
	request
	coils  []int
	due    bool
	verify bool // report every coil
	tries  int
}

// inRegister tells whether the output is a holding register.
func (c *Coil) inRegister() bool { return c.Function == writeRegister || c.Function == writeRegisters }

func (c *Coil) readFunction() byte {
	if c.inRegister() {
		return readHolding
	}
	return readCoils
}

// switched returns the coils and the blocks in which they are read back.
func switched(cs []Coil) ([]coil, []block) {
	coils := make([]coil, len(cs))
	order := make([]int, len(cs))
	for i, c := range cs {
		coils[i] = coil{Coil: c, state: daq.OutputUnknown}
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int {
		x, y := &cs[a], &cs[b]
		return cmp.Or(cmp.Compare(x.Unit, y.Unit), cmp.Compare(x.readFunction(), y.readFunction()), cmp.Compare(x.Address, y.Address))
	})
	var blocks []block
	for _, i := range order {
		c := &cs[i]
		last := len(blocks) - 1
		if last < 0 || !blocks[last].next(c) {
			blocks = append(blocks, block{request: request{unit: byte(c.Unit), function: c.readFunction(), address: uint16(c.Address)}})
			last++
		}
		blocks[last].count++
		blocks[last].coils = append(blocks[last].coils, i)
		coils[i].block = last
	}
	return coils, blocks
}

// next tells whether the coil comes straight after the block.
func (b *block) next(c *Coil) bool {
	return b.unit == byte(c.Unit) && b.function == c.readFunction() && int(b.address)+int(b.count) == c.Address && int(b.count) < maxRegisters
}

// on returns the state of the block's i-th coil in an answer. A holding
// register with another value than 0 or 1 is neither on nor off.
func (b *block) on(data []byte, i int) daq.OutputState {
	v := uint16(data[min(i/8, len(data)-1)] >> (i % 8) & 1)
	if b.function == readHolding {
		v = binary.BigEndian.Uint16(data[2*i:])
	}
	switch v {
	case 0:
		return daq.OutputOff
	case 1:
		return daq.OutputOn
	}
	return daq.OutputUnknown
}

// Demand sets the newest wish for an output. An older wish than the one known
// is ignored.
func (m *Modbus) Demand(d daq.Demand) {
	for i := range m.coils {
		c := &m.coils[i]
		if c.Output != d.Output {
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
		Reason: "no coil of this line carries the output: correct the bench's coils"})
}

// urgent returns the coil whose new demand goes first: switching off, then
// heartbeats, then switching on; -1: none.
func (m *Modbus) urgent() int {
	best, rank := -1, 3
	for i := range m.coils {
		c := &m.coils[i]
		if !c.dirty || c.attempts > 0 {
			continue
		}
		r := 2
		switch {
		case c.Heartbeat:
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

// again picks a read-back, or else a write to repeat.
func (m *Modbus) again(now int64) bool {
	for i := range m.blocks {
		if m.blocks[i].due {
			m.job, m.which, m.req = jobRead, i, m.blocks[i].request
			return true
		}
	}
	for i := range m.coils {
		if c := &m.coils[i]; c.dirty && now >= c.retry {
			m.write(i)
			return true
		}
	}
	return false
}

// write begins to write the newest demand of a coil.
func (m *Modbus) write(i int) {
	c := &m.coils[i]
	fn := byte(c.Function)
	if fn == 0 {
		fn = writeCoil
	}
	r := request{unit: byte(c.Unit), function: fn, address: uint16(c.Address), count: 1}
	v := uint16(0)
	if c.want {
		v = 1
	}
	switch fn {
	case writeCoil:
		r.count = v * coilOn
	case writeRegister:
		r.count = v
	case writeCoils:
		r.data = []byte{byte(v)}
	case writeRegisters:
		r.data = []byte{0, byte(v)}
	}
	c.written, c.dirty = c.serial, false
	m.job, m.which, m.req = jobWrite, i, r
}

// wrote takes the echo of a write. What counts is what is read back.
func (m *Modbus) wrote(c *coil) {
	c.fresh = true
	m.blocks[c.block].due, m.blocks[c.block].tries = true, 0
}

// writeFailed marks the output unknown and has it read back, then written again.
func (m *Modbus) writeFailed(c *coil, now int64, why string) {
	m.report(c, daq.OutputUnknown, why)
	m.blocks[c.block].due, m.blocks[c.block].tries = true, 0
	c.fresh = true
	m.yield = true
	m.repeat(c, now)
}

// repeat has the coil written again unless it is going to be anyway. A
// heartbeat is never repeated.
func (m *Modbus) repeat(c *coil, now int64) {
	if c.Heartbeat || c.dirty || !c.wished {
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

// readBack takes the state of a block of coils.
func (m *Modbus) readBack(b *block, data []byte, now int64) {
	for i, k := range b.coils {
		m.settle(&m.coils[k], b.on(data, i), b.verify, now)
	}
	b.due, b.verify, b.tries = false, false, 0
}

// settle compares what was read back with what was wished. Off that was
// wished is written until it is read back; on that was lost without a wish
// (a watchdog relay opened, say) is reported and left off.
func (m *Modbus) settle(c *coil, s daq.OutputState, verify bool, now int64) {
	fresh, changed := c.fresh, c.state != s
	c.fresh = false
	why := ""
	want := daq.OutputOff
	if c.want {
		want = daq.OutputOn
	}
	current := c.wished && c.written == c.serial && !c.Heartbeat
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

// readFailed reports what is no longer known, and tries the read-back once more.
func (m *Modbus) readFailed(b *block, now int64, why string) {
	for _, k := range b.coils {
		m.report(&m.coils[k], daq.OutputUnknown, "not read back: "+why)
	}
	m.yield = true
	if b.tries++; b.tries >= readTries {
		b.due, b.tries = false, 0
	}
}

// report tells what is known of an output. That it is still unknown after the
// same demand is no news: while a line is dead there would be no end of it.
func (m *Modbus) report(c *coil, s daq.OutputState, why string) {
	known := c.told && c.state == daq.OutputUnknown && c.toldOf == c.written
	c.state = s
	if s == daq.OutputUnknown && known {
		return
	}
	c.told, c.toldOf = true, c.written
	m.push(daq.Readback{Output: c.Output, State: s, Serial: c.written, Reason: why})
}

// push keeps a read-back until Take. Of too many the oldest go: the newest
// tells the state.
func (m *Modbus) push(r daq.Readback) {
	if len(m.readbacks) == maxTaken {
		m.readbacks = append(m.readbacks[:0], m.readbacks[1:]...)
		m.count.Refused++
	}
	m.readbacks = append(m.readbacks, r)
}
