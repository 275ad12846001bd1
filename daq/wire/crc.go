package wire

import "hash/crc32"

// crc16Table holds the CRC-16 of every byte for the reflected polynomial
// 0xA001 (x^16 + x^15 + x^2 + 1), as Modbus over Serial Line uses it.
var crc16Table = makeCRC16Table()

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

func makeCRC16Table() (t [256]uint16) {
	for i := range t {
		c := uint16(i)
		for range 8 {
			if c&1 != 0 {
				c = c>>1 ^ 0xA001
			} else {
				c >>= 1
			}
		}
		t[i] = c
	}
	return t
}

// CRC16 returns the CRC-16 of p with the Modbus polynomial, start value 0xFFFF
// and no final inversion. Modbus RTU sends its low byte first, a line's *HHHH
// its high byte first.
func CRC16(p []byte) uint16 {
	c := uint16(0xFFFF)
	for _, b := range p {
		c = c>>8 ^ crc16Table[byte(c)^b]
	}
	return c
}

// CRC32C returns the CRC-32 of p with the Castagnoli polynomial.
func CRC32C(p []byte) uint32 { return crc32.Checksum(p, castagnoli) }

// xor8 returns the XOR of all bytes of p.
func xor8(p []byte) byte {
	var x byte
	for _, b := range p {
		x ^= b
	}
	return x
}
