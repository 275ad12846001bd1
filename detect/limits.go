package detect

import (
	"math"

	"ventward/daq"
)

// limits are those, Pa, at which the same samples stand out as spikes.
type limits struct {
	above       float64 // this, and
	least, most float64 // between these, or equal
}

// hold tells whether a limit is one of them.
func (l *limits) hold(limit float64) bool {
	return limit > l.above && limit >= l.least && limit <= l.most
}

// learn bounds the limits by the samples of [from, to), at least spikeLen from the
// ends of what is held: at a higher limit no more of them stand out, and at a
// lower one no fewer.
func (l *limits) learn(c *capture, from, to int) {
	for k := from; k < to; {
		s := c.stretch(k, to)
		for i, v := range s.v {
			if s.q[i]&daq.Bad != 0 {
				continue
			}
			if !stands(v, s.before[i], s.after[i], c.limit) {
				l.above = max(l.above, math.Abs(v-s.before[i]), math.Abs(v-s.after[i]))
			} else if c.despiked(k+i, v) == v {
				l.least = max(l.least, math.Abs(v-c.median(k+i)))
			} else {
				l.most = min(l.most, c.limit)
			}
		}
		k += len(s.v)
	}
}
