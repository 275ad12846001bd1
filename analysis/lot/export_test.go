package lot

// NoncentralT lends the integral to the comparison with other programs.
func NoncentralT(t, nu, delta float64) float64 { return newNoncentral(nu).cdf(t, delta) }
