package analysis

import "math"

// A cubic is a polynomial by its coefficients, lowest first.
type cubic [4]float64

func (c *cubic) at(x float64) float64 { return c[0] + x*(c[1]+x*(c[2]+x*c[3])) }

// rate is the polynomial's derivative at x.
func (c *cubic) rate(x float64) float64 { return c[1] + x*(2*c[2]+3*x*c[3]) }

// follow is the polynomial that a linear system with the low-frequency
// expansion 1 + a1·s + a2·s² + a3·s³ makes of c.
func (c *cubic) follow(a1, a2, a3 float64) cubic {
	return cubic{
		c[0] + a1*c[1] + 2*a2*c[2] + 6*a3*c[3],
		c[1] + 2*a1*c[2] + 6*a2*c[3],
		c[2] + 3*a1*c[3],
		c[3],
	}
}

// forgotten is after how many time constants nothing is left of what was, beside
// the rounding of a number.
const forgotten = 40

// A line is the impulse line between vessel and transducer: a cavity and a
// column of gas that ring together, second order.
type line struct {
	ring, damp float64    // Hz, damping ratio
	pole       complex128 // of the upper half plane, 1/s
	delay      float64    // of a steady ramp, s: 2·damp/(2π·ring)
	a1, a2, a3 float64    // low-frequency expansion
	seen       complex128 // 1/(1 + pole·lag)
}

func newLine(ring, damp, lag float64) line {
	if ring <= 0 {
		return line{}
	}
	w := 2 * math.Pi * ring
	l := line{ring: ring, damp: damp, delay: 2 * damp / w}
	l.pole = complex(-damp*w, w*math.Sqrt(1-damp*damp))
	l.seen = 1 / (1 + l.pole*complex(lag, 0))
	// 1/(1 + b·s + s²/w²) with b = 2·damp/w, expanded
	b, c := l.delay, 1/(w*w)
	l.a1, l.a2, l.a3 = -b, b*b-c, 2*b*c-b*b*b
	return l
}

// A readout is what lag (q) and line (y, with its rate) read.
type readout struct{ q, y, dy float64 }

// A piece is the exact answer of line and lag to a cubic: a polynomial each, and
// what is left of the beginning.
type piece struct {
	c       cubic   // the vessel's pressure
	h       float64 // s that it lasts
	lag     float64 // s; 0: next to none
	from    readout
	rings   bool
	late    cubic      // the line's polynomial
	pole, k complex128 // y is late + Re(k·exp(pole·x))
	seen    complex128
	last    cubic   // the lag's polynomial
	left    float64 // what the lag remembers of the beginning
}

// begin makes p what line and lag read of c over h seconds, where they read from
// at their beginning.
func (p *piece) begin(l *line, c cubic, h, lag float64, from readout) {
	p.c, p.h, p.lag, p.from, p.rings = c, h, lag, from, l.ring > 0
	if !p.rings {
		if lag < 1e-3*h {
			p.lag = 0
			return
		}
		p.last = c.follow(-lag, lag*lag, -lag*lag*lag)
		p.left = from.q - p.last[0]
		return
	}
	p.late, p.pole, p.seen = c.follow(l.a1, l.a2, l.a3), l.pole, l.seen
	// with the value and rate of the beginning
	e0, e1 := from.y-p.late[0], from.dy-p.late[1]
	p.k = complex(e0, (real(l.pole)*e0-e1)/imag(l.pole))
	if lag <= 1e-9 {
		p.lag = 0
		return
	}
	p.last = p.late.follow(-lag, lag*lag, -lag*lag*lag)
	p.left = from.q - p.last[0] - real(p.k*p.seen)
}

// read is what is read x seconds after the beginning.
func (p *piece) read(x float64) readout {
	switch {
	case p.h <= 0:
		return p.from
	case p.rings:
		return p.ringing(x)
	case p.lag == 0:
		return readout{q: p.c.at(x)}
	}
	return readout{q: p.last.at(x) + p.left*p.faded(x)}
}

func (p *piece) ringing(x float64) readout {
	s, c := math.Sincos(imag(p.pole) * x)
	e := math.Exp(real(p.pole) * x)
	r := p.k * complex(e*c, e*s)
	y := p.late.at(x) + real(r)
	dy := p.late.rate(x) + real(p.pole*r)
	if p.lag == 0 {
		return readout{y, y, dy}
	}
	return readout{p.last.at(x) + real(r*p.seen) + p.left*p.faded(x), y, dy}
}

// faded is the part of what was that a lag remembers after x seconds.
func (p *piece) faded(x float64) float64 {
	if x > forgotten*p.lag {
		return 0
	}
	return math.Exp(-x / p.lag)
}

// rate is the rate of what is read, r, x seconds after the beginning.
func (p *piece) rate(x float64, r readout) float64 {
	switch {
	case p.h <= 0:
		return 0
	case p.rings && p.lag == 0:
		return r.dy
	case p.rings:
		return (r.y - r.q) / p.lag
	case p.lag == 0:
		return p.c.rate(x)
	}
	return (p.c.at(x) - r.q) / p.lag
}
