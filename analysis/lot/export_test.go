package lot

import "math"

// NoncentralT lends the integral to the comparison with other programs.
func NoncentralT(t, nu, delta float64) float64 { return newNoncentral(nu).cdf(t, delta) }

// BetaBelow lends the distribution of beta's pivotal quantity: the lower bound
// lies below beta exactly where this exceeds one minus the confidence.
func BetaBelow(first, second []float64, beta float64) float64 {
	p := newPivot(SD(first), SD(second), len(first), len(second))
	return p.below(beta, Mean(second)-Mean(first))
}

// Hypot is what Beta divides by.
func Hypot(first, second []float64) float64 { return math.Hypot(SD(first), SD(second)) }
