package lot

import (
	"errors"
	"fmt"
	"math"
)

// Verdict is the answer of a lot's statement.
type Verdict string

const (
	Pass      Verdict = "pass"
	Fail      Verdict = "fail"
	None      Verdict = "none"      // there are no limits to hold against
	Undecided Verdict = "undecided" // the shots don't allow a statement
)

// A Statement is what is to be shown: with Confidence at least Coverage of the
// lot lies within the limits.
type Statement struct{ Confidence, Coverage float64 }

// Check refuses fractions that no statement uses.
func (s Statement) Check() error { return checkStatement(s.Confidence, s.Coverage) }

// levels of the tests that only flag.
const (
	grubbsLevel = 0.05
	doubtfulP   = 0.05 // normality is doubted below
)

// A Summary describes one group of shots. Pressures are Pa gauge. A nil field
// was not computed; Absent says why, by the name that the field has in JSON.
type Summary struct {
	Group     Group
	Limits    Limits
	Statement Statement

	N        int // openings: valid shots
	Censored []Shot
	Excluded []Shot
	Outside  []Shot // openings and bounds that lie outside the limits

	Mean, S, Min, Max  *float64
	KOne, KTwo         *float64
	ToleranceLow       *float64 // mean - KTwo s
	ToleranceHigh      *float64
	LowerOne, UpperOne *float64 // mean -+ KOne s
	Anderson, Shapiro  *Normality
	Grubbs             *Outlier
	GrubbsShot         string
	Capability         *Capability
	MeasurementPa      *float64       // standard deviation of the measurement itself, root mean square of the shots that state it
	Repeatability      *Repeatability // of the measurement against the lot's spread
	Weibull, Lognormal *Fit
	CensoredNormal     *Fit  // where a bound matters
	Plan               *Plan // where the statement was not shown
	Wear               *Wear
	Thickness          *Regression
	ThicknessWindow    *Bound // residual thickness that keeps the next piece within limits

	Verdict Verdict
	Why     string // of Undecided
	// Matters counts the censored shots whose bound reaches into the range in
	// which the lot opens: leaving those out would bias mean and s.
	Matters int
	Absent  map[string]string
}

// Describe computes everything about one group. The statement must have been
// checked.
func Describe(g Group, l Limits, st Statement) Summary {
	s := Summary{Group: g, Limits: l, Statement: st, Absent: map[string]string{}}
	exact, atLeast := s.sort()
	s.N = len(exact)
	s.moments(exact)
	s.repeatability()
	s.tolerance()
	s.tests(exact)
	s.fits(exact, atLeast)
	s.trends()
	s.judge(exact, atLeast)
	return s
}

// sort takes the shots apart by status.
func (s *Summary) sort() (exact, atLeast []float64) {
	for _, shot := range s.Group.Shots {
		switch {
		case shot.Status == Invalid:
			s.Excluded = append(s.Excluded, shot)
			continue
		case shot.Status.AtLeast():
			s.Censored = append(s.Censored, shot)
			atLeast = append(atLeast, shot.PressurePa)
			if s.Limits.High != nil && shot.PressurePa > *s.Limits.High {
				s.Outside = append(s.Outside, shot)
			}
			continue
		}
		exact = append(exact, shot.PressurePa)
		if !s.Limits.Holds(shot.PressurePa) {
			s.Outside = append(s.Outside, shot)
		}
	}
	return exact, atLeast
}

// absent notes the reason for fields that can't be given.
func (s *Summary) absent(why string, names ...string) {
	for _, n := range names {
		if s.Absent[n] == "" {
			s.Absent[n] = why
		}
	}
}

func (s *Summary) moments(x []float64) {
	switch {
	case len(x) == 0:
		s.absent("no valid shot", "mean_barg", "s_bar", "min_barg", "max_barg")
		return
	case len(x) == 1:
		s.absent("one valid shot has no spread", "s_bar")
	}
	mean, least, most := Mean(x), x[0], x[0]
	for _, v := range x {
		least, most = math.Min(least, v), math.Max(most, v)
	}
	s.Mean, s.Min, s.Max = &mean, &least, &most
	if len(x) > 1 {
		sd := SD(x)
		s.S = &sd
	}
}

// repeatability judges whether the measurement is fine enough for the lot.
func (s *Summary) repeatability() {
	sum, n := 0.0, 0
	for i := range s.Group.Shots {
		if x := &s.Group.Shots[i]; x.Status == Valid && x.MeasurementPa != nil {
			sum += *x.MeasurementPa * *x.MeasurementPa
			n++
		}
	}
	if n == 0 {
		s.absent("no shot states the measurement's own standard deviation", "measurement_ratio")
		return
	}
	m := math.Sqrt(sum / float64(n))
	s.MeasurementPa = &m
	if ok, why := s.spread(); !ok {
		s.absent(why, "measurement_ratio")
		return
	}
	if r, err := CheckRepeatability(m, *s.S); err == nil {
		s.Repeatability = &r
	} else {
		s.absent(plain(err), "measurement_ratio")
	}
}

// spread tells whether there is a spread to build statements on, and if not,
// why.
func (s *Summary) spread() (bool, string) {
	switch {
	case s.N == 0:
		return false, "no valid shot"
	case s.N == 1:
		return false, "one valid shot has no spread"
	case !(*s.S > 0):
		return false, "all valid shots read the same (s = 0): the readings are too coarse for a statement"
	}
	return true, ""
}

func (s *Summary) tolerance() {
	ok, why := s.spread()
	if s.N >= 2 {
		one, err1 := OneSidedFactor(s.N, s.Statement.Confidence, s.Statement.Coverage)
		two, err2 := TwoSidedFactor(s.N, s.Statement.Confidence, s.Statement.Coverage)
		if err := errors.Join(err1, err2); err != nil {
			ok, why = false, err.Error()
			s.absent(why, "k_one_sided", "k_two_sided")
		} else {
			s.KOne, s.KTwo = &one, &two
		}
	} else {
		s.absent("a factor needs 2 valid shots", "k_one_sided", "k_two_sided")
	}
	if !ok {
		s.absent(why, "tolerance_barg", "one_sided_lower_barg", "one_sided_upper_barg")
		return
	}
	at := func(k float64) *float64 { v := *s.Mean + k**s.S; return &v }
	s.ToleranceLow, s.ToleranceHigh = at(-*s.KTwo), at(*s.KTwo)
	s.LowerOne, s.UpperOne = at(-*s.KOne), at(*s.KOne)
}

func (s *Summary) tests(x []float64) {
	if ad, err := AndersonDarling(x); err == nil {
		s.Anderson = &ad
	} else {
		s.absent(plain(err), "ad_statistic", "ad_p")
	}
	if sw, err := ShapiroWilk(x); err == nil {
		s.Shapiro = &sw
	} else {
		s.absent(plain(err), "sw_statistic", "sw_p")
	}
	if o, err := Grubbs(x, grubbsLevel); err == nil {
		s.Grubbs = &o
		s.GrubbsShot = s.nthValid(o.Index)
	} else {
		s.absent(plain(err), "grubbs")
	}
	ok, why := s.spread()
	switch {
	case !s.Limits.Any():
		s.absent("no acceptance limits given", "cpk")
	case !ok:
		s.absent(why, "cpk")
	default:
		if c, err := Capable(*s.Mean, *s.S, s.N, s.Limits, s.Statement.Confidence); err == nil {
			s.Capability = &c
		}
	}
}

// nthValid returns the id of the i-th valid shot.
func (s *Summary) nthValid(i int) string {
	for _, shot := range s.Group.Shots {
		if shot.Status != Valid {
			continue
		}
		if i == 0 {
			return shot.ID
		}
		i--
	}
	return ""
}

func (s *Summary) fits(exact, atLeast []float64) {
	if w, err := FitBounds(Weibull, exact, atLeast, s.Statement.Confidence, s.Statement.Coverage); err == nil {
		s.Weibull = &w
	} else {
		s.absent(plain(err), "weibull")
	}
	if l, err := FitBounds(Lognormal, exact, atLeast, s.Statement.Confidence, s.Statement.Coverage); err == nil {
		s.Lognormal = &l
	} else {
		s.absent(plain(err), "lognormal")
	}
}

// fewest shots on which a trend is drawn.
const fewestForTrend = 5

// trends fits the pressure against the residual thickness and the strokes of
// the punch, where the valid shots state them and come from one die.
func (s *Summary) trends() {
	var thick, pt, strokes, ps []float64
	die, dies := "", 0
	for _, shot := range s.Group.Shots {
		if shot.Status != Valid {
			continue
		}
		if dies == 0 || shot.Die != die {
			die = shot.Die
			dies++
		}
		if shot.ResidualM != nil {
			thick, pt = append(thick, *shot.ResidualM), append(pt, shot.PressurePa)
		}
	}
	for _, shot := range InProduction(s.Group.Shots) {
		strokes, ps = append(strokes, *shot.Strokes), append(ps, shot.PressurePa)
	}
	if dies > 1 {
		return
	}
	if len(thick) >= fewestForTrend {
		if r, err := Regress(thick, pt); err == nil {
			s.Thickness = &r
			if w, err := r.Window(s.Limits, s.Statement.Confidence); err == nil {
				s.ThicknessWindow = &w
			}
		}
	}
	if len(strokes) >= fewestForTrend {
		if w, err := PunchWear(strokes, ps, s.Limits, s.Statement.Confidence, s.Statement.Coverage); err == nil {
			s.Wear = &w
		}
	}
}

// judge holds the tolerance limits against the acceptance limits: both limits,
// the two-sided interval inside them; one limit, the one-sided bound.
func (s *Summary) judge(exact, atLeast []float64) {
	ok, why := s.spread()
	if ok && s.LowerOne != nil {
		for _, v := range atLeast {
			if v > *s.LowerOne {
				s.Matters++
			}
		}
	}
	if s.Matters > 0 {
		if f, err := FitBounds(Normal, exact, atLeast, s.Statement.Confidence, s.Statement.Coverage); err == nil {
			s.CensoredNormal = &f
		}
	}
	switch {
	case !s.Limits.Any():
		s.Verdict = None
		return
	case s.heldAbove():
		s.Verdict = Fail
	case !ok:
		s.Verdict, s.Why = Undecided, why
		return
	case s.LowerOne == nil:
		s.Verdict, s.Why = Undecided, s.Absent["tolerance_barg"]
		return
	case s.Matters > 0:
		s.Verdict = Undecided
		s.Why = fmt.Sprintf("%d of the shots only held \"at least\" a pressure in the range in which the lot opens, and exact tolerance limits can't use a bound", s.Matters)
	case s.inside():
		s.Verdict = Pass
		return
	default:
		s.Verdict = Fail
	}
	if ok {
		if p, err := Advise(*s.Mean, *s.S, s.Limits, s.Statement.Confidence, s.Statement.Coverage); err == nil {
			s.Plan = &p
		}
	}
}

// heldAbove tells whether a piece surely opens above the upper limit: it held
// more than that.
func (s *Summary) heldAbove() bool {
	for i := range s.Outside {
		if s.Outside[i].Status.AtLeast() {
			return true
		}
	}
	return false
}

func (s *Summary) inside() bool {
	if s.Limits.Both() {
		return *s.ToleranceLow >= *s.Limits.Low && *s.ToleranceHigh <= *s.Limits.High
	}
	if s.Limits.Low != nil {
		return *s.LowerOne >= *s.Limits.Low
	}
	return *s.UpperOne <= *s.Limits.High
}

// Doubtful tells whether the shots contradict a normal distribution, on which
// the tolerance limits rest.
func (s *Summary) Doubtful() bool { return s.Anderson != nil && s.Anderson.P < doubtfulP }

// Openings returns the valid pressures in the order of the shots.
func (s *Summary) Openings() []float64 {
	var out []float64
	for _, shot := range s.Group.Shots {
		if shot.Status == Valid {
			out = append(out, shot.PressurePa)
		}
	}
	return out
}

// plain drops the package's name from a reason that a reader sees.
func plain(err error) string {
	const prefix = "lot: "
	t := err.Error()
	if len(t) > len(prefix) && t[:len(prefix)] == prefix {
		t = t[len(prefix):]
	}
	return t
}

// A Pair is two neighbouring features of one lot, or of lots named together.
type Pair struct {
	First, Second *Summary
	Order         Order
	Absent        string // why there is no order
}

// Pairs sets neighbouring features of the summaries against each other. The
// summaries must belong together: one lot's, or lots that the caller names.
func Pairs(sums []Summary, confidence float64) []Pair {
	var present []string
	for _, f := range features {
		for i := range sums {
			if sums[i].Group.Feature == f {
				present = append(present, f)
				break
			}
		}
	}
	var out []Pair
	for i := 1; i < len(present); i++ {
		for a := range sums {
			for b := range sums {
				if sums[a].Group.Feature != present[i-1] || sums[b].Group.Feature != present[i] || !InBothOrders(&sums[a].Group, &sums[b].Group) {
					continue
				}
				p := Pair{First: &sums[a], Second: &sums[b]}
				o, err := OpeningOrder(sums[a].Openings(), sums[b].Openings(), confidence)
				if err != nil {
					p.Absent = plain(err)
				}
				p.Order = o
				out = append(out, p)
			}
		}
	}
	return out
}
