package sim

import (
	"encoding/binary"
	"math"

	"ventward/daq/wire"
)

// slave is the device side of a Modbus RTU line (Modbus application protocol
// V1.1b3 and serial line guide V1.02): several units on one line. What it
// holds it asks for with read and coil.
type slave struct {
	opts  *wire.ModbusOptions
	units map[byte]bool
	// value returns the present raw reading of register i of the options.
	value func(i int) float64
	// output reads a switched output, setOutput switches it, by its index in
	// the options' coils.
	output    func(i int) bool
	setOutput func(i int, on bool)

	buf      []byte
	lastByte float64 // time of the last byte received, s
	held     map[uint32]uint16

	requests  uint64 // answered or obeyed
	refused   uint64 // bytes thrown away: checksum, form
	failed    uint64 // answered with an exception
	broken    bool   // answers every question with exception 4
	wrongCRC  bool   // spoils the checksum of its answers
	maxBuffer int
}

func newSlave(o *wire.ModbusOptions) *slave {
	s := &slave{opts: o, units: map[byte]bool{}, held: map[uint32]uint16{}, maxBuffer: 512}
	for _, r := range o.Registers {
		s.units[byte(r.Unit)] = true
	}
	for _, c := range o.Coils {
		s.units[byte(c.Unit)] = true
	}
	return s
}

// silence is 3.5 characters of 11 bits, at least 1.75 ms.
func (s *slave) silence() float64 {
	if s.opts.Baud <= 0 {
		return 1.75e-3
	}
	return math.Max(1.75e-3, 3.5*11/float64(s.opts.Baud))
}

// take receives bytes at time t (s) and returns the answer, if there is one.
func (s *slave) take(p []byte, t float64) []byte {
	if len(p) > 0 {
		if len(s.buf) > 0 && t-s.lastByte > s.silence()+5e-3 {
			s.drop()
		}
		s.lastByte = t
		s.buf = append(s.buf, p...)
		if len(s.buf) > s.maxBuffer {
			s.drop()
		}
	} else if len(s.buf) > 0 && t-s.lastByte > s.silence()+5e-3 {
		s.drop()
	}
	var out []byte
	for {
		n, complete := s.length()
		if !complete {
			return out
		}
		req := s.buf[:n]
		if crc16(req[:n-2]) != binary.LittleEndian.Uint16(req[n-2:]) {
			s.drop()
			return out
		}
		if a := s.answer(req[0], req[1:n-2]); a != nil {
			out = append(out, a...)
		}
		s.buf = append(s.buf[:0], s.buf[n:]...)
	}
}

func (s *slave) drop() {
	s.refused += uint64(len(s.buf))
	s.buf = s.buf[:0]
}

// length is how long the request at the head of the buffer is.
func (s *slave) length() (n int, complete bool) {
	if len(s.buf) < 2 {
		return 0, false
	}
	n = 8
	if f := s.buf[1]; f == 15 || f == 16 {
		if len(s.buf) < 7 {
			return 0, false
		}
		n = 9 + int(s.buf[6])
	}
	return n, len(s.buf) >= n
}

// maxHeld bounds the words that masters may leave in holding registers.
const maxHeld = 4096

// Exceptions of the application protocol.
const (
	illegalFunction = 1
	illegalAddress  = 2
	illegalValue    = 3
	deviceFailure   = 4
)

// answer obeys one good request to a unit; nil: no answer is due.
func (s *slave) answer(unit byte, pdu []byte) []byte {
	broadcast := unit == 0
	if !broadcast && !s.units[unit] {
		return nil
	}
	s.requests++
	body, exception := s.obey(unit, pdu, broadcast)
	if broadcast {
		return nil
	}
	if s.broken {
		exception = deviceFailure
	}
	a := []byte{unit, pdu[0]}
	if exception != 0 {
		s.failed++
		a = append(a[:1], pdu[0]|0x80, exception)
	} else {
		a = append(a, body...)
	}
	c := crc16(a)
	if s.wrongCRC {
		c ^= 0x55aa
	}
	return binary.LittleEndian.AppendUint16(a, c)
}

func (s *slave) obey(unit byte, pdu []byte, broadcast bool) (body []byte, exception byte) {
	f := pdu[0]
	a := int(binary.BigEndian.Uint16(pdu[1:]))
	n := int(binary.BigEndian.Uint16(pdu[3:]))
	units := []byte{unit}
	if broadcast {
		if f != 5 && f != 6 && f != 15 && f != 16 {
			return nil, illegalFunction
		}
		units = units[:0]
		for u := range s.units {
			units = append(units, u)
		}
	}
	switch f {
	case 1, 2:
		return s.readBits(unit, f, a, n)
	case 3, 4:
		return s.readWords(unit, f, a, n)
	case 5:
		if n != 0 && n != 0xff00 {
			return nil, illegalValue
		}
		return pdu[1:5], s.writeBits(units, a, []bool{n != 0})
	case 15:
		if n < 1 || n > 1968 || len(pdu) < 6 || int(pdu[5]) != (n+7)/8 || len(pdu) != 6+(n+7)/8 {
			return nil, illegalValue
		}
		bits := make([]bool, n)
		for i := range bits {
			bits[i] = pdu[6+i/8]>>(i%8)&1 != 0
		}
		return pdu[1:5], s.writeBits(units, a, bits)
	case 6:
		return pdu[1:5], s.writeWords(units, a, []uint16{uint16(n)})
	case 16:
		if n < 1 || n > 123 || len(pdu) < 6 || int(pdu[5]) != 2*n || len(pdu) != 6+2*n {
			return nil, illegalValue
		}
		words := make([]uint16, n)
		for i := range words {
			words[i] = binary.BigEndian.Uint16(pdu[6+2*i:])
		}
		return pdu[1:5], s.writeWords(units, a, words)
	}
	return nil, illegalFunction
}

func (s *slave) readBits(unit, f byte, a, n int) ([]byte, byte) {
	if n < 1 || n > 2000 {
		return nil, illegalValue
	}
	body := make([]byte, 1+(n+7)/8)
	body[0] = byte((n + 7) / 8)
	for i := range n {
		on := false
		if c := s.find(unit, a+i, false); f == 1 && c >= 0 {
			on = s.output(c)
		} else if r := s.register(unit, int(f), a+i); r >= 0 {
			on = s.value(r) != 0
		} else {
			return nil, illegalAddress
		}
		if on {
			body[1+i/8] |= 1 << (i % 8)
		}
	}
	return body, 0
}

func (s *slave) readWords(unit, f byte, a, n int) ([]byte, byte) {
	if n < 1 || n > 125 {
		return nil, illegalValue
	}
	body := make([]byte, 1, 1+2*n)
	body[0] = byte(2 * n)
	for i := 0; i < n; i++ {
		w, ok := s.word(unit, int(f), a+i)
		if !ok {
			return nil, illegalAddress
		}
		body = binary.BigEndian.AppendUint16(body, w)
	}
	return body, 0
}

// find gives the index of the switched output at an address: a coil, or a
// holding register that switches (1 on, 0 off). -1: none.
func (s *slave) find(unit byte, a int, word bool) int {
	for i, c := range s.opts.Coils {
		if c.Unit == int(unit) && c.Address == a && (c.Function == 6 || c.Function == 16) == word {
			return i
		}
	}
	return -1
}

// register finds the polled quantity that lies at an address; -1: none.
func (s *slave) register(unit byte, f, a int) int {
	for i, r := range s.opts.Registers {
		if r.Unit == int(unit) && r.Function == f && a >= r.Address && a < r.Address+width(r.Type) {
			return i
		}
	}
	return -1
}

// word is the 16-bit word at an address: of a quantity, or one that a master
// wrote to a holding register.
func (s *slave) word(unit byte, f, a int) (uint16, bool) {
	if i := s.register(unit, f, a); i >= 0 {
		r := s.opts.Registers[i]
		w := words(r, s.value(i))
		return w[a-r.Address], true
	}
	if c := s.find(unit, a, true); f == 3 && c >= 0 {
		if s.output(c) {
			return 1, true
		}
		return 0, true
	}
	w, ok := s.held[key(unit, a)]
	return w, ok && f == 3
}

func key(unit byte, a int) uint32 { return uint32(unit)<<16 | uint32(a) }

// width is how many words a type takes.
func width(kind string) int {
	switch kind {
	case "u32", "i32", "f32":
		return 2
	}
	return 1
}

// words is a value in its registers, in the order that the register states:
// A is the most significant byte.
func words(r wire.Register, v float64) [2]uint16 {
	var n uint32
	switch r.Type {
	case "f32":
		n = math.Float32bits(float32(v))
	case "u32":
		n = uint32(clamp(v, 0, math.MaxUint32))
	case "i32":
		n = uint32(int32(clamp(v, math.MinInt32, math.MaxInt32)))
	case "i16":
		return [2]uint16{uint16(int16(clamp(v, math.MinInt16, math.MaxInt16)))}
	default:
		return [2]uint16{uint16(clamp(v, 0, math.MaxUint16))}
	}
	hi, lo := uint16(n>>16), uint16(n)
	swap := func(w uint16) uint16 { return w<<8 | w>>8 }
	switch r.Order {
	case "CDAB":
		return [2]uint16{lo, hi}
	case "BADC":
		return [2]uint16{swap(hi), swap(lo)}
	case "DCBA":
		return [2]uint16{swap(lo), swap(hi)}
	}
	return [2]uint16{hi, lo}
}

func clamp(v, lo, hi float64) float64 {
	return math.Round(math.Max(lo, math.Min(hi, v)))
}

func (s *slave) writeBits(units []byte, a int, on []bool) byte {
	for _, u := range units {
		for i := range on {
			if s.find(u, a+i, false) < 0 && len(units) == 1 {
				return illegalAddress
			}
		}
		for i, v := range on {
			if c := s.find(u, a+i, false); c >= 0 {
				s.setOutput(c, v)
			}
		}
	}
	return 0
}

func (s *slave) writeWords(units []byte, a int, w []uint16) byte {
	if len(s.held)+len(w)*len(units) > maxHeld {
		return illegalAddress
	}
	for _, u := range units {
		for i := range w {
			if s.register(u, 3, a+i) >= 0 {
				return illegalAddress // a measured quantity can't be written
			}
			if s.find(u, a+i, true) >= 0 && w[i] > 1 {
				return illegalValue
			}
		}
		for i, v := range w {
			if c := s.find(u, a+i, true); c >= 0 {
				s.setOutput(c, v == 1)
				continue
			}
			s.held[key(u, a+i)] = v
		}
	}
	return 0
}
