package calib

import (
	"fmt"
	"math"
	"sort"
	"strings"
)

// A Thermocouple is one letter-designated type by its ITS-90 reference
// function.
type Thermocouple struct {
	letter  string
	direct  []span  // E(t), t in °C
	inverse []span  // t(E), E in mV: only to start from
	bump    bool    // type K above 0 °C: an exponential is added
	floorC  float64 // below it the function can't be inverted; 0: from the start of its range
}

// span is a polynomial on one range of its argument.
type span struct {
	lo, hi float64
	c      []float64
}

// at returns the polynomial and its derivative at x.
func (s *span) at(x float64) (y, dy float64) {
	for i := len(s.c) - 1; i >= 0; i-- {
		dy = dy*x + y
		y = y*x + s.c[i]
	}
	return y, dy
}

// The exponential of type K above 0 °C, a0*exp(a1*(t-a2)^2), in mV. Source as
// for the coefficients.
const (
	bumpA0 = 0.1185976
	bumpA1 = -0.1183432e-3
	bumpA2 = 126.9686
)

// ThermocoupleType returns the type named by its letter: B, E, J, K, N, R, S
// or T.
func ThermocoupleType(letter string) (*Thermocouple, error) {
	if tc := types[letter]; tc != nil {
		return tc, nil
	}
	return nil, fmt.Errorf("thermocouple type %q is not known: name one of %s", letter, strings.Join(Thermocouples(), " "))
}

// Thermocouples lists the letters of the known types.
func Thermocouples() []string {
	var s []string
	for l := range types {
		s = append(s, l)
	}
	sort.Strings(s)
	return s
}

// Letter is the type's letter.
func (tc *Thermocouple) Letter() string { return tc.letter }

// RangeC is the range of temperatures in °C on which the reference function is
// defined and can be inverted. Type B starts at 22 °C, on the rising side of
// its minimum; below 250 °C it yields under 3 µV/K and measures next to nothing.
func (tc *Thermocouple) RangeC() (lo, hi float64) {
	lo = tc.direct[0].lo
	if tc.floorC != 0 {
		lo = tc.floorC
	}
	return lo, tc.direct[len(tc.direct)-1].hi
}

// EMF returns the reference function E(t) in mV, reference junction at 0 °C, at
// t °C. Outside the type's own range of definition it is NaN.
func (tc *Thermocouple) EMF(t float64) float64 {
	e, _ := tc.emf(t)
	return e
}

// Seebeck returns dE/dt in mV/K at t °C; NaN outside the range of definition.
func (tc *Thermocouple) Seebeck(t float64) float64 {
	_, de := tc.emf(t)
	return de
}

func (tc *Thermocouple) emf(t float64) (e, de float64) {
	for i := range tc.direct {
		s := &tc.direct[i]
		if t >= s.lo && (t < s.hi || t == s.hi && i == len(tc.direct)-1) {
			return tc.spanEMF(i, t)
		}
	}
	return math.NaN(), math.NaN()
}

// spanEMF evaluates span i, whatever its range.
func (tc *Thermocouple) spanEMF(i int, t float64) (e, de float64) {
	e, de = tc.direct[i].at(t)
	if tc.bump && i == 1 {
		d := t - bumpA2
		x := bumpA0 * math.Exp(bumpA1*d*d)
		e += x
		de += 2 * bumpA1 * d * x
	}
	return e, de
}

// Temperature returns the t in °C at which the reference function equals e mV.
// It is the exact inverse: the published approximate inverse only starts
// Newton's method on the reference function. ok is false outside RangeC; t is
// then the nearer end, or NaN for a NaN.
func (tc *Thermocouple) Temperature(e float64) (t float64, ok bool) {
	lo, hi := tc.RangeC()
	if math.IsNaN(e) {
		return e, false
	}
	// Half a digit of the tables' last place: the ends themselves are inside.
	if min := tc.EMF(lo); e <= min {
		return lo, e >= min-1e-9
	}
	if max := tc.EMF(hi); e >= max {
		return hi, e <= max+1e-9
	}
	i := 0
	for i < len(tc.direct)-1 {
		if top, _ := tc.spanEMF(i, tc.direct[i].hi); e < top {
			break
		}
		i++
	}
	return tc.solve(i, e, math.Max(lo, tc.direct[i].lo), tc.direct[i].hi), true
}

// solve inverts span i on [lo, hi], where it rises. A bracket guards Newton's
// steps: each either halves it or converges quadratically, so the bound on the
// steps is never the reason to stop.
func (tc *Thermocouple) solve(i int, e, lo, hi float64) float64 {
	t := tc.start(e, lo, hi)
	for range 64 {
		f, df := tc.spanEMF(i, t)
		if f -= e; f > 0 {
			hi = t
		} else {
			lo = t
		}
		next := t - f/df
		if !(next >= lo && next <= hi) {
			next = lo + (hi-lo)/2
		}
		if math.Abs(next-t) < 1e-10 {
			return next
		}
		t = next
	}
	return t
}

// start is the published approximate inverse, or the middle of the bracket
// where none is published.
func (tc *Thermocouple) start(e, lo, hi float64) float64 {
	for i := range tc.inverse {
		if s := &tc.inverse[i]; e >= s.lo && e <= s.hi {
			t, _ := s.at(e)
			return math.Min(math.Max(t, lo), hi)
		}
	}
	return lo + (hi-lo)/2
}
