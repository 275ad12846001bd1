package lot

import (
	"fmt"
	"math"
)

// SmallestClaim caps what is claimed from a normal tail: no number of shots
// that a lab can afford shows that the tail holds further out, so an upper
// bound of a probability is never stated below it.
const SmallestClaim = 1e-6

// An Order is the safety of the opening order of two features: the first ought
// to open before the second.
type Order struct {
	Beta        float64 // (m2 - m1)/sqrt(s1² + s2²)
	BetaLower   float64 // lower confidence bound
	PWrong      float64 // Phi(-Beta)
	PWrongUpper float64 // Phi(-BetaLower), not below SmallestClaim
	Capped      bool
	Method      string
}

// OpeningOrder computes the probability that a piece's second feature opens
// before its first, both normal and independent, from separate samples with
// means m, standard deviations s and numbers n.
//
// The lower bound of beta is the quantile of its generalised pivotal quantity
//
//	(d - Z sqrt(V1/n1 + V2/n2)) / sqrt(V1 + V2),  Vi = (ni-1) si²/chi²_(ni-1),
//
// with the means' difference d (Krishnamoorthy, Mathew and Ramachandran, 2007;
// from memory). It is computed, not simulated: with W = chi²_1 + chi²_2 and
// B = chi²_1/W, which are independent, what is left given B is a noncentral t.
// The simpler approximation by Satterthwaite's degrees of freedom claims too
// much where the feature with fewer shots scatters more; a test shows how
// often this bound holds.
func OpeningOrder(first, second []float64, confidence float64) (Order, error) {
	if err := checkStatement(confidence, leastPercent); err != nil {
		return Order{}, err
	}
	s1, s2 := SD(first), SD(second)
	if len(first) < 2 || len(second) < 2 || !(s1*s1+s2*s2 > 0) {
		return Order{}, fmt.Errorf("lot: an opening order needs 2 shots of each feature and a spread, there are %d and %d", len(first), len(second))
	}
	d := Mean(second) - Mean(first)
	o := Order{Beta: d / math.Hypot(s1, s2)}
	p := newPivot(s1, s2, len(first), len(second))
	e := math.Hypot(s1/math.Sqrt(float64(len(first))), s2/math.Sqrt(float64(len(second)))) / math.Hypot(s1, s2)
	step := e + math.Abs(o.Beta)/math.Sqrt(float64(2*(min(len(first), len(second))-1)))
	f := func(down float64) float64 { return p.below(o.Beta-down, d) - (1 - confidence) }
	down, err := rootUp(f, 0, 2*step, 200*step)
	if err != nil {
		return Order{}, fmt.Errorf("lot: no bound of the opening order with %d and %d shots: take more", len(first), len(second))
	}
	o.BetaLower = o.Beta - down
	o.PWrong, o.PWrongUpper = cdf(-o.Beta), cdf(-o.BetaLower)
	o.Method = "normal distributions, independent; lower bound by the generalised pivotal quantity"
	if o.PWrongUpper < SmallestClaim {
		o.PWrongUpper, o.Capped = SmallestClaim, true
		o.Method += "; no claim from a normal tail below 1e-6"
	}
	return o, nil
}

// A pivot is the distribution of beta's generalised pivotal quantity but for
// the difference of the means.
type pivot struct {
	dof  float64 // of W
	t    *noncentral
	a, c []float64 // sqrt(V1+V2) and sqrt(V1/n1+V2/n2), each times sqrt W, at the nodes of B
	w    []float64 // weights, with the density of B
}

// newPivot places nodes over B = sin² theta, whose density
// sin^(nu1-1) cos^(nu2-1) is regular from one degree of freedom on.
func newPivot(s1, s2 float64, n1, n2 int) *pivot {
	nu1, nu2 := float64(n1-1), float64(n2-1)
	p := &pivot{dof: nu1 + nu2, t: newNoncentral(nu1 + nu2)}
	mode := math.Atan(math.Sqrt(nu1 / nu2))
	const far = 9
	spread := far / math.Sqrt(2*(nu1+nu2))
	theta, w := nodes(48, math.Max(0, mode-spread), math.Min(math.Pi/2, mode+spread))
	sum := 0.0
	for i, th := range theta {
		sin, cos := math.Sincos(th)
		v1, v2 := nu1*s1*s1/(sin*sin), nu2*s2*s2/(cos*cos)
		p.a = append(p.a, math.Sqrt(v1+v2))
		p.c = append(p.c, math.Sqrt(v1/float64(n1)+v2/float64(n2)))
		w[i] *= math.Exp((nu1-1)*math.Log(sin) + (nu2-1)*math.Log(cos) - (nu1-1)*math.Log(math.Sin(mode)) - (nu2-1)*math.Log(math.Cos(mode)))
		sum += w[i]
	}
	for i := range w {
		w[i] /= sum
	}
	p.w = w
	return p
}

// below is the probability that the quantity lies below b.
func (p *pivot) below(b, d float64) float64 {
	sum := 0.0
	for i := range p.w {
		sum += p.w[i] * (1 - p.t.cdf(d*math.Sqrt(p.dof)/p.c[i], b*p.a[i]/p.c[i]))
	}
	return sum
}
