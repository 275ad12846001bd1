package detect

import "math"

const (
	errorPoints = 32  // moments at which two predictions are compared
	errorKeep   = 0.8 // share of its square that an error keeps from fit to fit
	errorWide   = 2.0 // amplitude of the error that is reckoned with, to its root mean square
)

// differs is the mean square by which two fits of a tone differ over the span of
// bench time that ends at t.
func (o *tone) differs(other *tone, t, span int64) float64 {
	s := 0.0
	for k := range int64(errorPoints) {
		at := t - span*k/errorPoints
		d := o.at(at) - other.at(at)
		s += d * d
	}
	return s / errorPoints
}

// uncertain tells every window how far the errors of the tones' predictions may move
// it.
func (p *pressure) uncertain(rate float64) {
	for i := range p.levels[:p.nl] {
		l := &p.levels[i]
		for k := range l.win[:l.nw] {
			w := &l.win[k]
			w.wave = 0
			for j := range p.pulse.tones[:p.pulse.n] {
				w.wave += p.pulse.tones[j].moves(w.length, l.div, rate)
			}
			w.wave *= errorWide * float64(w.length)
		}
	}
}

// moves is the root mean square, per unit of a window's mean of length values of div
// samples each, that the error of the tone's prediction makes. A wrong phase is
// wrong in proportion to each harmonic's number.
func (o *tone) moves(length, div int, rate float64) float64 {
	var sum, all float64
	for h := 1; h <= o.h; h++ {
		c := float64(h*h) * (o.a[h]*o.a[h] + o.b[h]*o.b[h])
		g := dirichlet(float64(h)*o.hz/rate, div) * passes(float64(h)*o.hz/rate*float64(div), length)
		sum += c * g * g
		all += c
	}
	if all == 0 {
		return 0
	}
	return o.err * math.Sqrt(sum/all)
}

// passes is the amplitude that a wave of f turns a value has in the mean of length
// values seen from the line through a full baseline.
func passes(f float64, length int) float64 {
	const b = spanMax
	phi := 2 * math.Pi * f
	d := float64(gapFull) + (b+1)/2.0 - (float64(length)+1)/2
	mean := dirichlet(f, b)
	const h = 1e-4
	slope := -(dirichlet(f*(1+h), b) - dirichlet(f*(1-h), b)) / (2 * h * phi) * 12 / (b*b - 1)
	sin, cos := math.Sincos(-phi * d)
	re := dirichlet(f, length) - (cos*mean - sin*slope*d)
	im := -(sin*mean + cos*slope*d)
	return math.Hypot(re, im)
}
