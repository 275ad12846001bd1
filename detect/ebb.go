package detect

import "math"

// cameBack is the share of a fall that has to be made good for it to count as one
// that comes and goes.
const cameBack = 0.7

// An ebb follows how far the trace has come down from its highest, and the most of
// what it came back from: hum, pulsation and whatever else comes and goes does no
// more.
type ebb struct {
	begun bool
	last  float64
	high  float64 // Pa
	deep  float64 // Pa below high, since
	back  float64 // the largest that came back, Pa
}

// push takes a mean of a few values. One alone may still hold a spike: two that
// follow each other count.
func (e *ebb) push(v float64) {
	if !e.begun {
		e.begun, e.high, e.last = true, v, v
	}
	high, low := math.Min(v, e.last), math.Max(v, e.last)
	e.last = v
	if high > e.high {
		e.back = math.Max(e.back, e.deep)
		e.high, e.deep = high, 0
		return
	}
	e.deep = math.Max(e.deep, e.high-low)
	if e.high-high < (1-cameBack)*e.deep {
		e.back = math.Max(e.back, e.deep)
	}
}

// below tells whether v lies further down than what came back ever did.
func (e *ebb) below(v, thr float64) bool {
	return e.begun && e.high-v > lowShare*e.back+thr
}
