package wire

import (
	"cmp"
	"encoding/binary"
	"slices"

	"ventward/daq"
)

const (
	maxADU     = 256 // bytes of a Modbus RTU message
	fastBaud   = 19200
	fastSilent = 1_750_000 // ns: t3.5 above 19200 Bd (Modbus over Serial Line V1.02, 2.5.1.1)
)

// Modbus is the only master of one Modbus RTU line. It implements daq.Asker.
type Modbus struct {
	asker
	o ModbusOptions
}

// NewModbus returns the master of the line of the instrument with that index in
// the bench's table, or an error that names every option that can't be.
func NewModbus(o ModbusOptions, inst daq.Instrument, index int) (*Modbus, error) {
	if o.Baud == 0 {
		o.Baud = inst.Port.Baud
	}
	ps := problems(o.Check())
	if o.Baud == 0 {
		ps.add("baud", 0, "state the speed of the port, for example 19200", "the silent interval between messages depends on it")
	}
	if err := failed("modbus", ps); err != nil {
		return nil, err
	}
	if err := indexed("modbus", index, inst.Columns, len(o.Registers)); err != nil {
		return nil, err
	}
	silent := charTime(o.Baud)*7/2 + 1
	if o.Baud > fastBaud {
		silent = fastSilent
	}
	t := &modbusTalk{registers: o.Registers, coils: o.Coils, groups: grouped(o.Registers)}
	m := &Modbus{o: o}
	m.setUp(t, index, pace{o.PollS, o.TimeoutS, o.QuarantineS, o.VerifyS}, o.Baud, silent, maxADU)
	m.setRow(len(t.groups), len(o.Registers), o.Floats())
	m.outputs, m.blocks, t.blocks = switched(o.Coils)
	return m, nil
}

// A modbusTalk is the words of Modbus RTU.
type modbusTalk struct {
	registers []Register
	coils     []Coil
	groups    []group
	blocks    []request // that read the blocks back
	req       request   // of the transaction under way
	group     int       // of a poll
}

func (t *modbusTalk) pose(j job, which int, on bool) {
	switch j {
	case jobPoll:
		t.group, t.req = which, t.groups[which].request
	case jobRead:
		t.req = t.blocks[which]
	case jobWrite:
		t.req = t.coils[which].write(on)
	}
}

func (t *modbusTalk) request(dst []byte) ([]byte, int) { return t.req.append(dst), t.req.answerLen() }

func (t *modbusTalk) look(p []byte) (int, fault) { return t.req.look(p) }

// data returns the data in a complete answer to a read.
func (t *modbusTalk) data(p []byte) []byte { return p[3 : 3+t.req.dataLen()] }

func (t *modbusTalk) values(p []byte, row *row) {
	data := t.data(p)
	for _, mb := range t.groups[t.group].members {
		r := &t.registers[mb.column]
		if row.values != nil {
			row.values[mb.column] = r.float(data, mb.offset)
		} else {
			row.counts[mb.column] = r.counts(data, mb.offset)
		}
	}
}

// state returns the state of the block's i-th coil. A holding register with
// another value than 0 or 1 is neither on nor off.
func (t *modbusTalk) state(p []byte, i int) daq.OutputState {
	data := t.data(p)
	v := uint16(data[min(i/8, len(data)-1)] >> (i % 8) & 1)
	if t.req.function == readHolding {
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

// inRegister tells whether the output is a holding register.
func (c *Coil) inRegister() bool { return c.Function == writeRegister || c.Function == writeRegisters }

func (c *Coil) readFunction() byte {
	if c.inRegister() {
		return readHolding
	}
	return readCoils
}

// write returns the request that switches the coil.
func (c *Coil) write(on bool) request {
	r := request{unit: byte(c.Unit), function: byte(c.Function), address: uint16(c.Address), count: 1}
	if r.function == 0 {
		r.function = writeCoil
	}
	v := uint16(0)
	if on {
		v = 1
	}
	switch r.function {
	case writeCoil:
		r.count = v * coilOn
	case writeRegister:
		r.count = v
	case writeCoils:
		r.data = []byte{byte(v)}
	case writeRegisters:
		r.data = []byte{0, byte(v)}
	}
	return r
}

// switched returns the outputs, and the blocks of neighbouring coils in which
// they are read back, with the requests for that.
func switched(cs []Coil) ([]output, []block, []request) {
	outputs := make([]output, len(cs))
	order := make([]int, len(cs))
	for i, c := range cs {
		outputs[i] = output{index: c.Output, heartbeat: c.Heartbeat, state: daq.OutputUnknown}
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int {
		x, y := &cs[a], &cs[b]
		return cmp.Or(cmp.Compare(x.Unit, y.Unit), cmp.Compare(x.readFunction(), y.readFunction()), cmp.Compare(x.Address, y.Address))
	})
	var blocks []block
	var reads []request
	for _, i := range order {
		c := &cs[i]
		last := len(blocks) - 1
		if last < 0 || !reads[last].next(c) {
			blocks = append(blocks, block{})
			reads = append(reads, request{unit: byte(c.Unit), function: c.readFunction(), address: uint16(c.Address)})
			last++
		}
		reads[last].count++
		blocks[last].outputs = append(blocks[last].outputs, i)
		outputs[i].block = last
	}
	return outputs, blocks, reads
}

// next tells whether the coil comes straight after those that the request
// reads.
func (r *request) next(c *Coil) bool {
	return r.unit == byte(c.Unit) && r.function == c.readFunction() && int(r.address)+int(r.count) == c.Address && int(r.count) < maxRegisters
}
