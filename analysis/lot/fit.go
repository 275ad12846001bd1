package lot

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// A Bound is an interval at the confidence that was asked for. NaN: the data
// doesn't bound that side.
type Bound struct{ Low, High float64 }

// A Fit is a distribution fitted by maximum likelihood to pressures of which
// some are only bounds from below (right-censored).
//
// Weibull: Location is the scale eta, Shape the shape beta, in
// F(p) = 1 - exp(-(p/eta)^beta). Lognormal: Location is exp(mean of ln p) and
// Shape the standard deviation of ln p. Normal: mean and standard deviation.
type Fit struct {
	Family        Family
	Location      float64
	Shape         float64
	LogLikelihood float64
	N, Censored   int

	// From Bounds: likelihood-ratio intervals, and that of the quantile which
	// the given share of the lot exceeds.
	LocationBound Bound
	ShapeBound    Bound
	Quantile      float64
	QuantileBound Bound
}

// Family names a distribution.
type Family string

// The families that can be fitted.
const (
	Weibull   Family = "weibull"
	Lognormal Family = "lognormal"
	Normal    Family = "normal"
)

// censoredData is what a fit works on: a location-scale family in y, which is
// ln p or p itself.
type censoredData struct {
	family Family
	y      []float64 // exact
	c      []float64 // at least
}

// FitCensored fits a family to exact values and to values that are lower
// bounds. Weibull and lognormal need values above zero. It needs two exact
// values that differ.
func FitCensored(family Family, exact, atLeast []float64) (Fit, error) {
	d := censoredData{family: family}
	take := func(in []float64) ([]float64, error) {
		out := make([]float64, len(in))
		for i, v := range in {
			switch {
			case family == Normal:
				out[i] = v
			case v > 0:
				out[i] = math.Log(v)
			default:
				return nil, fmt.Errorf("lot: a %s fit takes values above zero, not %v", family, v)
			}
		}
		return out, nil
	}
	var err error
	if d.y, err = take(exact); err != nil {
		return Fit{}, err
	}
	if d.c, err = take(atLeast); err != nil {
		return Fit{}, err
	}
	if len(exact) < 2 || !(SD(exact) > 0) {
		return Fit{}, fmt.Errorf("lot: a %s fit needs 2 openings that differ, there are %d", family, len(exact))
	}
	var mu, sigma float64
	if family == Weibull {
		mu, sigma, err = d.extremeValue()
	} else {
		mu, sigma, err = d.gaussian()
	}
	if err != nil {
		return Fit{}, err
	}
	f := Fit{Family: family, N: len(d.y), Censored: len(d.c), LogLikelihood: d.logLikelihood(mu, sigma) - d.jacobian()}
	f.Location, f.Shape = d.public(mu, sigma)
	return f, nil
}

// public turns location and scale in y into the family's own parameters.
func (d *censoredData) public(mu, sigma float64) (location, shape float64) {
	switch d.family {
	case Weibull:
		return math.Exp(mu), 1 / sigma
	case Lognormal:
		return math.Exp(mu), sigma
	}
	return mu, sigma
}

// jacobian is what the likelihood in y has more than the one in p.
func (d *censoredData) jacobian() float64 {
	if d.family == Normal {
		return 0
	}
	sum := 0.0
	for _, v := range d.y {
		sum += v
	}
	return sum
}

// logLikelihood is that of y under location mu and scale sigma.
func (d *censoredData) logLikelihood(mu, sigma float64) float64 {
	sum := -float64(len(d.y)) * math.Log(sigma)
	for _, v := range d.y {
		z := (v - mu) / sigma
		if d.family == Weibull {
			sum += z - math.Exp(z)
		} else {
			sum -= z*z/2 + math.Log(2*math.Pi)/2
		}
	}
	for _, v := range d.c {
		z := (v - mu) / sigma
		if d.family == Weibull {
			sum -= math.Exp(z)
		} else {
			sum += logUpper(z)
		}
	}
	return sum
}

// extremeValue solves the Weibull likelihood equation for the shape b,
//
//	Σ x^b ln x / Σ x^b - 1/b - mean(ln x of the openings) = 0,
//
// sums over all, and gives the scale from it. The left side rises with b.
func (d *censoredData) extremeValue() (mu, sigma float64, err error) {
	top := math.Inf(-1)
	for _, list := range [][]float64{d.y, d.c} {
		for _, v := range list {
			top = math.Max(top, v)
		}
	}
	sums := func(b float64) (s0, s1 float64) {
		for _, list := range [][]float64{d.y, d.c} {
			for _, v := range list {
				e := math.Exp(b * (v - top))
				s0 += e
				s1 += e * (v - top)
			}
		}
		return s0, s1
	}
	mean := Mean(d.y) - top
	b, err := rootUp(func(b float64) float64 { s0, s1 := sums(b); return s1/s0 - 1/b - mean }, 1e-6, 10, 1e9)
	if err != nil {
		return 0, 0, fmt.Errorf("lot: no Weibull shape fits: the openings hardly differ")
	}
	s0, _ := sums(b)
	return top + math.Log(s0/float64(len(d.y)))/b, 1 / b, nil
}

const maxEM = 20_000

// gaussian fits mean and standard deviation by expectation-maximisation: a
// censored value is replaced by its expectation given that it is at least its
// bound, E z = h, E z² = 1 + c h with the hazard h of the bound c.
func (d *censoredData) gaussian() (mu, sigma float64, err error) {
	n := float64(len(d.y) + len(d.c))
	// All from the openings' mean, or a small spread would drown in rounding.
	at := Mean(d.y)
	sigma = math.Sqrt(squares(d.y) / float64(len(d.y)))
	for i := 0; len(d.c) > 0; i++ {
		if i == maxEM {
			return 0, 0, fmt.Errorf("lot: the %s fit of %d openings and %d bounds did not settle: too many are bounds", d.family, len(d.y), len(d.c))
		}
		var first, second float64
		for _, v := range d.y {
			r := v - at - mu
			first += r
			second += r * r
		}
		for _, v := range d.c {
			c := (v - at - mu) / sigma
			h := hazard(c)
			first += sigma * h
			second += sigma * sigma * (1 + c*h)
		}
		step := first / n
		next := math.Sqrt(second/n - step*step)
		settled := math.Abs(step) <= 1e-12*sigma && math.Abs(next-sigma) <= 1e-12*sigma
		mu, sigma = mu+step, next
		if settled {
			break
		}
	}
	return at + mu, sigma, nil
}

// standardQuantile is the p-quantile of the family with location 0, scale 1.
func (d *censoredData) standardQuantile(p float64) float64 {
	if d.family == Weibull {
		return math.Log(-math.Log1p(-p))
	}
	return quantile(p)
}

// FitBounds fits like FitCensored and adds likelihood-ratio bounds, two-sided
// at the given confidence, of location, shape, and of the quantile that the
// given share of the lot exceeds (Meeker and Escobar, Statistical Methods for
// Reliability Data, 1998, chapter 8; from memory). They are approximate for
// few shots: about right from ten on.
func FitBounds(family Family, exact, atLeast []float64, confidence, coverage float64) (Fit, error) {
	if err := checkStatement(confidence, coverage); err != nil {
		return Fit{}, err
	}
	f, err := FitCensored(family, exact, atLeast)
	if err != nil {
		return Fit{}, err
	}
	d := censoredData{family: family, y: exact, c: atLeast}
	if family != Normal {
		d.y, d.c = logs(exact), logs(atLeast)
	}
	mu, sigma := f.Location, f.Shape
	switch family {
	case Weibull:
		mu, sigma = math.Log(f.Location), 1/f.Shape
	case Lognormal:
		mu = math.Log(f.Location)
	}
	w := d.standardQuantile(1 - coverage)
	drop := distuv.ChiSquared{K: 1}.Quantile(confidence) / 2
	back := func(y float64) float64 {
		if family == Normal {
			return y
		}
		return math.Exp(y)
	}
	f.Quantile = back(mu + w*sigma)
	loc := d.profileShift(mu, mu, sigma, 0, drop)
	f.LocationBound = Bound{back(loc.Low), back(loc.High)}
	q := d.profileShift(mu+w*sigma, mu, sigma, w, drop)
	f.QuantileBound = Bound{back(q.Low), back(q.High)}
	f.ShapeBound = d.profileScale(mu, sigma, drop)
	if family == Weibull {
		f.ShapeBound = Bound{1 / f.ShapeBound.High, 1 / f.ShapeBound.Low}
	}
	return f, nil
}

func logs(x []float64) []float64 {
	out := make([]float64, len(x))
	for i, v := range x {
		out[i] = math.Log(v)
	}
	return out
}

// profileShift bounds q = mu + w sigma: where the likelihood, greatest over
// sigma, has fallen by drop.
func (d *censoredData) profileShift(best, mu, sigma, w, drop float64) Bound {
	top := d.logLikelihood(mu, sigma)
	profile := func(q float64) float64 {
		_, l := maximum(func(ls float64) float64 { s := math.Exp(ls); return d.logLikelihood(q-w*s, s) }, math.Log(sigma)-4, math.Log(sigma)+4)
		return l - top + drop
	}
	return fallsTo(profile, best, sigma)
}

// profileScale bounds sigma likewise.
func (d *censoredData) profileScale(mu, sigma, drop float64) Bound {
	top := d.logLikelihood(mu, sigma)
	profile := func(ls float64) float64 {
		s := math.Exp(ls)
		_, l := maximum(func(m float64) float64 { return d.logLikelihood(m, s) }, mu-10*math.Max(s, sigma), mu+10*math.Max(s, sigma))
		return l - top + drop
	}
	b := fallsTo(profile, math.Log(sigma), 0.3)
	return Bound{math.Exp(b.Low), math.Exp(b.High)}
}

// fallsTo finds where f, positive at best, falls through zero on either side.
func fallsTo(f func(float64) float64, best, step float64) Bound {
	side := func(sign float64) float64 {
		x, err := rootUp(func(u float64) float64 { return f(best + sign*u) }, 0, step, 40*step)
		if err != nil {
			return math.NaN()
		}
		return best + sign*x
	}
	return Bound{side(-1), side(1)}
}
