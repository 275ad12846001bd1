package lot

import (
	"fmt"
	"math"
	"slices"
)

// Mean returns the arithmetic mean, from compensated sums about the first value, so that a
// large offset costs no digits. x must not be empty.
func Mean(x []float64) float64 {
	var sum, low float64
	for _, v := range x {
		d := v - x[0]
		t := sum + d
		if math.Abs(sum) >= math.Abs(d) {
			low += (sum - t) + d
		} else {
			low += (d - t) + sum
		}
		sum = t
	}
	return x[0] + (sum+low)/float64(len(x))
}

// SD returns the sample standard deviation (n-1); NaN for fewer than two
// values.
func SD(x []float64) float64 {
	if len(x) < 2 {
		return math.NaN()
	}
	return math.Sqrt(squares(x) / float64(len(x)-1))
}

// squares is the sum of squared deviations from the mean, with the correction
// for the mean's own rounding.
func squares(x []float64) float64 {
	m := Mean(x)
	var ss, rest float64
	for _, v := range x {
		d := v - m
		ss += d * d
		rest += d
	}
	return ss - rest*rest/float64(len(x))
}

// Lag1 returns the lag-1 autocorrelation in the order given: shots that follow
// each other should not resemble each other. NaN for fewer than two values or
// no spread.
func Lag1(x []float64) float64 {
	if len(x) < 2 {
		return math.NaN()
	}
	m := Mean(x)
	var num, den float64
	for i, v := range x {
		den += (v - m) * (v - m)
		if i > 0 {
			num += (v - m) * (x[i-1] - m)
		}
	}
	return num / den
}

// A QuantileRule is one of the numbered definitions of a sample quantile
// (Hyndman and Fan 1996): 6, 7 and 8 are offered.
type QuantileRule int

// Quantile returns the p-quantile of x, 0 <= p <= 1, by the rule given (7 is
// the common default of spreadsheets, 8 the median-unbiased one).
func Quantile(x []float64, p float64, rule QuantileRule) (float64, error) {
	if len(x) == 0 || !(p >= 0 && p <= 1) {
		return math.NaN(), fmt.Errorf("lot: quantile %v of %d values: give values and a fraction from 0 to 1", p, len(x))
	}
	n := float64(len(x))
	var h float64
	switch rule {
	case 6:
		h = (n + 1) * p
	case 7:
		h = (n-1)*p + 1
	case 8:
		h = (n+1.0/3)*p + 1.0/3
	default:
		return math.NaN(), fmt.Errorf("lot: quantile rule %d: 6, 7 and 8 are offered", rule)
	}
	s := slices.Sorted(slices.Values(x))
	h = math.Min(math.Max(h, 1), n)
	i := int(h)
	if i == len(s) {
		return s[i-1], nil
	}
	return s[i-1] + (h-float64(i))*(s[i]-s[i-1]), nil
}

// An Outlier is Grubbs' answer about the value farthest from the mean. It
// flags; it never deletes.
type Outlier struct {
	Index    int     // of the value in the list
	G        float64 // |value - mean| / s
	Critical float64 // two-sided, at Alpha
	Alpha    float64
}

// Flagged tells whether G exceeds its critical value.
func (o Outlier) Flagged() bool { return o.G > o.Critical }

// Grubbs tests the value farthest from the mean, on either side, at level
// alpha. It needs 3 values and a spread.
func Grubbs(x []float64, alpha float64) (Outlier, error) {
	s := SD(x)
	if len(x) < 3 || !(s > 0) {
		return Outlier{}, fmt.Errorf("lot: Grubbs' test needs 3 shots that differ, there %s", fewWords(x))
	}
	c, err := GrubbsCritical(len(x), alpha/2)
	if err != nil {
		return Outlier{}, err
	}
	m := Mean(x)
	o := Outlier{Critical: c, Alpha: alpha}
	for i, v := range x {
		if g := math.Abs(v-m) / s; g > o.G {
			o.G, o.Index = g, i
		}
	}
	return o, nil
}

// GrubbsCritical returns the one-sided critical value at level alpha:
// (n-1)/sqrt n · sqrt(t²/(n-2+t²)), t = t(alpha/n, n-2). NIST/SEMATECH
// e-Handbook 1.3.5.17.1. For a test on both sides give alpha/2.
func GrubbsCritical(n int, alpha float64) (float64, error) {
	if n < 3 || !(alpha > 0 && alpha < 0.5) {
		return math.NaN(), fmt.Errorf("lot: Grubbs' test needs 3 values or more and a level below 0.5, not n = %d and %v", n, alpha)
	}
	m := float64(n)
	t := studentQuantile(1-alpha/m, m-2)
	return (m - 1) / math.Sqrt(m) * math.Sqrt(t*t/(m-2+t*t)), nil
}

// fewWords says of what there is too little: shots, or difference.
func fewWords(x []float64) string {
	switch {
	case len(x) == 0:
		return "is none"
	case len(x) == 1:
		return "is 1"
	case !(squares(x) > 0):
		return fmt.Sprintf("are %d that read the same", len(x))
	}
	return fmt.Sprintf("are %d", len(x))
}
