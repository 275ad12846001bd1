package analysis

import (
	"math"
	"math/cmplx"
)

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

// lagged is the answer of a first-order lag that reads q0 at x = 0.
func (c *cubic) lagged(q0, x, lag float64) float64 {
	f := c.follow(-lag, lag*lag, -lag*lag*lag)
	if x > forgotten*lag {
		return f.at(x)
	}
	return f.at(x) + (q0-f[0])*math.Exp(-x/lag)
}

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

// answer is what lag (q) and line (y, with its rate) read x seconds after they
// read q0, y0 and dy0, while the vessel's pressure follows c.
func (l *line) answer(c cubic, q0, y0, dy0, x, lag float64) (q, y, dy float64) {
	f := c.follow(l.a1, l.a2, l.a3)
	// y = f + Re(k·exp(pole·x)) with the value and rate of the beginning
	e0, e1 := y0-f[0], dy0-f[1]
	k := complex(e0, (real(l.pole)*e0-e1)/imag(l.pole))
	r := k * cmplx.Exp(l.pole*complex(x, 0))
	y = f.at(x) + real(r)
	dy = f.rate(x) + real(l.pole*r)
	if lag <= 1e-9 {
		return y, y, dy
	}
	g := f.follow(-lag, lag*lag, -lag*lag*lag)
	ks, rs := real(k*l.seen), real(r*l.seen)
	q = g.at(x) + rs + (q0-g[0]-ks)*math.Exp(-x/lag)
	return q, y, dy
}
