package detect

import "math"

const (
	wheelMost = 64   // turns of a wheel before it is reckoned anew, and
	wheelSlip = 1e-5 // rad by which it may be off the points by then
)

// A wheel turns with a tone from point to point of a strip: by as much as before
// where they are evenly spaced.
type wheel struct {
	lead, rad        float64 // s that the tone began before the strip's middle, rad/s
	sin, cos         float64
	t, step          float64 // s, where it is and its last turn's
	stepSin, stepCos float64
	even             int // turns since it was reckoned
}

// turn turns it to time t.
func (w *wheel) turn(t float64) {
	if w.even > 0 && math.Abs(t-w.t-w.step)*w.rad < wheelSlip {
		w.t += w.step
		w.sin, w.cos = w.sin*w.stepCos+w.cos*w.stepSin, w.cos*w.stepCos-w.sin*w.stepSin
		w.even--
		return
	}
	if step := t - w.t; w.step != step {
		w.step = step
		w.stepSin, w.stepCos = math.Sincos(w.rad * step)
	}
	w.sin, w.cos = math.Sincos(w.rad * (t + w.lead))
	w.t, w.even = t, wheelMost
}
