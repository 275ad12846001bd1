package calib

import "math"

// A bit is the law of a digital input: 1 or 0.
type bit struct {
	mask      uint32
	threshold float64 // NaN: the mask counts
	inverted  bool
}

func newBit(c Curve) *bit {
	b := &bit{mask: c.Mask, threshold: math.NaN(), inverted: c.Inverted}
	if c.Threshold != nil {
		b.threshold = *c.Threshold
	}
	return b
}

func (l *bit) value(raw, signal, _ float64) (float64, Fault) {
	on := signal >= l.threshold
	if math.IsNaN(l.threshold) {
		if raw != math.Trunc(raw) || math.Abs(raw) > 1<<32 { // no word of bits
			return math.NaN(), NoValue
		}
		word := uint32(int64(raw))
		on = word != 0
		if l.mask != 0 {
			on = word&l.mask != 0
		}
	}
	if on != l.inverted {
		return 1, Sound
	}
	return 0, Sound
}
