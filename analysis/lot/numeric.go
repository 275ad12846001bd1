package lot

import (
	"errors"
	"math"

	"gonum.org/v1/gonum/integrate/quad"
	"gonum.org/v1/gonum/mathext"
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

// A noncentral computes the distribution function of the noncentral t with nu
// degrees of freedom, P(Z + delta <= t U) with U = sqrt(chi²_nu / nu), by
// whichever of the two single integrals is the smoother one: over the density
// of U where t U varies little, over that of Z where it varies much.
type noncentral struct {
	nu   float64
	u, w []float64 // nodes over U, weights with its density
	x, v []float64 // nodes and weights on [0, 1], for an integral over Z
}

func newNoncentral(nu float64) *noncentral {
	n := &noncentral{nu: nu}
	spread := 9.5 / math.Sqrt(2*nu)
	n.u, n.w = nodes(160, math.Max(0, 1-spread), 1+spread)
	lg, _ := math.Lgamma(nu / 2)
	constant := math.Log(2) + nu/2*math.Log(nu/2) - lg
	for i, u := range n.u {
		n.w[i] *= math.Exp(constant + (nu-1)*math.Log(u) - nu*u*u/2)
	}
	n.x, n.v = nodes(96, 0, 1)
	return n
}

// roughest is the spread of t U, in units of the width of Phi, up to which the
// nodes over U resolve the integrand.
const roughest = 3

func (n *noncentral) cdf(t, delta float64) float64 {
	if t < 0 {
		return 1 - n.cdf(-t, -delta)
	}
	if t <= roughest*math.Sqrt(2*n.nu) {
		sum := 0.0
		for i := range n.u {
			sum += n.w[i] * cdf(t*n.u[i]-delta)
		}
		return sum
	}
	// Z < -delta fulfils it whatever U is; above, U must be at least
	// (Z + delta)/t, a smooth function on that side.
	const far = 9
	sum, lo := cdf(-delta), math.Min(far, math.Max(-far, -delta))
	for i, x := range n.x {
		z := lo + (far-lo)*x
		at := (z + delta) / t
		sum += (far - lo) * n.v[i] * density(z) * mathext.GammaIncRegComp(n.nu/2, n.nu*at*at/2)
	}
	return math.Min(sum, 1)
}
