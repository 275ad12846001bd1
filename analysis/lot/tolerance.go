package lot

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mathext"
)

// Bounds of what a statement may ask for.
const (
	maxShots     = 200_000
	maxFactor    = 1e6
	leastPercent = 0.5
	mostPercent  = 0.99999
)

// checkStatement refuses a confidence and a coverage that no statement about a
// lot uses.
func checkStatement(confidence, coverage float64) error {
	if !(confidence >= leastPercent && confidence <= mostPercent) {
		return fmt.Errorf("lot: confidence %v: give a fraction from %v to %v (0.95, say)", confidence, leastPercent, mostPercent)
	}
	if !(coverage >= leastPercent && coverage <= mostPercent) {
		return fmt.Errorf("lot: coverage %v: give a fraction from %v to %v (0.99, say)", coverage, leastPercent, mostPercent)
	}
	return nil
}

// OneSidedFactor returns the exact k of the one-sided normal tolerance limit:
// with the given confidence at least the given share of the lot lies above
// mean - k s (or below mean + k s). n >= 2.
//
// k = t'(confidence; n-1, z_p sqrt n) / sqrt n with the noncentral t: Owen,
// tables for one-sided tolerance limits; NIST/SEMATECH e-Handbook 7.2.6.3.
func OneSidedFactor(n int, confidence, coverage float64) (float64, error) {
	if n < 2 {
		return math.NaN(), fmt.Errorf("lot: a tolerance limit needs 2 shots or more, not %d", n)
	}
	if err := checkStatement(confidence, coverage); err != nil {
		return math.NaN(), err
	}
	return oneSided(float64(n-1), 1/math.Sqrt(float64(n)), confidence, coverage)
}

// oneSided solves for k where the mean's standard error is e times sigma and s
// has nu degrees of freedom: the same factor serves a regression, whose e
// depends on the place.
func oneSided(nu, e, confidence, coverage float64) (float64, error) {
	dist := newNoncentral(nu)
	delta := quantile(coverage) / e
	f := func(k float64) float64 { return dist.cdf(k/e, delta) - confidence }
	k, err := rootUp(f, 0, 4, maxFactor)
	if err != nil {
		return math.NaN(), fmt.Errorf("lot: no one-sided factor for %v degrees of freedom, confidence %v, coverage %v: take more shots", nu, confidence, coverage)
	}
	return k, nil
}

// TwoSidedFactor returns the exact k of the two-sided normal tolerance
// interval: with the given confidence at least the given share of the lot lies
// in mean +- k s. n >= 2. It is the exact integral, not Howe's approximation:
//
//	confidence = 2 sqrt n ∫ phi(sqrt n x) P(chi²_(n-1) >= (n-1) r(x)²/k²) dx, x from 0,
//	Phi(x+r) - Phi(x-r) = coverage.
//
// Source: ISO 16269-6, annex; Krishnamoorthy and Mathew, Statistical Tolerance
// Regions, 2009, eq. 2.3.4 (both from memory).
func TwoSidedFactor(n int, confidence, coverage float64) (float64, error) {
	if n < 2 {
		return math.NaN(), fmt.Errorf("lot: a tolerance interval needs 2 shots or more, not %d", n)
	}
	if err := checkStatement(confidence, coverage); err != nil {
		return math.NaN(), err
	}
	nu := float64(n - 1)
	y, w := nodes(96, 0, 9) // y = sqrt n x, standard normal
	r2 := make([]float64, len(y))
	for i := range y {
		r := halfWidth(y[i]/math.Sqrt(float64(n)), coverage)
		r2[i] = nu * r * r / 2
		w[i] *= 2 * density(y[i])
	}
	f := func(k float64) float64 {
		sum := 0.0
		for i := range r2 {
			sum += w[i] * mathext.GammaIncRegComp(nu/2, r2[i]/(k*k))
		}
		return sum - confidence
	}
	k, err := rootUp(f, 1e-3, 4, maxFactor)
	if err != nil {
		return math.NaN(), fmt.Errorf("lot: no two-sided factor for n = %d, confidence %v, coverage %v: take more shots", n, confidence, coverage)
	}
	return k, nil
}

// halfWidth solves Phi(x+r) - Phi(x-r) = p for r, x >= 0.
func halfWidth(x, p float64) float64 {
	lo, hi := 0.0, x+quantile((1+p)/2)
	r := hi
	for range 100 {
		f := cdf(x+r) - cdf(x-r) - p
		if f > 0 {
			hi = r
		} else {
			lo = r
		}
		next := r - f/(density(x+r)+density(x-r))
		if !(next > lo && next < hi) {
			next = (lo + hi) / 2
		}
		if math.Abs(next-r) <= 1e-15*r {
			return next
		}
		r = next
	}
	return r
}

// FreeSize returns the smallest n for which the least (or the greatest) of n
// shots bounds the given share of the lot whatever its distribution (Wilks):
// n = ceil(ln(1-confidence)/ln coverage). It is also the number of shots
// without a failure that shows a share of good pieces.
func FreeSize(confidence, coverage float64) (int, error) {
	if err := checkStatement(confidence, coverage); err != nil {
		return 0, err
	}
	return int(math.Ceil(math.Log(1-confidence)/math.Log(coverage) - 1e-9)), nil
}

// FreeSizeTwoSided is the same for the interval from the least to the greatest
// shot: the smallest n with 1 - n p^(n-1) + (n-1) p^n >= confidence.
func FreeSizeTwoSided(confidence, coverage float64) (int, error) {
	if err := checkStatement(confidence, coverage); err != nil {
		return 0, err
	}
	holds := func(n int) bool {
		m := float64(n)
		return 1-m*math.Pow(coverage, m-1)+(m-1)*math.Pow(coverage, m) >= confidence
	}
	lo, hi := 1, 2 // holds(lo) is false
	for !holds(hi) {
		lo, hi = hi, 2*hi
	}
	for hi-lo > 1 {
		if mid := (lo + hi) / 2; holds(mid) {
			hi = mid
		} else {
			lo = mid
		}
	}
	return hi, nil
}
