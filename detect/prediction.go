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
			l.win[k].wave = 0
		}
	}
	for j := range p.pulse.tones[:p.pulse.n] {
		o, x := &p.pulse.tones[j], &p.pulse.sights[j]
		if !x.holds(o, rate) {
			x.of(p, o, rate)
		}
		for i := range p.levels[:p.nl] {
			l := &p.levels[i]
			for k := range l.win[:l.nw] {
				w := &l.win[k]
				w.wave += o.moves(&x.gain[i][k]) * errorWide * float64(w.length)
			}
		}
	}
}

// moves is the root mean square that the error of the tone's prediction makes in the
// mean of a window that sees so much of the square of each harmonic. A wrong phase is
// wrong in proportion to each harmonic's number.
func (o *tone) moves(gain *[toneMost + 1]float64) float64 {
	var sum, all float64
	for h := 1; h <= o.h; h++ {
		c := float64(h*h) * (o.a[h]*o.a[h] + o.b[h]*o.b[h])
		sum += c * gain[h]
		all += c
	}
	if all == 0 {
		return 0
	}
	return o.err * math.Sqrt(sum/all)
}
