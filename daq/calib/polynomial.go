package calib

import "math"

// MaxCoefficients bounds a polynomial certificate.
const MaxCoefficients = 10

// turnPoints is at how many points between its ends a polynomial is asked
// whether it still runs the same way.
const turnPoints = 1000

// A polynomial is the law of a certificate that states coefficients.
type polynomial struct {
	span
	rises bool
}

func newPolynomial(c Curve) *polynomial {
	p := &polynomial{span: span{lo: c.SignalLow, hi: c.SignalHigh, c: c.Coefficients}}
	p.rises = p.end(p.hi) > p.end(p.lo)
	return p
}

func (l *polynomial) end(x float64) float64 { y, _ := l.at(x); return y }

func (l *polynomial) value(_, signal, _ float64) (float64, Fault) {
	x := math.Min(math.Max(signal, l.lo), l.hi)
	y, dy := l.at(x)
	if signal == x {
		return y, Sound
	}
	f := BelowRange
	if (signal > l.hi) == l.rises {
		f = AboveRange
	}
	return y + dy*(signal-x), f
}

// turns tells whether the polynomial stops rising, or falling, between the ends
// of its range.
func (c Curve) turns() bool {
	s := span{lo: c.SignalLow, hi: c.SignalHigh, c: c.Coefficients}
	way := 0.0
	for i := range turnPoints + 1 {
		_, dy := s.at(s.lo + (s.hi-s.lo)*float64(i)/turnPoints)
		if dy == 0 || dy*way < 0 {
			return true
		}
		way = dy
	}
	return false
}
