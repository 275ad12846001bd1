package lot_test

import (
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"testing"

	"ventward/analysis/lot"
)

// oracle is what SciPy answered (testdata/lot/oracle.py; the file names the
// versions).
type oracle struct {
	MadeBy  string `json:"made_by"`
	Samples []struct {
		X         []float64
		Mean, SD  float64
		Shapiro   [2]float64
		Anderson  float64
		Cut       float64
		Weibull   struct{ Shape, Scale, Loglik float64 }
		WeibullC  struct{ Shape, Scale, Loglik float64 } `json:"weibull_censored"`
		NormalC   struct{ Mean, SD float64 }             `json:"normal_censored"`
		LogNormal struct{ Mean, SD float64 }             `json:"lognormal_censored"`
	}
	Rates []struct {
		K, N                         int
		Confidence, Low, High, Upper float64
	}
	Fisher []struct {
		K1, N1, K2, N2 int
		P              float64
	}
	Pairs []struct {
		A, B          int
		Welch, Levene [2]float64
		Line          [5]float64
	}
	NCT []struct{ T, Nu, Delta, P float64 }
}

func load(t *testing.T, name string, into any) {
	t.Helper()
	body, err := os.ReadFile(filepath.Join(testdata, name))
	if err == nil {
		err = json.Unmarshal(body, into)
	}
	if err != nil {
		t.Fatal(err)
	}
}

// near fails the test where got is further than rel of want (or abs) away.
func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance*math.Max(1e-3, math.Abs(want))) {
		t.Errorf("%s: %.12g, want %.12g within %g", what, got, want, tolerance)
	}
}

func cut(x []float64, at float64) (exact, atLeast []float64) {
	for _, v := range x {
		if v > at {
			atLeast = append(atLeast, at)
		} else {
			exact = append(exact, v)
		}
	}
	return exact, atLeast
}

func TestAgainstSciPy(t *testing.T) {
	var o oracle
	load(t, "oracle-scipy.json", &o)
	t.Log("oracle:", o.MadeBy)
	for i, s := range o.Samples {
		near(t, "mean", lot.Mean(s.X), s.Mean, 1e-13)
		near(t, "sd", lot.SD(s.X), s.SD, 1e-12)
		w := must(lot.ShapiroWilk(s.X))
		near(t, "Shapiro-Wilk W", w.Statistic, s.Shapiro[0], 1e-6) // SciPy works in single precision
		if s.Shapiro[1] > 1e-6 {
			near(t, "Shapiro-Wilk p", w.P, s.Shapiro[1], 1e-4)
		}
		near(t, "Anderson-Darling", must(lot.AndersonDarling(s.X)).Statistic, s.Anderson, 1e-7)
		f := must(lot.FitCensored(lot.Weibull, s.X, nil))
		near(t, "Weibull shape", f.Shape, s.Weibull.Shape, 1e-6)
		near(t, "Weibull scale", f.Location, s.Weibull.Scale, 1e-7)
		near(t, "Weibull log-likelihood", f.LogLikelihood, s.Weibull.Loglik, 1e-9)
		exact, atLeast := cut(s.X, s.Cut)
		if len(atLeast) == 0 || i == 8 { // three points with a tie of bounds: SciPy's simplex stops early
			continue
		}
		f = must(lot.FitCensored(lot.Weibull, exact, atLeast))
		near(t, "censored Weibull shape", f.Shape, s.WeibullC.Shape, 1e-6)
		near(t, "censored Weibull scale", f.Location, s.WeibullC.Scale, 1e-7)
		f = must(lot.FitCensored(lot.Normal, exact, atLeast))
		near(t, "censored normal mean", f.Location, s.NormalC.Mean, 1e-7)
		near(t, "censored normal s", f.Shape, s.NormalC.SD, 1e-6)
		f = must(lot.FitCensored(lot.Lognormal, exact, atLeast))
		near(t, "censored lognormal mean", math.Log(f.Location), s.LogNormal.Mean, 1e-7)
		near(t, "censored lognormal s", f.Shape, s.LogNormal.SD, 1e-6)
	}
	for _, r := range o.Rates {
		g := must(lot.ClopperPearson(r.K, r.N, r.Confidence))
		near(t, "rate low", g.Low, r.Low, 1e-9)
		near(t, "rate high", g.High, r.High, 1e-9)
		near(t, "rate one-sided", g.UpperOne, r.Upper, 1e-9)
	}
	for _, r := range o.Fisher {
		near(t, "Fisher", must(lot.Fisher(r.K1, r.N1, r.K2, r.N2)), r.P, 1e-9)
	}
	for _, p := range o.Pairs {
		a, b := o.Samples[p.A].X, o.Samples[p.B].X
		w := must(lot.Welch(a, b, 0.95))
		near(t, "Welch t", w.Statistic, p.Welch[0], 1e-10)
		near(t, "Welch p", w.P, p.Welch[1], 1e-8)
		l := must(lot.Levene(a, b))
		near(t, "Levene F", l.Statistic, p.Levene[0], 1e-9)
		near(t, "Levene p", l.P, p.Levene[1], 1e-8)
		x := make([]float64, len(a))
		for i := range x {
			x[i] = float64(i)
		}
		r := must(lot.Regress(x, a))
		for i, v := range []float64{r.Intercept, r.Slope, r.SlopeU, r.P, r.R2} {
			near(t, "line", v, p.Line[i], 1e-9)
		}
	}
	for _, n := range o.NCT {
		near(t, "noncentral t", lot.NoncentralT(n.T, n.Nu, n.Delta), n.P, 1e-8)
	}
}

func TestAgainstR(t *testing.T) {
	var o oracle
	load(t, "oracle-scipy.json", &o)
	var r struct {
		MadeBy  string `json:"made_by"`
		Shapiro [][2]float64
		Factors [][5]float64
		Fisher  [][5]float64
		Welch   [5]float64
		Predict [3]float64
	}
	load(t, "oracle-r.json", &r)
	t.Log("oracle:", r.MadeBy)
	for i, s := range o.Samples {
		w := must(lot.ShapiroWilk(s.X))
		near(t, "Shapiro-Wilk W", w.Statistic, r.Shapiro[i][0], 1e-7)
		near(t, "Shapiro-Wilk p", w.P, r.Shapiro[i][1], 1e-4)
	}
	for _, f := range r.Factors {
		near(t, "one-sided factor", must(lot.OneSidedFactor(int(f[0]), f[2], f[1])), f[3], 1e-7)
		near(t, "two-sided factor", must(lot.TwoSidedFactor(int(f[0]), f[2], f[1])), f[4], 1e-7)
	}
	for _, f := range r.Fisher {
		near(t, "Fisher", must(lot.Fisher(int(f[0]), int(f[1]), int(f[2]), int(f[3]))), f[4], 1e-7)
	}
	w := must(lot.Welch(o.Samples[1].X, o.Samples[2].X, 0.95))
	for i, v := range []float64{w.Statistic, w.DF2, w.P, w.Bound.Low, w.Bound.High} {
		near(t, "Welch", v, r.Welch[i], 1e-9)
	}
	x := make([]float64, len(o.Samples[4].X))
	for i := range x {
		x[i] = float64(i + 1)
	}
	line := must(lot.Regress(x, o.Samples[4].X))
	b := line.Predict(33, 0.95)
	for i, v := range []float64{line.At(33), b.Low, b.High} {
		near(t, "prediction", v, r.Predict[i], 1e-9)
	}
}
