package analysis

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

func linear(x []float64) float64 {
	sum := 0.0
	for _, v := range x {
		sum += v
	}
	return sum
}

// TestCorrelated: inputs of one group add before the square, apart they add in
// square, and a difference of two readings of one channel loses the common part
// (GUM 5.2.2).
func TestCorrelated(t *testing.T) {
	in := []Input{{Name: "a", Value: 10, U: 3, Common: "channel"}, {Name: "b", Value: 4, U: 3, Common: "channel"}, {Name: "c", U: 4}}
	sum := Budget{Name: "sum", Inputs: in, Model: linear}
	difference := Budget{Name: "difference", Inputs: in, Model: func(x []float64) float64 { return x[0] - x[1] + x[2] }}
	for _, c := range []struct {
		b    *Budget
		want float64
	}{{&sum, math.Hypot(6, 4)}, {&difference, 4}} {
		got, err := c.b.Evaluate(0.95)
		if err != nil || math.Abs(got.U-c.want) > 1e-9 {
			t.Errorf("%s: u %g, want %g (%v)", c.b.Name, got.U, c.want, err)
		}
		const seed = 41
		p, err := c.b.Propagate(got, 400_000, rand.New(rand.NewPCG(seed, 0)).Float64)
		if err != nil || math.Abs(p.U/c.want-1) > 0.02 || !p.Agrees {
			t.Errorf("%s: propagated %+v (%v), seed %d", c.b.Name, p, err, seed)
		}
	}
	apart := sum
	apart.Inputs = []Input{{Name: "a", U: 3}, {Name: "b", U: 3}, {Name: "c", U: 4}}
	if got, err := apart.Evaluate(0.95); err != nil || math.Abs(got.U-math.Sqrt(34)) > 1e-9 {
		t.Errorf("apart: %g (%v)", got.U, err)
	}
}

// TestShapes: each shape drawn has mean 0 and the standard deviation stated.
func TestShapes(t *testing.T) {
	for s := Normal; s <= Arcsine; s++ {
		in := Input{Shape: s}
		sum, square, n := 0.0, 0.0, 200000
		for i := range n {
			x := in.quantile((float64(i) + 0.5) / float64(n))
			sum, square = sum+x, square+x*x
		}
		if m, v := sum/float64(n), square/float64(n); math.Abs(m) > 1e-6 || math.Abs(v-1) > 1e-3 {
			t.Errorf("%v: mean %g, variance %g", s, m, v)
		}
	}
	if in := (Input{Shape: StudentT, Dof: 5}); math.Abs(in.quantile(0.975)-2.571) > 1e-3 { // GUM table G.2
		t.Errorf("t of 5: %g", in.quantile(0.975))
	}
}

// TestBudgetProperties: shares add up to 1, the expanded is at least k = 1.96 of
// the standard, effective degrees of freedom are no fewer than the fewest and no
// more than the sum (Welch and Satterthwaite).
func TestBudgetProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b := Budget{Name: "b", Model: linear}
		least, most := math.Inf(1), 0.0
		for range rapid.IntRange(1, 6).Draw(t, "n") {
			nu := float64(rapid.IntRange(1, 50).Draw(t, "dof"))
			least, most = math.Min(least, nu), most+nu
			b.Inputs = append(b.Inputs, Input{Name: "x", Value: rapid.Float64Range(-10, 10).Draw(t, "v"), U: rapid.Float64Range(0.01, 5).Draw(t, "u"), Dof: nu})
		}
		c, err := b.Evaluate(0.95)
		if err != nil {
			t.Fatal(err)
		}
		share := 0.0
		for _, r := range c.Rows {
			share += r.Share
			if math.Abs(r.Sensitivity-1) > 1e-6 {
				t.Fatalf("sensitivity %g of a sum", r.Sensitivity)
			}
		}
		if math.Abs(share-1) > 1e-9 || c.Dof < least*(1-1e-6) || c.Dof > most*(1+1e-6) || c.K < 1.9599 {
			t.Fatalf("shares %g, dof %g of %g to %g, k %g", share, c.Dof, least, most, c.K)
		}
	})
}

// TestPropagateDisagrees: a square about nought has no first-order uncertainty,
// and the check says so (JCGM 101, 9.3 has such a case).
func TestPropagateDisagrees(t *testing.T) {
	b := Budget{Name: "square", Inputs: []Input{{Name: "x", U: 1}}, Model: func(x []float64) float64 { return x[0] * x[0] }}
	c, err := b.Evaluate(0.95)
	if err != nil {
		t.Fatal(err)
	}
	p, err := b.Propagate(c, 20000, rand.New(rand.NewPCG(5, 5)).Float64)
	if err != nil || p.Agrees || math.Abs(p.Mean-1) > 0.05 {
		t.Errorf("%+v %+v %v", c, p, err)
	}
}

// TestJudge: within by the guard band, beyond by it, neither; what may be missing
// widens one side only.
func TestJudge(t *testing.T) {
	lo, hi := 10.0, 20.0
	for _, c := range []struct {
		value, u, missed float64
		low, high        *float64
		want             Conformity
	}{
		{15, 1, 0, &lo, &hi, Conforms}, {10.5, 1, 0, &lo, &hi, Undecidable}, {8, 1, 0, &lo, &hi, Fails}, {22, 1, 0, &lo, &hi, Fails},
		{19.5, 1, 0, nil, &hi, Undecidable}, {18, 1, 1.5, &lo, &hi, Undecidable}, {12, 1, 1.5, &lo, &hi, Conforms}, {8.5, 1, 1.5, &lo, &hi, Undecidable},
		{100, 1, 0, &lo, nil, Conforms}, {5, 1, 0, nil, nil, Conforms},
	} {
		x := Combined{Value: c.value, Expanded: c.u}
		if c.missed > 0 {
			x.Missed = []OneSided{{Name: "peak loss", Loss: c.missed}}
		}
		if got := x.Judge(c.low, c.high, 1); got != c.want {
			t.Errorf("%+v: %s", c, got)
		}
	}
}

func TestBudgetRefusals(t *testing.T) {
	fine := Input{Name: "x", Value: 1, U: 1}
	for _, c := range []struct {
		b   Budget
		cov float64
	}{{Budget{Model: linear}, 0.95}, {Budget{Inputs: []Input{fine}}, 0.95}, {Budget{Inputs: []Input{fine}, Model: linear}, 1},
		{Budget{Inputs: []Input{{Name: "neg", U: -1}}, Model: linear}, 0.95}, {Budget{Inputs: []Input{{Name: "nan", Value: math.NaN()}}, Model: linear}, 0.95},
		{Budget{Inputs: []Input{{Name: "t", U: 1, Shape: StudentT}}, Model: linear}, 0.95},
		{Budget{Inputs: []Input{fine}, Model: func(x []float64) float64 { return math.Log(-x[0]) }}, 0.95}} {
		if _, err := c.b.Evaluate(c.cov); err == nil {
			t.Errorf("%+v: no error", c.b.Inputs)
		}
	}
	b := Budget{Inputs: []Input{fine}, Model: linear}
	c, _ := b.Evaluate(0.95)
	if _, err := b.Propagate(c, 5, rand.New(rand.NewPCG(1, 1)).Float64); err == nil || !strings.Contains(err.Error(), "trials") {
		t.Errorf("five trials: %v", err)
	}
	if s := Shape(99).String(); s != "shape 99" || Arcsine.String() != "arcsine" {
		t.Errorf("shape names %q %q", s, Arcsine)
	}
}
