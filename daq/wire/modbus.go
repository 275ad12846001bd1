package wire

import (
	"cmp"
	"encoding/binary"
	"fmt"
	"math"
	"slices"
)

// Modbus functions (Modbus Application Protocol).
const (
	readCoils      = 0x01
	readInputs     = 0x02
	readHolding    = 0x03
	readInputRegs  = 0x04
	writeCoil      = 0x05
	writeRegister  = 0x06
	writeCoils     = 0x0F
	writeRegisters = 0x10

	exceptionBit = 0x80
	coilOn       = 0xFF00
)

// A request is one Modbus RTU request. For functions 05 and 06 count is the
// value; data are the values of 0F and 10 as on the wire.
type request struct {
	unit, function byte
	address, count uint16
	data           []byte
}

// append appends the request as sent, CRC included.
func (r *request) append(dst []byte) []byte {
	start := len(dst)
	dst = append(dst, r.unit, r.function)
	dst = binary.BigEndian.AppendUint16(dst, r.address)
	dst = binary.BigEndian.AppendUint16(dst, r.count)
	if r.function == writeCoils || r.function == writeRegisters {
		dst = append(dst, byte(len(r.data)))
		dst = append(dst, r.data...)
	}
	return binary.LittleEndian.AppendUint16(dst, CRC16(dst[start:]))
}

// dataLen returns the bytes of data in the answer to a read.
func (r *request) dataLen() int {
	switch r.function {
	case readCoils, readInputs:
		return (int(r.count) + 7) / 8
	case readHolding, readInputRegs:
		return 2 * int(r.count)
	}
	return 0
}

// answerLen returns the length of the answer that says yes.
func (r *request) answerLen() int {
	if n := r.dataLen(); n > 0 {
		return 3 + n + 2
	}
	return 8
}

const (
	faultUnit     fault = "the answer comes from another unit"
	faultFunction fault = "the answer belongs to another function"
	faultCount    fault = "the answer has another byte count"
	faultEcho     fault = "the answer doesn't repeat the write"
	faultCRC      fault = "the answer's CRC doesn't match"
)

// look examines what has come of an answer. It returns how many bytes the
// answer has in all and, as early as it can be told, what is wrong with it. An
// answer is complete and right when len(p) >= need and there is no fault.
func (r *request) look(p []byte) (need int, f fault) {
	need = r.answerLen()
	if len(p) > 0 && p[0] != r.unit {
		return need, faultUnit
	}
	if len(p) < 2 {
		return need, ""
	}
	switch p[1] {
	case r.function:
	case r.function | exceptionBit:
		need = 5
	default:
		return need, faultFunction
	}
	if len(p) < need {
		return need, ""
	}
	p = p[:need]
	if CRC16(p[:need-2]) != binary.LittleEndian.Uint16(p[need-2:]) {
		return need, faultCRC
	}
	switch {
	case p[1]&exceptionBit != 0:
	case r.dataLen() > 0:
		if int(p[2]) != r.dataLen() {
			return need, faultCount
		}
	case binary.BigEndian.Uint16(p[2:]) != r.address, binary.BigEndian.Uint16(p[4:]) != r.count:
		return need, faultEcho
	}
	return need, ""
}

// exceptions names the codes of the Modbus Application Protocol, section 7.
var exceptions = map[byte]string{
	1: "illegal function", 2: "illegal data address", 3: "illegal data value", 4: "device failure",
	5: "acknowledge", 6: "device busy", 8: "memory parity error", 10: "gateway path unavailable", 11: "gateway target silent",
}

// refusal says what an exception means.
func (t *modbusTalk) refusal(p []byte) string {
	if p[1]&exceptionBit == 0 {
		return ""
	}
	return exceptionText(t.req.function, p[2])
}

func exceptionText(function, code byte) string {
	name, ok := exceptions[code]
	if !ok {
		name = "unknown code"
	}
	return fmt.Sprintf("the device refused function %d: exception %d (%s)", function, code, name)
}

// orders maps a word order to the places on the wire of the value's bytes, most
// significant first. Each letter stands for a byte of the value, A the most
// significant, in the order in which they are sent.
var orders = map[string][4]byte{
	"":     {0, 1, 2, 3},
	"ABCD": {0, 1, 2, 3},
	"CDAB": {2, 3, 0, 1},
	"BADC": {1, 0, 3, 2},
	"DCBA": {3, 2, 1, 0},
}

// words returns the registers that the value takes; 0 for a bit.
func (r *Register) words() int {
	switch r.Type {
	case "u32", "i32", "f32":
		return 2
	case "bit":
		return 0
	}
	return 1
}

// width returns the addresses that the value takes.
func (r *Register) width() int { return max(1, r.words()) }

// bits32 returns the 32-bit pattern in two registers as sent.
func bits32(p []byte, place [4]byte) uint32 {
	return uint32(p[place[0]])<<24 | uint32(p[place[1]])<<16 | uint32(p[place[2]])<<8 | uint32(p[place[3]])
}

// float returns the value in the answer's data at offset addresses from its start.
func (r *Register) float(data []byte, offset int) float64 {
	switch r.Type {
	case "f32":
		return float64(math.Float32frombits(bits32(data[2*offset:], orders[r.Order])))
	case "u32":
		return float64(bits32(data[2*offset:], orders[r.Order]))
	}
	return float64(r.counts(data, offset))
}

// counts is float for the types that an int32 holds.
func (r *Register) counts(data []byte, offset int) int32 {
	switch r.Type {
	case "bit":
		return int32(data[offset/8] >> (offset % 8) & 1)
	case "i16":
		return int32(int16(binary.BigEndian.Uint16(data[2*offset:])))
	case "u16":
		return int32(binary.BigEndian.Uint16(data[2*offset:]))
	}
	return int32(bits32(data[2*offset:], orders[r.Order]))
}

// A group is registers of one unit and function at addresses without a hole,
// read by one request.
type group struct {
	request
	members []member
}

// A member is a column and where its value starts in the group.
type member struct{ column, offset int }

// grouped gathers registers into as few requests as the protocol allows. It
// never reads an address that isn't named: devices refuse those.
func grouped(regs []Register) []group {
	order := make([]int, len(regs))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int {
		x, y := &regs[a], &regs[b]
		return cmp.Or(cmp.Compare(x.Unit, y.Unit), cmp.Compare(x.Function, y.Function), cmp.Compare(x.Address, y.Address))
	})
	var gs []group
	for _, i := range order {
		r := &regs[i]
		if len(gs) == 0 || !gs[len(gs)-1].take(i, r) {
			gs = append(gs, group{request: request{unit: byte(r.Unit), function: byte(r.Function), address: uint16(r.Address), count: uint16(r.width())},
				members: []member{{column: i}}})
		}
	}
	return gs
}

// take adds a register to the group if it touches or overlaps it.
func (g *group) take(column int, r *Register) bool {
	start, end := int(g.address), int(g.address)+int(g.count)
	limit := maxRegisters
	if r.words() == 0 {
		limit = maxBits
	}
	last := max(end, r.Address+r.width())
	if byte(r.Unit) != g.unit || byte(r.Function) != g.function || r.Address > end || last-start > limit {
		return false
	}
	g.count = uint16(last - start)
	g.members = append(g.members, member{column: column, offset: r.Address - start})
	return true
}
