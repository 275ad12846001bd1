package lot

import (
	"cmp"
	"fmt"
	"math"
	"slices"
)

// A Regression is a straight line through shots, by least squares: opening
// pressure against residual thickness or against the punch's strokes.
type Regression struct {
	Intercept, Slope float64
	SlopeU           float64 // standard error of the slope
	S                float64 // residual standard deviation
	N                int
	R2               float64
	MeanX, SumX2     float64 // of x: mean and sum of squared deviations
	LeastX, MostX    float64 // the span that the data covers
	P                float64 // of a slope of zero
}

// Regress fits y = Intercept + Slope x. It needs 3 points and a spread in x.
func Regress(x, y []float64) (Regression, error) {
	if len(x) != len(y) || len(x) < 3 || !(SD(x) > 0) {
		return Regression{}, fmt.Errorf("lot: a regression needs 3 shots with different abscissae, there are %d and %d", len(x), len(y))
	}
	r := Regression{N: len(x), MeanX: Mean(x), SumX2: squares(x), LeastX: x[0], MostX: x[0]}
	my, sxy := Mean(y), 0.0
	for i := range x {
		sxy += (x[i] - r.MeanX) * (y[i] - my)
		r.LeastX, r.MostX = math.Min(r.LeastX, x[i]), math.Max(r.MostX, x[i])
	}
	r.Slope = sxy / r.SumX2
	r.Intercept = my - r.Slope*r.MeanX
	rss := 0.0
	for i := range x {
		d := y[i] - my - r.Slope*(x[i]-r.MeanX)
		rss += d * d
	}
	nu := float64(r.N - 2)
	r.S = math.Sqrt(rss / nu)
	r.SlopeU = r.S / math.Sqrt(r.SumX2)
	if total := squares(y); total > 0 {
		r.R2 = 1 - rss/total
	}
	if r.SlopeU > 0 {
		r.P = studentTwoSided(r.Slope/r.SlopeU, nu)
	}
	return r, nil
}

// At returns the line at x.
func (r *Regression) At(x float64) float64 { return r.Intercept + r.Slope*x }

// leverage is the variance of the line at x in units of S².
func (r *Regression) leverage(x float64) float64 {
	return 1/float64(r.N) + (x-r.MeanX)*(x-r.MeanX)/r.SumX2
}

// Predict returns the interval in which one further shot at x lies with the
// given confidence.
func (r *Regression) Predict(x, confidence float64) Bound {
	h := studentQuantile((1+confidence)/2, float64(r.N-2)) * r.S * math.Sqrt(1+r.leverage(x))
	return Bound{r.At(x) - h, r.At(x) + h}
}

// Tolerance returns the two one-sided tolerance limits at x: with the given
// confidence at least the given share of pieces made at x lies above Low, and
// likewise below High. The factor is the exact one of a regression: the
// noncentral t with n-2 degrees of freedom and the line's standard error.
func (r *Regression) Tolerance(x, confidence, coverage float64) (Bound, error) {
	if err := checkStatement(confidence, coverage); err != nil {
		return Bound{}, err
	}
	k, err := oneSided(float64(r.N-2), math.Sqrt(r.leverage(x)), confidence, coverage)
	return Bound{r.At(x) - k*r.S, r.At(x) + k*r.S}, err
}

// Window returns the abscissae for which one further shot lies within the
// limits with the given confidence (the inverse of the prediction band),
// within the span that the data covers: nothing is claimed beyond it.
func (r *Regression) Window(l Limits, confidence float64) (Bound, error) {
	if !l.Any() {
		return Bound{}, fmt.Errorf("lot: a window of residual thickness needs an acceptance limit")
	}
	const steps = 400
	out := Bound{math.NaN(), math.NaN()}
	for i := range steps + 1 {
		x := r.LeastX + (r.MostX-r.LeastX)*float64(i)/steps
		if b := r.Predict(x, confidence); l.Holds(b.Low) && l.Holds(b.High) {
			if math.IsNaN(out.Low) {
				out.Low = x
			}
			out.High = x
		}
	}
	if math.IsNaN(out.Low) {
		return out, fmt.Errorf("lot: at no thickness from %g to %g m does the prediction band lie within the limits", r.LeastX, r.MostX)
	}
	return out, nil
}

// Wear is the trend of a lot's feature over the strokes of its scoring punch:
// a worn punch leaves more metal, so the opening pressure creeps up.
type Wear struct {
	Regression
	Last        float64  // strokes at the newest shot since the last regrinding
	StrokesLeft *float64 // until a tolerance limit meets an acceptance limit; nil: not within Horizon
	Horizon     float64  // strokes up to which was looked: as far again as the data spans
	Reached     bool     // it has met the limit already
}

// InProduction puts the shots of one lot that state the strokes of their punch
// into the order in which they were made, and leaves the others out. Strokes
// that go down once tell of a regrinding, and the order stays; strokes that go
// up and down tell that the pieces were shot in another order than they were
// made: those are sorted, as a lot is rarely made over several regrindings.
func InProduction(shots []Shot) []Shot {
	var out []Shot
	downs := 0
	for i := range shots {
		if shots[i].Status != Valid || shots[i].Strokes == nil {
			continue
		}
		if n := len(out); n > 0 && *shots[i].Strokes < *out[n-1].Strokes {
			downs++
		}
		out = append(out, shots[i])
	}
	if downs > 1 {
		slices.SortStableFunc(out, func(a, b Shot) int { return cmp.Compare(*a.Strokes, *b.Strokes) })
	}
	return out
}

// PunchWear fits the trend to the shots since the last regrinding (strokes that
// go down start afresh) in the order given (that of InProduction), and extrapolates until one of the
// one-sided tolerance limits leaves the acceptance limits, at most as far again
// as the data spans. All shots must come from one die.
func PunchWear(strokes, pressure []float64, l Limits, confidence, coverage float64) (Wear, error) {
	from := 0
	for i := 1; i < len(strokes); i++ {
		if strokes[i] < strokes[i-1] {
			from = i
		}
	}
	r, err := Regress(strokes[from:], pressure[from:])
	if err != nil {
		return Wear{}, err
	}
	w := Wear{Regression: r, Last: strokes[len(strokes)-1]}
	w.Horizon = w.MostX + (w.MostX - w.LeastX)
	outside := func(x float64) (float64, error) {
		b, err := r.Tolerance(x, confidence, coverage)
		margin := math.Inf(1)
		if l.Low != nil {
			margin = math.Min(margin, b.Low-*l.Low)
		}
		if l.High != nil {
			margin = math.Min(margin, *l.High-b.High)
		}
		return margin, err
	}
	if !l.Any() {
		return w, nil
	}
	now, err := outside(w.Last)
	if err != nil {
		return w, err
	}
	if now <= 0 {
		w.Reached = true
		return w, nil
	}
	const steps = 40
	before := w.Last
	for i := 1; i <= steps; i++ {
		x := w.Last + (w.Horizon-w.Last)*float64(i)/steps
		m, err := outside(x)
		if err != nil {
			return w, err
		}
		if m <= 0 {
			at, err := root(func(x float64) float64 { m, _ := outside(x); return m }, before, x)
			if err != nil {
				return w, err
			}
			left := at - w.Last
			w.StrokesLeft = &left
			return w, nil
		}
		before = x
	}
	return w, nil
}
