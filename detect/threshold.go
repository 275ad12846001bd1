package detect

import "math"

// A bank of moving sums watches each pressure channel. What the user states is
// the mean time between false alarms of the whole bench; from it each sum gets
// its threshold here.
//
// For a moving sum of length n of independent standard normal values, divided
// by sqrt(n), the rate of separate exceedances of z per value is
//
//	z phi(z)/n * nu(z sqrt(2/n))
//
// with nu Siegmund's overshoot function: D. Siegmund, Sequential Analysis
// (Springer, 1985), and D. Siegmund and B. Yakir, The Statistics of Gene
// Mapping (Springer, 2007), equation 5.3 with approximation 5.4.

// overshoot is nu(x) in the approximation of Siegmund and Yakir.
func overshoot(x float64) float64 {
	if x < 1e-6 {
		return 1
	}
	half := x / 2
	p := normalCDF(half)
	return (2 / x) * (p - 0.5) / (half*p + normalPDF(half))
}

func normalPDF(x float64) float64 { return math.Exp(-x*x/2) / math.Sqrt(2*math.Pi) }

func normalCDF(x float64) float64 { return 0.5 * math.Erfc(-x/math.Sqrt2) }

// exceedances is the one-sided rate per value at which a moving sum of n
// standard normal values, scaled to unit variance, newly exceeds z (> 0).
func exceedances(z float64, n int) float64 {
	return z * normalPDF(z) / float64(n) * overshoot(z*math.Sqrt(2/float64(n)))
}

// thresholdFor returns the z at which exceedances(z, n) equals rate (per
// value). It is limited to 2..12.
func thresholdFor(rate float64, n int) float64 {
	lo, hi := 2.0, 12.0
	for range 60 {
		z := (lo + hi) / 2
		if exceedances(z, n) > rate {
			lo = z
		} else {
			hi = z
		}
	}
	return (lo + hi) / 2
}
