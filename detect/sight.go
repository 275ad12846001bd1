package detect

import "math"

// sightHolds is the share of its frequency by which a tone may move and be seen as
// before.
const sightHolds = 0.002

// A sight is how much of each harmonic of a tone the windows see. It holds for
// frequencies near the one that it was made for.
type sight struct {
	hz, rate float64
	h        int
	gain     [levelsMax][windowsMost][toneMost + 1]float64 // squared
}

// holds tells whether what the windows see of tone o is known.
func (x *sight) holds(o *tone, rate float64) bool {
	return x.h >= o.h && x.rate == rate && math.Abs(o.hz-x.hz) < sightHolds*x.hz
}

// of reckons how much of each harmonic of tone o the windows of p see.
func (x *sight) of(p *pressure, o *tone, rate float64) {
	x.hz, x.rate, x.h = o.hz, rate, o.h
	for i := range p.levels[:p.nl] {
		l := &p.levels[i]
		for h := 1; h <= o.h; h++ {
			f := float64(h) * o.hz / rate
			d := dirichlet(f, l.div)
			y := passingOf(f * float64(l.div))
			for k := range l.win[:l.nw] {
				x.gain[i][k][h] = d * d * y.square(l.win[k].length)
			}
		}
	}
}
