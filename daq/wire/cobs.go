package wire

import "encoding/binary"

// cobsRoom returns how much longer than n bytes their encoding can be, with the
// delimiter that follows it.
func cobsRoom(n int) int { return n/254 + 2 }

// appendCOBS appends the consistent-overhead byte stuffing of src, without a
// delimiter (Cheshire and Baker, IEEE/ACM Transactions on Networking 7(2),
// 1999). The result holds no zero byte. src may lie in dst's own capacity, at
// least cobsRoom(len(src)) bytes behind its end: the encoding never overtakes
// what it reads.
func appendCOBS(dst, src []byte) []byte {
	for {
		code := len(dst)
		dst = append(dst, 0)
		run := 0
		for run < len(src) && run < 254 && src[run] != 0 {
			dst = append(dst, src[run])
			run++
		}
		dst[code] = byte(run + 1)
		src = src[run:]
		switch {
		case len(src) == 0:
			return dst
		case run < 254:
			src = src[1:] // the zero that the code byte stands for
		}
	}
}

// decodeCOBS writes the decoding of src, which holds no zero byte, into dst and
// returns its length. It refuses a group that runs past the end of src and a
// dst that is too short; it may scribble on dst behind what it returns.
func decodeCOBS(dst, src []byte) (int, bool) {
	n := 0
	for i := 0; i < len(src); {
		code := int(src[i])
		end := i + code
		if code == 0 || end > len(src) || n+code > len(dst) {
			return 0, false
		}
		// Groups of a few bytes are the rule in frames of small counts: one
		// 64-bit copy beats a loop and a call of copy.
		if code <= 9 && i+9 <= len(src) && n+8 <= len(dst) {
			binary.NativeEndian.PutUint64(dst[n:], binary.NativeEndian.Uint64(src[i+1:]))
		} else {
			copy(dst[n:], src[i+1:end])
		}
		n += code - 1
		if code < 255 && end < len(src) {
			dst[n] = 0
			n++
		}
		i = end
	}
	return n, true
}
