package lot

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// A Difference compares the means of two lots (Welch) or the spreads of
// several (Levene).
type Difference struct {
	Statistic float64
	DF1, DF2  float64 // degrees of freedom; DF1 is unused by Welch
	P         float64
	// Of Welch: mean of b minus mean of a, with its two-sided interval.
	Delta float64
	Bound Bound
}

// Welch compares two means without assuming equal spreads (Welch 1947).
func Welch(a, b []float64, confidence float64) (Difference, error) {
	if len(a) < 2 || len(b) < 2 || !(SD(a)+SD(b) > 0) {
		return Difference{}, fmt.Errorf("lot: comparing means needs 2 shots in each lot and a spread, there are %d and %d", len(a), len(b))
	}
	if err := checkStatement(confidence, leastPercent); err != nil {
		return Difference{}, err
	}
	va, vb := SD(a)*SD(a)/float64(len(a)), SD(b)*SD(b)/float64(len(b))
	se := math.Sqrt(va + vb)
	nu := (va + vb) * (va + vb) / (va*va/float64(len(a)-1) + vb*vb/float64(len(b)-1))
	d := Difference{Delta: Mean(b) - Mean(a), DF2: nu}
	d.Statistic = d.Delta / se
	d.P = studentTwoSided(d.Statistic, nu)
	h := studentQuantile((1+confidence)/2, nu) * se
	d.Bound = Bound{d.Delta - h, d.Delta + h}
	return d, nil
}

// Levene tests whether groups have the same spread, from absolute deviations
// about the MEDIAN (Brown and Forsythe's form, robust against skewness;
// NIST/SEMATECH e-Handbook 1.3.5.10).
func Levene(groups ...[]float64) (Difference, error) {
	var z [][]float64
	n := 0
	for i, g := range groups {
		if len(g) < 2 {
			return Difference{}, fmt.Errorf("lot: comparing spreads needs 2 shots in each group, group %d has %d", i+1, len(g))
		}
		median, err := Quantile(g, 0.5, 7)
		if err != nil {
			return Difference{}, err
		}
		dev := make([]float64, len(g))
		for j, v := range g {
			dev[j] = math.Abs(v - median)
		}
		z = append(z, dev)
		n += len(g)
	}
	if len(groups) < 2 {
		return Difference{}, fmt.Errorf("lot: comparing spreads needs 2 groups")
	}
	var all []float64
	var within float64
	for _, g := range z {
		all = append(all, g...)
		within += squares(g)
	}
	grand, between := Mean(all), 0.0
	for _, g := range z {
		d := Mean(g) - grand
		between += float64(len(g)) * d * d
	}
	d := Difference{DF1: float64(len(groups) - 1), DF2: float64(n - len(groups))}
	if !(within > 0) {
		return Difference{}, fmt.Errorf("lot: comparing spreads: the shots do not differ within their groups")
	}
	d.Statistic = between / d.DF1 / (within / d.DF2)
	d.P = distuv.F{D1: d.DF1, D2: d.DF2}.Survival(d.Statistic)
	return d, nil
}
