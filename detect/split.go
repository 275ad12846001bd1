package detect

import (
	"math"

	"ventward/daq"
)

const (
	beganDoubt = 4.0   // half periods in a row that may seem to be without a tone
	beganHole  = 0.125 // of a period in which it may have begun
	beganNoise = 1.9   // times the variance of the noise that is left at most
)

// A split is what is left about a parabola of a stretch whose tone is taken off from
// some sample on, as sums over its samples.
type split struct {
	from, to int
	base     float64
	vv       float64
	v        [3]float64 // products with three polynomials
}

// shape is the three polynomials at sample number i, orthogonal over the stretch.
func (f *split) shape(i int) [3]float64 {
	n := float64(f.to - f.from)
	x := float64(i-f.from) - (n-1)/2
	return [3]float64{1, x, x*x - (n*n-1)/12}
}

// add takes in value v of sample number i, by so many times.
func (f *split) add(i int, v, times float64) {
	f.vv += times * v * v
	for k, z := range f.shape(i) {
		f.v[k] += times * v * z
	}
}

// left is the sum of squares about the parabola.
func (f *split) left() float64 {
	n := float64(f.to - f.from)
	norm := [3]float64{n, n * (n*n - 1) / 12, n * (n*n - 1) * (n*n - 4) / 180}
	s := f.vv
	for k := range norm {
		s -= f.v[k] * f.v[k] / norm[k]
	}
	return s
}

// parts is the sample of [low, high) from which on tone o is there, as far as what
// is held of [from, to) is a parabola but for it.
func (p *pressure) parts(o *tone, from, low, high, to int) int {
	f := split{from: max(from, p.cap.oldest()), to: min(to, p.cap.n)}
	f.base = p.cap.at(f.to - 1)
	for i := f.from; i < f.to; i++ {
		f.add(i, p.cap.at(i)-f.base, 1)
	}
	at, least := min(high, f.to), math.Inf(1)
	for i := f.to - 1; i >= max(low, f.from); i-- {
		q := p.cap.q[i&p.cap.mask]
		if q&(daq.Bad|daq.Saturated)&^daq.Spike != 0 {
			break
		}
		if q&daq.Spike != 0 {
			continue
		}
		v := p.cap.at(i) - f.base
		f.add(i, v, -1)
		f.add(i, v-o.at(p.cap.t[i&p.cap.mask]), 1)
		if left := f.left(); i < high && left < least {
			at, least = i, left
		}
	}
	return at
}
