package lot

import (
	"fmt"
	"math"
	"slices"
)

// A Normality is the outcome of a test whether values may come from a normal
// distribution.
type Normality struct {
	Statistic float64
	P         float64
}

// AndersonDarling returns the unmodified A² against a normal distribution with
// the sample's own mean and s, and its p-value from the modified statistic
// A* = A² (1 + 0.75/n + 2.25/n²) (Stephens; D'Agostino and Stephens 1986, table
// 4.9). It needs 3 values with a spread; below 8 the p-value is rough.
func AndersonDarling(x []float64) (Normality, error) {
	s := SD(x)
	if len(x) < 3 || !(s > 0) {
		return Normality{}, fmt.Errorf("lot: the Anderson-Darling test needs 3 shots that differ, there %s", fewWords(x))
	}
	m := Mean(x)
	y := slices.Sorted(slices.Values(x))
	n := float64(len(y))
	sum := 0.0
	for i, v := range y {
		up := (y[len(y)-1-i] - m) / s
		sum += float64(2*i+1) * (logUpper(-(v-m)/s) + logUpper(up))
	}
	a2 := -n - sum/n
	return Normality{Statistic: a2, P: andersonP(a2 * (1 + 0.75/n + 2.25/(n*n)))}, nil
}

func andersonP(a float64) float64 {
	switch {
	case a >= 13: // beyond, the fitted polynomial would bend back
		return math.Exp(1.2937 - 5.709*13 + 0.0186*13*13)
	case a >= 0.6:
		return math.Exp(1.2937 - 5.709*a + 0.0186*a*a)
	case a >= 0.34:
		return math.Exp(0.9177 - 4.279*a - 1.38*a*a)
	case a >= 0.2:
		return 1 - math.Exp(-8.318+42.796*a-59.938*a*a)
	}
	return 1 - math.Exp(-13.436+101.14*a-223.73*a*a)
}

// ShapiroWilk returns W and its p-value by Royston's approximation (Applied
// Statistics 44, 1995, algorithm AS R94; coefficients from memory, checked
// against two other programs). It takes 3 to 5000 values with a spread.
func ShapiroWilk(x []float64) (Normality, error) {
	n := len(x)
	if n < 3 || n > 5000 || !(SD(x) > 0) {
		return Normality{}, fmt.Errorf("lot: the Shapiro-Wilk test needs 3 to 5000 shots that differ, there %s", fewWords(x))
	}
	y := slices.Sorted(slices.Values(x))
	a := shapiroWeights(n)
	m := Mean(y)
	var b, ss float64
	for i, v := range y {
		b += a[i] * (v - m)
		ss += (v - m) * (v - m)
	}
	w := math.Min(b*b/ss, 1)
	return Normality{Statistic: w, P: shapiroP(w, n)}, nil
}

// shapiroWeights are the approximate optimal weights of the order statistics.
func shapiroWeights(n int) []float64 {
	a := make([]float64, n)
	if n == 3 {
		a[0], a[2] = -math.Sqrt(0.5), math.Sqrt(0.5)
		return a
	}
	sum := 0.0
	for i := range a {
		a[i] = quantile((float64(i+1) - 0.375) / (float64(n) + 0.25))
		sum += a[i] * a[i]
	}
	r := 1 / math.Sqrt(float64(n))
	last, before := a[n-1], a[n-2]
	first := last/math.Sqrt(sum) + polynomial(r, 0, 0.221157, -0.147981, -2.07119, 4.434685, -2.706056)
	left, rest, k := sum-2*last*last, 1-2*first*first, 1
	second := 0.0
	if n > 5 {
		second = before/math.Sqrt(sum) + polynomial(r, 0, 0.042981, -0.293762, -1.752461, 5.682633, -3.582633)
		left, rest, k = left-2*before*before, rest-2*second*second, 2
	}
	scale := math.Sqrt(rest / left)
	for i := k; i < n-k; i++ {
		a[i] *= scale
	}
	a[0], a[n-1] = -first, first
	if n > 5 {
		a[1], a[n-2] = -second, second
	}
	return a
}

func shapiroP(w float64, n int) float64 {
	if n == 3 {
		return math.Max(0, 6/math.Pi*(math.Asin(math.Sqrt(w))-math.Asin(math.Sqrt(0.75))))
	}
	y := math.Log(1 - w)
	var mean, sd float64
	if v := float64(n); n <= 11 {
		gamma := polynomial(v, -2.273, 0.459)
		if y >= gamma {
			return 0
		}
		y = -math.Log(gamma - y)
		mean = polynomial(v, 0.544, -0.39978, 0.025054, -6.714e-4)
		sd = math.Exp(polynomial(v, 1.3822, -0.77857, 0.062767, -0.0020322))
	} else {
		l := math.Log(v)
		mean = polynomial(l, -1.5861, -0.31082, -0.083751, 0.0038915)
		sd = math.Exp(polynomial(l, -0.4803, -0.082676, 0.0030302))
	}
	return cdf(-(y - mean) / sd)
}

// polynomial is c[0] + c[1] x + c[2] x² + ...
func polynomial(x float64, c ...float64) float64 {
	sum := 0.0
	for i := len(c) - 1; i >= 0; i-- {
		sum = sum*x + c[i]
	}
	return sum
}
