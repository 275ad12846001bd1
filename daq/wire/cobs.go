package wire

// appendCOBS appends the consistent-overhead byte stuffing of src, without a
// delimiter (Cheshire and Baker, IEEE/ACM Transactions on Networking 7(2),
// 1999). The result holds no zero byte and is at most 1 + len(src)/254 bytes
// longer than src.
func appendCOBS(dst, src []byte) []byte {
	for {
		run := 0
		for run < len(src) && run < 254 && src[run] != 0 {
			run++
		}
		dst = append(dst, byte(run+1))
		dst = append(dst, src[:run]...)
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
// dst that is too short.
func decodeCOBS(dst, src []byte) (int, bool) {
	n := 0
	for i := 0; i < len(src); {
		end := i + int(src[i])
		if end == i || end > len(src) {
			return 0, false
		}
		group := src[i+1 : end]
		if n+len(group) >= len(dst) {
			return 0, false
		}
		// Short groups are the rule in frames of small counts; a loop beats a
		// call of copy there.
		if len(group) < 16 {
			for _, b := range group {
				dst[n] = b
				n++
			}
		} else {
			n += copy(dst[n:], group)
		}
		if len(group) < 254 && end < len(src) {
			dst[n] = 0
			n++
		}
		i = end
	}
	return n, true
}
