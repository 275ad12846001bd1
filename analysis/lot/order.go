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
	NU          float64 // effective degrees of freedom
	Method      string
}

// OpeningOrder computes the probability that a piece's second feature opens
// before its first, both normal and independent, from separate samples with
// means m, standard deviations s and numbers n. The lower bound of beta inverts
// the noncentral t with Satterthwaite's degrees of freedom (Reiser and Guttman,
// Technometrics 28, 1986; from memory; its coverage is tested by simulation).
func OpeningOrder(first, second []float64, confidence float64) (Order, error) {
	if err := checkStatement(confidence, leastPercent); err != nil {
		return Order{}, err
	}
	s1, s2 := SD(first), SD(second)
	if len(first) < 2 || len(second) < 2 || !(s1*s1+s2*s2 > 0) {
		return Order{}, fmt.Errorf("lot: an opening order needs 2 shots of each feature and a spread, there are %d and %d", len(first), len(second))
	}
	v := s1*s1 + s2*s2
	o := Order{Beta: (Mean(second) - Mean(first)) / math.Sqrt(v)}
	m := v / (s1*s1/float64(len(first)) + s2*s2/float64(len(second)))
	o.NU = v * v / (math.Pow(s1, 4)/float64(len(first)-1) + math.Pow(s2, 4)/float64(len(second)-1))
	dist := newNoncentral(o.NU)
	t := math.Sqrt(m) * o.Beta
	// P(T <= t) falls as the true beta grows: the lower bound is where the
	// beta seen would be exceeded with probability 1 - confidence only.
	f := func(beta float64) float64 { return dist.cdf(t, math.Sqrt(m)*beta) - confidence }
	span := 10 * (1/math.Sqrt(m) + math.Abs(o.Beta)/math.Sqrt(2*o.NU))
	lower, err := root(f, o.Beta-4*span, o.Beta+span)
	if err != nil {
		return Order{}, fmt.Errorf("lot: no bound of the opening order with %d and %d shots: take more", len(first), len(second))
	}
	o.BetaLower = lower
	o.PWrong, o.PWrongUpper = cdf(-o.Beta), cdf(-o.BetaLower)
	o.Method = "normal distributions, independent; lower bound by the noncentral t with Satterthwaite's degrees of freedom (Reiser and Guttman)"
	if o.PWrongUpper < SmallestClaim {
		o.PWrongUpper, o.Capped = SmallestClaim, true
		o.Method += "; no claim from a normal tail below 1e-6"
	}
	return o, nil
}
