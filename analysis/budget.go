package analysis

import (
	"fmt"
	"math"
	"sort"

	"gonum.org/v1/gonum/stat/distuv"
)

// A Shape is the distribution that an input is drawn from.
type Shape uint8

// The shapes of the Guide's supplement 1 that a bench meets.
const (
	Normal      Shape = iota
	Rectangular       // of half-width √3·U
	Triangular        // of half-width √6·U
	Arcsine           // U-shaped, of half-width √2·U: a hum
	StudentT          // of Dof degrees of freedom, scaled so that U is its scale
)

var shapeNames = [...]string{"normal", "rectangular", "triangular", "arcsine", "t"}

func (s Shape) String() string {
	if int(s) < len(shapeNames) {
		return shapeNames[s]
	}
	return fmt.Sprintf("shape %d", uint8(s))
}

// An Input is one line of an uncertainty budget.
type Input struct {
	Name  string
	Unit  string
	Value float64
	U     float64 // standard uncertainty, k = 1
	Shape Shape
	Dof   float64 // degrees of freedom; 0: known exactly (infinite)
	// Common names what moves together: inputs of one name are fully correlated,
	// as the calibration of one channel is along a run. "" stands alone.
	Common string
}

// OneSided is what may be missing in one direction only: the peak that lag and
// sampling hide. It is a line of its own and never enters a square root.
type OneSided struct {
	Name  string
	Loss  float64 // at most; the true value may be higher by it
	Unit  string
	Cause string
}

// A Budget says how a result depends on its inputs, and how well it is known:
// JCGM 100:2008 (GUM), with JCGM 101:2008 (supplement 1) as check.
type Budget struct {
	Name   string
	Unit   string
	Inputs []Input
	Model  func(x []float64) float64 // keeps no slice
	Missed []OneSided
}

// Row is one line as it is shown.
type Row struct {
	Name         string
	Unit         string
	Value        float64
	U            float64 // standard
	Shape        string
	Dof          float64 // +Inf: known exactly
	Sensitivity  float64 // of the result to the input
	Contribution float64 // |sensitivity|·U, in the result's unit
	Share        float64 // of the variance; correlated inputs share by their group
	Common       string
}

// Combined is an evaluated budget.
type Combined struct {
	Name     string
	Unit     string
	Value    float64
	U        float64 // combined standard uncertainty
	Dof      float64 // effective, Welch and Satterthwaite
	Coverage float64 // wanted probability
	K        float64 // coverage factor, from t
	Expanded float64
	Rows     []Row
	Missed   []OneSided
}

// Evaluate combines to first order, with sensitivities by central differences
// over one standard uncertainty (GUM 5.1.3, note 2), correlated groups added
// before the square (GUM 5.2.2, note 1), and effective degrees of freedom by
// Welch and Satterthwaite (GUM G.4.1), a group counting with the smallest of
// its own. coverage lies between 0 and 1, usually 0.95.
func (b *Budget) Evaluate(coverage float64) (Combined, error) {
	if err := b.check(coverage); err != nil {
		return Combined{}, err
	}
	x := make([]float64, len(b.Inputs))
	for i := range x {
		x[i] = b.Inputs[i].Value
	}
	c := Combined{Name: b.Name, Unit: b.Unit, Coverage: coverage, Value: b.Model(x), Missed: b.Missed}
	groups := map[string]*term{}
	var order []*term
	for i, in := range b.Inputs {
		s := 0.0
		if in.U > 0 {
			x[i] = in.Value + in.U
			hi := b.Model(x)
			x[i] = in.Value - in.U
			s = (hi - b.Model(x)) / (2 * in.U)
			x[i] = in.Value
		}
		dof := in.Dof
		if dof == 0 {
			dof = math.Inf(1)
		}
		c.Rows = append(c.Rows, Row{Name: in.Name, Unit: in.Unit, Value: in.Value, U: in.U, Shape: in.Shape.String(), Dof: dof,
			Sensitivity: s, Contribution: math.Abs(s) * in.U, Common: in.Common})
		g := groups[in.Common]
		if g == nil || in.Common == "" {
			g = &term{dof: dof}
			groups[in.Common] = g
			order = append(order, g)
		}
		g.add(s*in.U, dof)
	}
	c.combine(order)
	if math.IsNaN(c.Value) || math.IsInf(c.Value, 0) || math.IsNaN(c.U) || math.IsInf(c.U, 0) {
		return c, fmt.Errorf("budget %q gives %g with %g: an input lies where the model has no value", b.Name, c.Value, c.U)
	}
	return c, nil
}

// A term is what one independent input, or one group, adds.
type term struct{ sum, dof float64 }

func (t *term) add(x, dof float64) {
	t.sum += x
	t.dof = math.Min(t.dof, dof)
}

func (c *Combined) combine(terms []*term) {
	variance, nu := 0.0, 0.0
	for _, t := range terms {
		variance += t.sum * t.sum
		if !math.IsInf(t.dof, 1) {
			nu += t.sum * t.sum * t.sum * t.sum / t.dof
		}
	}
	c.U = math.Sqrt(variance)
	c.Dof = math.Inf(1)
	if nu > 0 {
		c.Dof = variance * variance / nu
	}
	c.K = CoverageFactor(c.Coverage, c.Dof)
	c.Expanded = c.K * c.U
	squares := 0.0
	for _, r := range c.Rows {
		squares += r.Contribution * r.Contribution
	}
	for i := range c.Rows {
		if squares > 0 {
			c.Rows[i].Share = c.Rows[i].Contribution * c.Rows[i].Contribution / squares
		}
	}
}

// CoverageFactor is the two-sided factor of Student's t for a probability and
// degrees of freedom (GUM table G.2); without limit, that of the normal.
func CoverageFactor(coverage, dof float64) float64 {
	if math.IsInf(dof, 1) || dof > 1e6 {
		return distuv.UnitNormal.Quantile((1 + coverage) / 2)
	}
	return distuv.StudentsT{Sigma: 1, Nu: math.Max(dof, 1)}.Quantile((1 + coverage) / 2)
}

func (b *Budget) check(coverage float64) error {
	switch {
	case b.Model == nil || len(b.Inputs) == 0:
		return fmt.Errorf("budget %q has no model or no inputs", b.Name)
	case !(coverage > 0 && coverage < 1):
		return fmt.Errorf("coverage %g: give a probability above 0 and below 1", coverage)
	}
	for _, in := range b.Inputs {
		if !(in.U >= 0) || math.IsInf(in.U, 0) || math.IsNaN(in.Value) || math.IsInf(in.Value, 0) || !(in.Dof >= 0) {
			return fmt.Errorf("input %q is %g with %g and %g degrees of freedom: give finite numbers, the uncertainty not negative", in.Name, in.Value, in.U, in.Dof)
		}
		if in.Shape == StudentT && in.Dof == 0 {
			return fmt.Errorf("input %q is drawn from t: give its degrees of freedom", in.Name)
		}
	}
	return nil
}

// Propagated is what propagating the distributions gave (JCGM 101:2008).
type Propagated struct {
	Trials    int
	Mean, U   float64
	Low, High float64 // probabilistically symmetric interval
	// Agrees tells whether the interval of Evaluate is this one within the
	// numerical tolerance, half of the second significant digit of the standard
	// uncertainty (JCGM 101, 8.1.2), and three times the scatter of the drawn
	// bounds themselves, which more trials make smaller.
	Agrees    bool
	Tolerance float64
}

// Propagate draws trials from the inputs' shapes, correlated groups from one
// draw, and compares with the combined c.
func (b *Budget) Propagate(c Combined, trials int, chance Chance) (Propagated, error) {
	if err := b.check(c.Coverage); err != nil {
		return Propagated{}, err
	}
	if trials < 100 || trials > 1e7 {
		return Propagated{}, fmt.Errorf("%d trials: give from 100 to ten million", trials)
	}
	y := make([]float64, trials)
	x := make([]float64, len(b.Inputs))
	common := map[string]float64{}
	mean := 0.0
	for k := range y {
		clear(common)
		for i, in := range b.Inputs {
			u, drawn := common[in.Common]
			if !drawn || in.Common == "" {
				u = chance.open()
				common[in.Common] = u
			}
			x[i] = in.Value + in.U*in.quantile(u)
		}
		y[k] = b.Model(x)
		mean += (y[k] - mean) / float64(k+1)
	}
	p := Propagated{Trials: trials, Mean: mean}
	for _, v := range y {
		p.U += (v - mean) * (v - mean)
	}
	p.U = math.Sqrt(p.U / float64(trials-1))
	sort.Float64s(y)
	p.Low, p.High = quantile(y, (1-c.Coverage)/2), quantile(y, (1+c.Coverage)/2)
	p.Tolerance = secondDigit(c.U) / 2
	within := p.Tolerance + 3*boundScatter(c.Coverage, trials)*p.U
	p.Agrees = math.Abs(c.Value-c.Expanded-p.Low) <= within && math.Abs(c.Value+c.Expanded-p.High) <= within
	return p, nil
}

// boundScatter is the standard deviation of a drawn bound in standard
// uncertainties: √(q(1-q)/n)/φ(z), as for a normal result.
func boundScatter(coverage float64, trials int) float64 {
	q := (1 - coverage) / 2
	return math.Sqrt(q*(1-q)/float64(trials)) / distuv.UnitNormal.Prob(distuv.UnitNormal.Quantile(q))
}

// quantile is that of the input's shape, in standard uncertainties.
func (in *Input) quantile(u float64) float64 {
	switch in.Shape {
	case Rectangular:
		return math.Sqrt(3) * (2*u - 1)
	case Triangular:
		if u < 0.5 {
			return math.Sqrt(6) * (math.Sqrt(2*u) - 1)
		}
		return math.Sqrt(6) * (1 - math.Sqrt(2*(1-u)))
	case Arcsine:
		return -math.Sqrt2 * math.Cos(math.Pi*u)
	case StudentT:
		return distuv.StudentsT{Sigma: 1, Nu: in.Dof}.Quantile(u)
	}
	return distuv.UnitNormal.Quantile(u)
}

// secondDigit is one unit of the second significant digit of u.
func secondDigit(u float64) float64 {
	if u <= 0 {
		return 0
	}
	return math.Pow(10, math.Floor(math.Log10(u))-1)
}

// Conformity is a verdict against limits with a guard band.
type Conformity string

// The verdicts (JCGM 106:2012): within the limits by the guard band, beyond one
// by the guard band, or neither.
const (
	Conforms    Conformity = "conforms"
	Fails       Conformity = "does not conform"
	Undecidable Conformity = "cannot be decided"
)

// Judge compares with limits (nil: none) and a guard band of factor times the
// expanded uncertainty on the side of acceptance and of refusal alike (JCGM
// 106:2012, 8.3; factor 1 is the usual w = U). What may be missing on one side
// only widens the band to that side.
func (c *Combined) Judge(low, high *float64, factor float64) Conformity {
	guard := factor * c.Expanded
	missed := 0.0
	for _, m := range c.Missed {
		missed += m.Loss
	}
	from, to := c.Value-guard, c.Value+guard+missed
	switch {
	case low != nil && to < *low, high != nil && from > *high:
		return Fails
	case low != nil && from < *low, high != nil && to > *high:
		return Undecidable
	}
	return Conforms
}
