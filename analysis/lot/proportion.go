package lot

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"gonum.org/v1/gonum/mathext"
)

// A Rate is k of n with its exact binomial bounds.
type Rate struct {
	K, N      int
	Estimate  float64
	Low, High float64 // two-sided at the confidence asked for
	UpperOne  float64 // one-sided upper bound at the same confidence: what "zero seen" still allows
}

// ClopperPearson returns the exact binomial bounds of k of n (Clopper and
// Pearson 1934): two-sided and one-sided upper at the given confidence.
func ClopperPearson(k, n int, confidence float64) (Rate, error) {
	if n < 1 || k < 0 || k > n {
		return Rate{}, fmt.Errorf("lot: a rate of %d of %d: the first number must lie between 0 and the second", k, n)
	}
	if err := checkStatement(confidence, leastPercent); err != nil {
		return Rate{}, err
	}
	r := Rate{K: k, N: n, Estimate: float64(k) / float64(n), High: 1, UpperOne: 1}
	a := (1 - confidence) / 2
	if k > 0 {
		r.Low = mathext.InvRegIncBeta(float64(k), float64(n-k+1), a)
	}
	if k < n {
		r.High = mathext.InvRegIncBeta(float64(k+1), float64(n-k), 1-a)
		r.UpperOne = mathext.InvRegIncBeta(float64(k+1), float64(n-k), confidence)
	}
	return r, nil
}

// Fisher returns the two-sided p-value of Fisher's exact test for k1 of n1
// against k2 of n2: the sum of the probabilities of all tables with the same
// margins that are no more probable than the one seen.
func Fisher(k1, n1, k2, n2 int) (float64, error) {
	if n1 < 1 || n2 < 1 || k1 < 0 || k1 > n1 || k2 < 0 || k2 > n2 || n1+n2 > maxShots {
		return math.NaN(), fmt.Errorf("lot: Fisher's test of %d/%d against %d/%d: give counts within their totals", k1, n1, k2, n2)
	}
	k := k1 + k2
	logChoose := func(n, k int) float64 {
		a, _ := math.Lgamma(float64(n + 1))
		b, _ := math.Lgamma(float64(k + 1))
		c, _ := math.Lgamma(float64(n - k + 1))
		return a - b - c
	}
	all := logChoose(n1+n2, k)
	logP := func(i int) float64 { return logChoose(n1, i) + logChoose(n2, k-i) - all }
	seen := logP(k1)
	p := 0.0
	for i := max(0, k-n2); i <= min(k, n1); i++ {
		if l := logP(i); l <= seen+1e-7 {
			p += math.Exp(l)
		}
	}
	return math.Min(p, 1), nil
}

// A Runaway is what one thermal-runaway test says about the housing.
type Runaway struct {
	Lot, ID     string // of the test; may be empty
	Left        string // why it does not count; empty: it does
	Trigger     string // how the runaway was started: mandatory
	Surrounding string // bare, holder, module
	BottomVent  bool
	Breached    bool // the housing broke: side wall, base or crimp
}

// A BreachRate is the breaches of one kind of test.
type BreachRate struct {
	Trigger     string
	Surrounding string
	BottomVent  bool
	Rate        Rate
}

// A BreachContrast compares tests that differ in one thing only.
type BreachContrast struct {
	A, B    int // indices of the rates compared
	Differs string
	P       float64 // Fisher's exact test, two-sided
}

// Breaches groups runaway tests by trigger, surrounding and bottom vent, never
// pooling across them, gives each group its exact rate, and compares those
// that differ in one of the three only.
func Breaches(tests []Runaway, confidence float64) ([]BreachRate, []BreachContrast, error) {
	type key struct {
		trigger, surrounding string
		bottom               bool
	}
	counts := map[key][2]int{}
	for i, t := range tests {
		if t.Left != "" {
			continue
		}
		if t.Trigger == "" {
			return nil, nil, fmt.Errorf("lot: runaway test %d has no trigger: state how it was started, rates are never pooled across triggers", i+1)
		}
		k := key{t.Trigger, t.Surrounding, t.BottomVent}
		c := counts[k]
		c[1]++
		if t.Breached {
			c[0]++
		}
		counts[k] = c
	}
	var rates []BreachRate
	for k, c := range counts {
		r, err := ClopperPearson(c[0], c[1], confidence)
		if err != nil {
			return nil, nil, err
		}
		rates = append(rates, BreachRate{k.trigger, k.surrounding, k.bottom, r})
	}
	slices.SortFunc(rates, func(a, b BreachRate) int {
		if c := strings.Compare(a.Trigger+"\x00"+a.Surrounding, b.Trigger+"\x00"+b.Surrounding); c != 0 {
			return c
		}
		return int(flag(a.BottomVent) - flag(b.BottomVent))
	})
	contrasts, err := contrast(rates)
	return rates, contrasts, err
}

func flag(b bool) float64 {
	if b {
		return 1
	}
	return 0
}

func contrast(rates []BreachRate) ([]BreachContrast, error) {
	var out []BreachContrast
	for i := range rates {
		for j := i + 1; j < len(rates); j++ {
			a, b := &rates[i], &rates[j]
			var differ []string
			if a.Trigger != b.Trigger {
				differ = append(differ, "trigger")
			}
			if a.Surrounding != b.Surrounding {
				differ = append(differ, "surrounding")
			}
			if a.BottomVent != b.BottomVent {
				differ = append(differ, "bottom vent")
			}
			if len(differ) != 1 {
				continue
			}
			p, err := Fisher(a.Rate.K, a.Rate.N, b.Rate.K, b.Rate.N)
			if err != nil {
				return nil, err
			}
			out = append(out, BreachContrast{i, j, differ[0], p})
		}
	}
	return out, nil
}
