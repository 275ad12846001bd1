package lot_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"ventward/analysis/lot"
)

var st = lot.Statement{Confidence: 0.95, Coverage: 0.99}

func limits(low, high float64) lot.Limits {
	l := lot.Limits{}
	if low > 0 {
		low *= 1e5
		l.Low = &low
	}
	if high > 0 {
		high *= 1e5
		l.High = &high
	}
	return l
}

// group makes a group of valid shots from bar gauge.
func group(bar ...float64) lot.Group {
	g := lot.Group{Lot: "B-1", Feature: lot.BottomVent}
	for i, v := range bar {
		g.Shots = append(g.Shots, lot.Shot{Lot: "B-1", ID: fmt.Sprint(i + 1), Feature: lot.BottomVent, PressurePa: v * 1e5, Status: lot.Valid})
	}
	return g
}

func with(g lot.Group, status lot.Status, bar float64) lot.Group {
	g.Shots = append(g.Shots, lot.Shot{Lot: g.Lot, ID: "x" + string(status), Feature: g.Feature, PressurePa: bar * 1e5, Status: status})
	return g
}

var ten = []float64{27.1, 27.9, 28.3, 27.6, 28.0, 27.7, 28.4, 27.3, 28.1, 27.8}

func TestVerdict(t *testing.T) {
	// mean 27.82, s 0.41312; two-sided k(10) 4.43691, one-sided 3.98112
	// (checkvalues tol.k2.10.0.99.0.95 and tol.k1.10.0.99.0.95).
	for name, c := range map[string]struct {
		g    lot.Group
		l    lot.Limits
		want lot.Verdict
	}{
		"both, inside":            {group(ten...), limits(25.9, 29.7), lot.Pass},
		"both, low side out":      {group(ten...), limits(26.0, 32), lot.Fail},
		"both, high side out":     {group(ten...), limits(25, 29.6), lot.Fail},
		"low only, holds":         {group(ten...), limits(26.17, 0), lot.Pass},
		"low only, doesn't":       {group(ten...), limits(26.18, 0), lot.Fail},
		"high only, holds":        {group(ten...), limits(0, 29.47), lot.Pass},
		"high only, doesn't":      {group(ten...), limits(0, 29.46), lot.Fail},
		"no limits":               {group(ten...), lot.Limits{}, lot.None},
		"one shot":                {group(28), limits(25, 32), lot.Undecided},
		"no spread":               {group(28, 28, 28), limits(25, 32), lot.Undecided},
		"none valid":              {with(group(), lot.Invalid, 28), limits(25, 32), lot.Undecided},
		"early abort":             {with(group(ten...), lot.Aborted, 12), limits(25, 32), lot.Pass},
		"bound where lot opens":   {with(group(ten...), lot.Saturated, 28.2), limits(25, 32), lot.Undecided},
		"bound above upper limit": {with(group(ten...), lot.Aborted, 33), limits(25, 32), lot.Fail},
		"invalid changes nothing": {with(group(ten...), lot.Invalid, 99), limits(25.9, 29.7), lot.Pass},
	} {
		s := lot.Describe(c.g, c.l, st)
		if s.Verdict != c.want {
			t.Errorf("%s: %s (%s), want %s", name, s.Verdict, s.Why, c.want)
		}
		if (s.Verdict == lot.Undecided) != (s.Why != "") {
			t.Errorf("%s: %s with reason %q", name, s.Verdict, s.Why)
		}
	}
}

// What can't be computed is absent with a reason, never zero or NaN.
func TestAbsent(t *testing.T) {
	for name, g := range map[string]lot.Group{"none": with(group(), lot.Invalid, 20), "one": group(28), "no spread": group(28, 28, 28, 28)} {
		s := lot.Describe(g, limits(25, 32), st)
		for field, absent := range map[string]bool{"tolerance_barg": s.ToleranceLow == nil, "one_sided_lower_barg": s.LowerOne == nil, "ad_p": s.Anderson == nil,
			"grubbs": s.Grubbs == nil, "cpk": s.Capability == nil, "weibull": s.Weibull == nil} {
			if !absent || s.Absent[field] == "" {
				t.Errorf("%s: %s is there, or gives no reason (%q)", name, field, s.Absent[field])
			}
			if strings.HasPrefix(s.Absent[field], "lot: ") {
				t.Errorf("%s: the reason of %s carries the package's name", name, field)
			}
		}
	}
}

// Excluding a shot or marking it a bound is the only way to take it out of the
// statistics: the flagged outlier stays in.
func TestOutlierStaysIn(t *testing.T) {
	s := lot.Describe(group(append([]float64{33}, ten...)...), limits(25, 32), st)
	if s.Grubbs == nil || !s.Grubbs.Flagged() || s.GrubbsShot != "1" || s.N != 11 || *s.Max != 33e5 || len(s.Outside) != 1 {
		t.Errorf("n %d, max %v, Grubbs %+v of shot %s, outside %d", s.N, *s.Max, s.Grubbs, s.GrubbsShot, len(s.Outside))
	}
}

// The advice is right: one shot fewer would not do.
func TestAdvise(t *testing.T) {
	for _, l := range []lot.Limits{limits(40, 0), limits(0, 50), limits(41, 52)} {
		mean, s := 46.5e5, 1.6e5
		p := must(lot.Advise(mean, s, l, 0.95, 0.99))
		factor := lot.OneSidedFactor
		if l.Both() {
			factor = lot.TwoSidedFactor
		}
		if p.Shots == 0 {
			if must(factor(p.Most, 0.95, 0.99)) <= p.K {
				t.Errorf("%+v: no number of shots, but %d would do", l, p.Most)
			}
			continue
		}
		if must(factor(p.Shots, 0.95, 0.99)) > p.K || must(factor(p.Shots-1, 0.95, 0.99)) <= p.K {
			t.Errorf("%+v: %d shots advised, factor allowed %.4f", l, p.Shots, p.K)
		}
		if p.ZeroFailures != 299 { // Wilks, 95/99: checkvalues wilks1.0.99.0.95
			t.Errorf("%d shots without a failure, want 299", p.ZeroFailures)
		}
	}
}

func TestSplitNeverPoolsSilently(t *testing.T) {
	v := func(x float64) *float64 { return &x }
	shot := func(id string, edit func(*lot.Shot)) lot.Shot {
		s := lot.Shot{Lot: "B-1", ID: id, Feature: lot.BottomVent, PressurePa: 28e5, Status: lot.Valid}
		edit(&s)
		return s
	}
	base := []lot.Shot{
		shot("1", func(s *lot.Shot) { s.RampPaS, s.TemperatureC = v(0.95e5), v(22.1) }),
		shot("2", func(s *lot.Shot) { s.RampPaS, s.TemperatureC = v(1.08e5), v(25.4) }),
	}
	if g := lot.Split(base, nil); len(g) != 1 || len(g[0].Apart) != 0 {
		t.Fatalf("scatter of a set ramp and of a room split the lot: %+v", g)
	}
	for c, edit := range map[lot.Condition]func(*lot.Shot){
		lot.ByDie:         func(s *lot.Shot) { s.Die = "D3" },
		lot.ByMedium:      func(s *lot.Shot) { s.Medium = "water" },
		lot.ByTrigger:     func(s *lot.Shot) { s.Trigger = "nail" },
		lot.BySurrounding: func(s *lot.Shot) { s.Surrounding = "module" },
		lot.ByRamp:        func(s *lot.Shot) { s.RampPaS = v(5e5) },
		lot.ByTemperature: func(s *lot.Shot) { s.TemperatureC = v(60) },
	} {
		third := base[1]
		third.ID = "3"
		edit(&third)
		shots := append(append([]lot.Shot{}, base...), third)
		g := lot.Split(shots, nil)
		if len(g) != 2 || len(g[0].Shots) != 2 || len(g[0].Apart) != 1 || g[0].Apart[0].Condition != c {
			t.Errorf("%s: %d groups %+v, want two apart by it", c, len(g), g)
		}
		g = lot.Split(shots, []lot.Condition{c})
		if len(g) != 1 || len(g[0].Pooled) != 1 || g[0].Pooled[0] != c {
			t.Errorf("%s: pooled as asked gives %+v", c, g)
		}
	}
}

func TestPairs(t *testing.T) {
	make := func(feature, die string, bar ...float64) lot.Summary {
		g := group(bar...)
		g.Feature = feature
		if die != "" {
			g.Apart = []lot.Stated{{Condition: lot.ByDie, Value: die}}
		}
		return lot.Describe(g, lot.Limits{}, st)
	}
	top, bottom, can := make(lot.TopVent, "", 19, 19.4, 19.9), make(lot.BottomVent, "D1", 27, 27.4, 28), make(lot.Housing, "", 45, 46, 48)
	if p := lot.Pairs([]lot.Summary{can, top, bottom}, 0.95); len(p) != 2 || p[0].First.Group.Feature != lot.TopVent || p[1].Second.Group.Feature != lot.Housing {
		t.Errorf("%d pairs, want top to bottom vent and bottom vent to housing", len(p))
	}
	if p := lot.Pairs([]lot.Summary{can, top}, 0.95); len(p) != 1 || p[0].Second.Group.Feature != lot.Housing {
		t.Errorf("without a bottom vent the top vent and the housing are neighbours: %+v", p)
	}
	other := make(lot.BottomVent, "D2", 27, 27.4, 28)
	if p := lot.Pairs([]lot.Summary{top, bottom, other}, 0.95); len(p) != 2 {
		t.Errorf("%d pairs with two dies, want one each", len(p))
	}
	one := make(lot.BottomVent, "", 27)
	if p := lot.Pairs([]lot.Summary{top, one}, 0.95); len(p) != 1 || p[0].Absent == "" {
		t.Errorf("a single shot gives an order: %+v", p)
	}
}

// The lower bound of beta covers the true one as often as it says, within what
// so many trials can tell.
func TestOrderBoundCovers(t *testing.T) {
	const seed, trials = 7, 1500
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 1))
	for _, c := range []struct {
		n1, n2 int
		s1, s2 float64
	}{{10, 10, 1, 1}, {30, 10, 0.45, 1.7}, {5, 30, 1, 0.5}} {
		truth := 4.0
		gap := truth * math.Hypot(c.s1, c.s2)
		covered := 0
		for range trials {
			a, b := make([]float64, c.n1), make([]float64, c.n2)
			for i := range a {
				a[i] = 20 + c.s1*rng.NormFloat64()
			}
			for i := range b {
				b[i] = 20 + gap + c.s2*rng.NormFloat64()
			}
			if lot.BetaBelow(a, b, truth) >= 0.05 {
				covered++
			}
		}
		t.Logf("%+v: covered %.4f", c, float64(covered)/trials)
		if share := float64(covered) / trials; share < 0.93 || share > 0.985 {
			t.Errorf("%+v: the bound holds in %.3f of the trials, want about 0.95", c, share)
		}
	}
}

// The bound is where the distribution says, beta is what it is defined as, and
// where one feature does not scatter the bound is that of the noncentral t.
func TestOrder(t *testing.T) {
	a, b := ten, []float64{45.1, 46.9, 48.2, 44.3, 47.7}
	o := must(lot.OpeningOrder(a, b, 0.95))
	near(t, "beta", o.Beta, (lot.Mean(b)-lot.Mean(a))/lot.Hypot(a, b), 1e-13)
	near(t, "tail at the bound", lot.BetaBelow(a, b, o.BetaLower), 0.05, 1e-7)
	near(t, "probability", o.PWrong, 0.5*math.Erfc(o.Beta/math.Sqrt2), 1e-12)
	if !o.Capped && o.PWrongUpper < lot.SmallestClaim || o.PWrongUpper < o.PWrong {
		t.Errorf("%+v: a bound below the estimate or the cap", o)
	}
	// One feature without scatter: exact, t' with n-1 degrees of freedom. The
	// bound L of (m - c)/s solves P(T' >= sqrt n beta; sqrt n L) = 0.05.
	n := math.Sqrt(10)
	o = must(lot.OpeningOrder([]float64{20, 20, 20}, a, 0.95))
	near(t, "noncentral t at the bound", lot.NoncentralT(n*o.Beta, 9, n*o.BetaLower), 0.95, 1e-4)
	back := must(lot.OpeningOrder(a, []float64{20, 20.5, 21}, 0.95))
	if back.Beta >= 0 || back.BetaLower >= back.Beta || back.PWrong < 0.99 {
		t.Errorf("the wrong way round: %+v", back)
	}
}

// The tolerance interval covers the share it claims as often as it says.
func TestToleranceCovers(t *testing.T) {
	const seed, trials, n = 3, 4000, 10
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 2))
	k := must(lot.TwoSidedFactor(n, 0.9, 0.95))
	phi := func(z float64) float64 { return 0.5 * math.Erfc(-z/math.Sqrt2) }
	held := 0
	x := make([]float64, n)
	for range trials {
		for i := range x {
			x[i] = rng.NormFloat64()
		}
		m, s := lot.Mean(x), lot.SD(x)
		if phi(m+k*s)-phi(m-k*s) >= 0.95 {
			held++
		}
	}
	if share := float64(held) / trials; math.Abs(share-0.9) > 0.02 {
		t.Errorf("95 %% of the lot covered in %.3f of the trials, want 0.9", share)
	}
}
