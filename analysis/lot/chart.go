package lot

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"
)

// A ChartPoint is one lot (or shot) on a control chart.
type ChartPoint struct {
	Value      float64
	Statistic  float64 // EWMA: z; CUSUM: the larger of High and Low
	High, Low  float64 // CUSUM: the two one-sided sums; EWMA: limits at this point
	OutOfLimit bool
}

// EWMA is an exponentially weighted moving average chart: z = Lambda x +
// (1 - Lambda) z, starting at Target, with limits Target ± Width Sigma
// sqrt(Lambda/(2-Lambda) (1 - (1-Lambda)^(2i))); Settled drops the last factor.
// NIST/SEMATECH e-Handbook 6.3.2.4.
type EWMA struct {
	Target, Sigma float64
	Lambda        float64 // 0.2 is common
	Width         float64 // 3, or 2.814 for an in-control run of 500 at Lambda 0.1
	Settled       bool
}

// Points draws the chart.
func (c EWMA) Points(x []float64) ([]ChartPoint, error) {
	if !(c.Sigma > 0) || !(c.Lambda > 0 && c.Lambda <= 1) || !(c.Width > 0) {
		return nil, fmt.Errorf("lot: EWMA chart: sigma %v and width %v must be above zero, lambda %v in (0, 1]", c.Sigma, c.Width, c.Lambda)
	}
	z, out := c.Target, make([]ChartPoint, len(x))
	left := 1.0
	for i, v := range x {
		z = c.Lambda*v + (1-c.Lambda)*z
		left *= (1 - c.Lambda) * (1 - c.Lambda)
		factor := 1 - left
		if c.Settled {
			factor = 1
		}
		h := c.Width * c.Sigma * math.Sqrt(c.Lambda/(2-c.Lambda)*factor)
		out[i] = ChartPoint{Value: v, Statistic: z, High: c.Target + h, Low: c.Target - h, OutOfLimit: math.Abs(z-c.Target) > h}
	}
	return out, nil
}

// CUSUM is a two-sided tabular cumulative sum chart in the values' own unit:
// High = max(0, High + x - Target - K), Low likewise downwards, out of limits
// beyond H. NIST/SEMATECH e-Handbook 6.3.2.3.
type CUSUM struct {
	Target float64
	K      float64 // allowance: half the shift to be found
	H      float64 // decision limit
}

// Points draws the chart.
func (c CUSUM) Points(x []float64) ([]ChartPoint, error) {
	if !(c.K >= 0) || !(c.H > 0) {
		return nil, fmt.Errorf("lot: CUSUM chart: allowance %v must be at least zero and the decision limit %v above it", c.K, c.H)
	}
	out := make([]ChartPoint, len(x))
	var high, low float64
	for i, v := range x {
		high = math.Max(0, high+v-c.Target-c.K)
		low = math.Max(0, low+c.Target-c.K-v)
		out[i] = ChartPoint{Value: v, Statistic: math.Max(high, low), High: high, Low: low, OutOfLimit: high > c.H || low > c.H}
	}
	return out, nil
}

// An Individuals chart has limits mean ± 2.66 times the mean moving range.
type Individuals struct{ Mean, MovingRange, Low, High float64 }

// d2 of the range of two: 2/sqrt(pi) = 1.128, which the published tables round
// and which is kept rounded so that the limits agree with them.
const d2 = 1.128

// ChartIndividuals computes the limits from the values' own moving range.
func ChartIndividuals(x []float64) (Individuals, error) {
	if len(x) < 2 {
		return Individuals{}, fmt.Errorf("lot: an individuals chart needs 2 values, there are %d", len(x))
	}
	c := Individuals{Mean: Mean(x)}
	for i := 1; i < len(x); i++ {
		c.MovingRange += math.Abs(x[i]-x[i-1]) / float64(len(x)-1)
	}
	c.Low, c.High = c.Mean-3*c.MovingRange/d2, c.Mean+3*c.MovingRange/d2
	return c, nil
}

// CUSUMRun returns the average number of points until a one-sided CUSUM with
// allowance k and limit h (both in sigma), started at zero, signals when the
// mean is shifted by shift sigma: Page's integral equation
//
//	L(s) = 1 + L(0) Phi(k-s-shift) + ∫_0^h L(y) phi(y+k-s-shift) dy
//
// by Nyström's method on Gauss and Legendre's nodes. +Inf: longer than 1e12.
func CUSUMRun(k, h, shift float64) (float64, error) {
	if !(k >= 0 && k <= 10) || !(h > 0 && h <= 50) || !(math.Abs(shift) <= 20) {
		return math.NaN(), fmt.Errorf("lot: CUSUM run length: allowance %v from 0 to 10, limit %v to 50, shift %v to 20 sigma", k, h, shift)
	}
	const m = 64
	x, w := nodes(m, 0, h)
	x = append([]float64{0}, x...)
	kernel := func(i, j int) float64 {
		if j == 0 {
			return cdf(k - x[i] - shift)
		}
		return w[j-1] * density(x[j]+k-x[i]-shift)
	}
	return runLength(m+1, kernel, 0)
}

// CUSUMRunBoth is the run length of the two-sided chart: 1/L = 1/L+ + 1/L-.
func CUSUMRunBoth(k, h, shift float64) (float64, error) {
	up, err := CUSUMRun(k, h, shift)
	if err != nil {
		return up, err
	}
	down, err := CUSUMRun(k, h, -shift)
	return 1 / (1/up + 1/down), err
}

// EWMARun returns the average run length of a settled two-sided EWMA chart,
// lambda and width as in EWMA, for a shift in sigma (Crowder's integral
// equation).
func EWMARun(lambda, width, shift float64) (float64, error) {
	if !(lambda > 0.001 && lambda <= 1) || !(width > 0 && width <= 10) || !(math.Abs(shift) <= 20) {
		return math.NaN(), fmt.Errorf("lot: EWMA run length: lambda %v from 0.001 to 1, width %v to 10, shift %v to 20 sigma", lambda, width, shift)
	}
	const m = 65 // odd: the middle node is the start
	c := width * math.Sqrt(lambda/(2-lambda))
	x, w := nodes(m, -c, c)
	kernel := func(i, j int) float64 {
		return w[j] / lambda * density((x[j]-(1-lambda)*x[i])/lambda-shift)
	}
	return runLength(m, kernel, m/2)
}

// longestRun is the run length beyond which the equation is too ill-conditioned
// to be told from "never".
const longestRun = 1e12

// runLength solves L = 1 + K L and returns L at the start node; +Inf beyond
// longestRun.
func runLength(m int, kernel func(i, j int) float64, start int) (float64, error) {
	a, one := mat.NewDense(m, m, nil), mat.NewVecDense(m, nil)
	for i := range m {
		one.SetVec(i, 1)
		for j := range m {
			a.Set(i, j, flag(i == j)-kernel(i, j))
		}
	}
	var l mat.VecDense
	var ill mat.Condition
	if err := l.SolveVec(a, one); err != nil && !errors.As(err, &ill) {
		return math.NaN(), fmt.Errorf("lot: run length: %w: the limits are too wide to compute it", err)
	}
	if v := l.AtVec(start); v > 0 && v < longestRun {
		return v, nil
	}
	return math.Inf(1), nil
}
