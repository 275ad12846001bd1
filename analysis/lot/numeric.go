package lot

import (
	"errors"
	"math"

	"gonum.org/v1/gonum/integrate/quad"
	"gonum.org/v1/gonum/stat/distuv"
)

// errNoRoot tells that a bracket holds no change of sign; callers turn it into
// a reason of their own.
var errNoRoot = errors.New("lot: no root in the bracket")

const maxBisect = 200

// root finds a zero of f between lo and hi, where f changes its sign, by
// regula falsi (Illinois) guarded by bisection, to the last few bits.
func root(f func(float64) float64, lo, hi float64) (float64, error) {
	flo, fhi := f(lo), f(hi)
	switch {
	case flo == 0:
		return lo, nil
	case fhi == 0:
		return hi, nil
	case math.IsNaN(flo) || math.IsNaN(fhi) || flo*fhi > 0:
		return math.NaN(), errNoRoot
	}
	for i := range maxBisect {
		x := (lo*fhi - hi*flo) / (fhi - flo)
		if i%3 == 2 || !(x > math.Min(lo, hi) && x < math.Max(lo, hi)) {
			x = lo + (hi-lo)/2
		}
		fx := f(x)
		switch {
		case fx == 0:
			return x, nil
		case fx*fhi < 0:
			lo, flo = hi, fhi
		default:
			flo /= 2
		}
		hi, fhi = x, fx
		if math.Abs(hi-lo) <= 4e-16*math.Abs(hi)+1e-300 {
			break
		}
	}
	return hi, nil
}

// rootUp widens the bracket [lo, hi] upwards until f changes its sign, then
// solves. It gives up beyond limit.
func rootUp(f func(float64) float64, lo, hi, limit float64) (float64, error) {
	flo := f(lo)
	for f(hi)*flo > 0 {
		if hi >= limit {
			return math.NaN(), errNoRoot
		}
		hi = math.Min(2*hi, limit)
	}
	return root(f, lo, hi)
}

// maximum finds the greatest value of the unimodal f on [lo, hi] by golden
// section and returns where it is and how much.
func maximum(f func(float64) float64, lo, hi float64) (x, fx float64) {
	ratio := (math.Sqrt(5) - 1) / 2
	a, b := hi-ratio*(hi-lo), lo+ratio*(hi-lo)
	fa, fb := f(a), f(b)
	for range 80 {
		if fa < fb {
			lo, a, fa = a, b, fb
			b = lo + ratio*(hi-lo)
			fb = f(b)
		} else {
			hi, b, fb = b, a, fa
			a = hi - ratio*(hi-lo)
			fa = f(a)
		}
		if hi-lo <= 1e-10*(math.Abs(lo)+math.Abs(hi)) {
			break
		}
	}
	if fa > fb {
		return a, fa
	}
	return b, fb
}

// nodes returns the m abscissae and weights of Gauss and Legendre on [lo, hi].
func nodes(m int, lo, hi float64) (x, w []float64) {
	x, w = make([]float64, m), make([]float64, m)
	quad.Legendre{}.FixedLocations(x, w, lo, hi)
	return x, w
}

// cdf and quantile are those of the standard normal distribution.
func cdf(z float64) float64      { return 0.5 * math.Erfc(-z/math.Sqrt2) }
func density(z float64) float64  { return math.Exp(-z*z/2) / math.Sqrt(2*math.Pi) }
func quantile(p float64) float64 { return distuv.UnitNormal.Quantile(p) }

// hazard is density/(1 - cdf), without the cancellation of that quotient in
// the far upper tail, where a continued fraction's first terms do.
func hazard(z float64) float64 {
	if z > 30 {
		return z + 1/(z+2/z)
	}
	return density(z) / cdf(-z)
}

// logUpper is ln(1 - cdf(z)).
func logUpper(z float64) float64 {
	if z > 30 {
		return -z*z/2 - math.Log(hazard(z)) - math.Log(2*math.Pi)/2
	}
	return math.Log(cdf(-z))
}

// studentQuantile is the quantile of Student's t with nu degrees of freedom.
func studentQuantile(p, nu float64) float64 {
	return distuv.StudentsT{Mu: 0, Sigma: 1, Nu: nu}.Quantile(p)
}

// studentTwoSided is P(|T| >= |t|).
func studentTwoSided(t, nu float64) float64 {
	return 2 * distuv.StudentsT{Mu: 0, Sigma: 1, Nu: nu}.CDF(-math.Abs(t))
}

// scaledChi prepares integrals over U = sqrt(chi²_nu / nu): abscissae and
// weights that carry U's density.
func scaledChi(nu float64) (u, w []float64) {
	spread := 9.5 / math.Sqrt(2*nu)
	u, w = nodes(160, math.Max(0, 1-spread), 1+spread)
	lg, _ := math.Lgamma(nu / 2)
	constant := math.Log(2) + nu/2*math.Log(nu/2) - lg
	for i, v := range u {
		w[i] *= math.Exp(constant + (nu-1)*math.Log(v) - nu*v*v/2)
	}
	return u, w
}

// noncentralT is the distribution function of the noncentral t with nu > 0
// degrees of freedom and noncentrality delta, as the integral of
// Phi(t u - delta) over the density of u = sqrt(chi²/nu).
func noncentralT(t, nu, delta float64) float64 {
	u, w := scaledChi(nu)
	return noncentralSum(t, delta, u, w)
}

func noncentralSum(t, delta float64, u, w []float64) float64 {
	sum := 0.0
	for i := range u {
		sum += w[i] * cdf(t*u[i]-delta)
	}
	return sum
}
