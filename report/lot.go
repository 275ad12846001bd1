package report

import (
	"math"
	"strconv"

	"ventward/analysis/lot"
)

// A LotLine describes one lot and feature as users' scripts read it: pressures
// in bar gauge. A nil field was not computed; Absent says why.
type LotLine struct {
	Lot     string `json:"lot"`
	Feature string `json:"feature"`
	// Conditions hold this line apart from others of the same lot and feature.
	Conditions map[string]string `json:"conditions,omitempty"`
	Pooled     []string          `json:"pooled,omitempty"` // conditions that differ and were pooled as asked

	N        int        `json:"n"`
	Censored int        `json:"n_censored"`
	Excluded int        `json:"excluded"`
	Left     []LeftShot `json:"left_out,omitempty"` // censored and excluded shots, each with its reason

	Mean         *float64     `json:"mean_barg,omitempty"`
	S            *float64     `json:"s_bar,omitempty"`
	Min          *float64     `json:"min_barg,omitempty"`
	Max          *float64     `json:"max_barg,omitempty"`
	KOne         *float64     `json:"k_one_sided,omitempty"`
	KTwo         *float64     `json:"k_two_sided,omitempty"`
	Tolerance    *[2]float64  `json:"tolerance_barg,omitempty"`
	LowerOne     *float64     `json:"one_sided_lower_barg,omitempty"`
	UpperOne     *float64     `json:"one_sided_upper_barg,omitempty"`
	AD           *float64     `json:"ad_statistic,omitempty"`
	ADP          *float64     `json:"ad_p,omitempty"`
	SW           *float64     `json:"sw_statistic,omitempty"`
	SWP          *float64     `json:"sw_p,omitempty"`
	Grubbs       *GrubbsLine  `json:"grubbs,omitempty"`
	Cp           *float64     `json:"cp,omitempty"`
	Cpk          *float64     `json:"cpk,omitempty"`
	CpkLower     *float64     `json:"cpk_lower,omitempty"`
	Measurement  *float64     `json:"measurement_s_bar,omitempty"` // of the measurement itself
	Ratio        *float64     `json:"measurement_ratio,omitempty"` // of that to the lot's own spread
	FineEnough   *bool        `json:"measurement_fine_enough,omitempty"`
	Weibull      *WeibullLine `json:"weibull,omitempty"`
	Lognormal    *NormalLine  `json:"lognormal,omitempty"`
	Normal       *NormalLine  `json:"normal_censored,omitempty"`
	Low          *float64     `json:"low_barg,omitempty"`    // acceptance limits
	High         *float64     `json:"high_barg,omitempty"`   //
	LimitsFrom   string       `json:"limits_from,omitempty"` // in words
	Outside      int          `json:"outside_limits"`
	ShotsNeeded  *int         `json:"shots_needed,omitempty"` // with the same mean and s; absent where the statement holds
	StrokesLeft  *float64     `json:"strokes_left,omitempty"`
	BarPerStroke *float64     `json:"bar_per_1000_strokes,omitempty"`
	BarPerUM     *float64     `json:"bar_per_um,omitempty"`
	ThicknessUM  *[2]float64  `json:"residual_window_um,omitempty"`

	Confidence float64           `json:"confidence"`
	Coverage   float64           `json:"coverage"`
	Verdict    string            `json:"verdict"`
	Sentence   string            `json:"sentence"`
	Cautions   []string          `json:"cautions,omitempty"`
	Absent     map[string]string `json:"absent,omitempty"`
}

// LeftShot is a shot that doesn't count as an opening, and why.
type LeftShot struct {
	Shot     string   `json:"shot"`
	Status   string   `json:"status"`
	Pressure *float64 `json:"pressure_barg,omitempty"`
	Reason   string   `json:"reason"`
}

// GrubbsLine is the shot farthest from the mean; Flagged: farther than chance
// explains. It stays in the statistics.
type GrubbsLine struct {
	G        float64 `json:"g"`
	Critical float64 `json:"critical"`
	Shot     string  `json:"shot"`
	Alpha    float64 `json:"alpha"`
	Sides    int     `json:"sides"`
	Flagged  bool    `json:"flagged"`
}

// WeibullLine is a two-parameter Weibull fit with likelihood-ratio bounds.
type WeibullLine struct {
	Shape      float64     `json:"shape"`
	Scale      float64     `json:"scale_barg"`
	ShapeBound *[2]float64 `json:"shape_bound,omitempty"`
	ScaleBound *[2]float64 `json:"scale_bound_barg,omitempty"`
	Quantile   float64     `json:"quantile_barg"` // exceeded by the coverage asked for
	QuantileB  *[2]float64 `json:"quantile_bound_barg,omitempty"`
	LogLike    float64     `json:"log_likelihood"`
}

// NormalLine is a normal or lognormal fit: of a lognormal, Location is the
// median and S the standard deviation of the logarithm.
type NormalLine struct {
	Location  float64     `json:"location_barg"`
	S         float64     `json:"s"`
	Quantile  float64     `json:"quantile_barg"`
	QuantileB *[2]float64 `json:"quantile_bound_barg,omitempty"`
}

// An OrderLine is the opening order of two neighbouring features.
type OrderLine struct {
	Lot         string            `json:"lot"`
	Order       [2]string         `json:"order"`
	Lots        *[2]string        `json:"lots,omitempty"` // where the features come from two lots
	Conditions  map[string]string `json:"conditions,omitempty"`
	N           [2]int            `json:"shots"` // of each feature
	Beta        *float64          `json:"beta,omitempty"`
	BetaLower   *float64          `json:"beta_lower,omitempty"`
	PWrong      *float64          `json:"p_wrong,omitempty"`
	PWrongUpper *float64          `json:"p_wrong_upper,omitempty"`
	Confidence  float64           `json:"confidence"`
	Method      string            `json:"method"`
	Sentence    string            `json:"sentence"`
	Absent      map[string]string `json:"absent,omitempty"`
}

// bar turns Pa into bar, rounded to twelve digits: the thirteenth is only the
// conversion's.
func bar(pa float64) float64 { return digits(pa / PaPerBar) }

func digits(v float64) float64 {
	r, err := strconv.ParseFloat(strconv.FormatFloat(v, 'g', 12, 64), 64)
	if err != nil {
		return v
	}
	return r
}

func optionalBar(pa *float64) *float64 {
	if pa == nil {
		return nil
	}
	v := bar(*pa)
	return &v
}

// bounds turns a bound into a pair; nil where a side is open.
func bounds(b lot.Bound, scale float64) *[2]float64 {
	if math.IsNaN(b.Low) || math.IsNaN(b.High) || math.IsInf(b.Low, 0) || math.IsInf(b.High, 0) {
		return nil
	}
	return &[2]float64{digits(b.Low / scale), digits(b.High / scale)}
}

// LotSummary turns a summary into its line.
func LotSummary(s *lot.Summary) LotLine {
	l := LotLine{
		Lot: s.Group.Lot, Feature: s.Group.Feature, Conditions: conditions(s.Group.Apart),
		N: s.N, Censored: len(s.Censored), Excluded: len(s.Excluded), Left: leftShots(s), Outside: len(s.Outside),
		Mean: optionalBar(s.Mean), S: optionalBar(s.S), Min: optionalBar(s.Min), Max: optionalBar(s.Max), KOne: s.KOne, KTwo: s.KTwo,
		LowerOne: optionalBar(s.LowerOne), UpperOne: optionalBar(s.UpperOne), Low: optionalBar(s.Limits.Low), High: optionalBar(s.Limits.High), LimitsFrom: limitSource(s.Limits),
		Confidence: s.Statement.Confidence, Coverage: s.Statement.Coverage, Verdict: string(s.Verdict), Sentence: LotSentence(s), Cautions: LotCautions(s),
	}
	for _, c := range s.Group.Pooled {
		l.Pooled = append(l.Pooled, string(c))
	}
	if s.ToleranceLow != nil {
		l.Tolerance = &[2]float64{bar(*s.ToleranceLow), bar(*s.ToleranceHigh)}
	}
	if s.Anderson != nil {
		l.AD, l.ADP = &s.Anderson.Statistic, &s.Anderson.P
	}
	if s.Shapiro != nil {
		l.SW, l.SWP = &s.Shapiro.Statistic, &s.Shapiro.P
	}
	if g := s.Grubbs; g != nil {
		l.Grubbs = &GrubbsLine{G: g.G, Critical: g.Critical, Shot: s.GrubbsShot, Alpha: g.Alpha, Sides: 2, Flagged: g.Flagged()}
	}
	if c := s.Capability; c != nil {
		l.Cp, l.Cpk, l.CpkLower = c.Cp, &c.Cpk, &c.CpkLower
	}
	l.Measurement = optionalBar(s.MeasurementPa)
	if r := s.Repeatability; r != nil {
		l.Ratio, l.FineEnough = &r.Ratio, &r.Enough
	}
	l.fits(s)
	l.trends(s)
	if len(s.Absent) > 0 {
		l.Absent = s.Absent
	}
	return l
}

func (l *LotLine) fits(s *lot.Summary) {
	if f := s.Weibull; f != nil {
		l.Weibull = &WeibullLine{Shape: f.Shape, Scale: bar(f.Location), ShapeBound: bounds(f.ShapeBound, 1), ScaleBound: bounds(f.LocationBound, PaPerBar),
			Quantile: bar(f.Quantile), QuantileB: bounds(f.QuantileBound, PaPerBar), LogLike: f.LogLikelihood + float64(f.N)*math.Log(PaPerBar)}
	}
	if f := s.Lognormal; f != nil {
		l.Lognormal = &NormalLine{Location: bar(f.Location), S: f.Shape, Quantile: bar(f.Quantile), QuantileB: bounds(f.QuantileBound, PaPerBar)}
	}
	if f := s.CensoredNormal; f != nil {
		l.Normal = &NormalLine{Location: bar(f.Location), S: bar(f.Shape), Quantile: bar(f.Quantile), QuantileB: bounds(f.QuantileBound, PaPerBar)}
	}
}

func (l *LotLine) trends(s *lot.Summary) {
	if s.Plan != nil && s.Plan.Shots > 0 {
		n := s.Plan.Shots
		l.ShotsNeeded = &n
	}
	if w := s.Wear; w != nil {
		per := bar(w.Slope * 1000)
		l.BarPerStroke, l.StrokesLeft = &per, w.StrokesLeft
	}
	if r := s.Thickness; r != nil {
		per := bar(r.Slope * 1e-6)
		l.BarPerUM = &per
	}
	if w := s.ThicknessWindow; w != nil {
		l.ThicknessUM = bounds(*w, 1e-6)
	}
}

func conditions(apart []lot.Stated) map[string]string {
	if len(apart) == 0 {
		return nil
	}
	out := map[string]string{}
	for _, c := range apart {
		v := c.Value
		if v == "" {
			v = "not stated"
		}
		out[string(c.Condition)] = v
	}
	return out
}

// leftShots lists what doesn't count as an opening.
func leftShots(s *lot.Summary) []LeftShot {
	var out []LeftShot
	for _, list := range [][]lot.Shot{s.Censored, s.Excluded} {
		for i := range list {
			shot := &list[i]
			l := LeftShot{Shot: shot.ID, Status: string(shot.Status), Reason: whyLeft(shot)}
			if !math.IsNaN(shot.PressurePa) {
				v := bar(shot.PressurePa)
				l.Pressure = &v
			}
			out = append(out, l)
		}
	}
	return out
}

func whyLeft(s *lot.Shot) string {
	switch {
	case s.Reason != "":
		return s.Reason
	case s.Status == lot.Saturated:
		return "transducer saturated: it opened at least at this pressure"
	case s.Status == lot.Aborted:
		return "ended without an opening: held to at least this pressure"
	}
	return "marked invalid, no reason given"
}

// OrderSummary turns a pair of features into its line.
func OrderSummary(p *lot.Pair, confidence float64) OrderLine {
	a, b := &p.First.Group, &p.Second.Group
	l := OrderLine{Lot: a.Lot, Order: [2]string{a.Feature, b.Feature}, N: [2]int{p.First.N, p.Second.N}, Confidence: confidence, Sentence: OrderSentence(p, confidence)}
	if a.Lot != b.Lot {
		l.Lot = a.Lot + " + " + b.Lot
		l.Lots = &[2]string{a.Lot, b.Lot}
	}
	c := map[string]string{}
	for _, g := range []*lot.Group{a, b} {
		for k, v := range conditions(g.Apart) {
			c[g.Feature+" "+k] = v
		}
	}
	if len(c) > 0 {
		l.Conditions = c
	}
	if p.Absent != "" {
		l.Method = "none"
		l.Absent = map[string]string{}
		for _, f := range []string{"beta", "beta_lower", "p_wrong", "p_wrong_upper"} {
			l.Absent[f] = p.Absent
		}
		return l
	}
	o := &p.Order
	l.Beta, l.BetaLower, l.PWrong, l.PWrongUpper, l.Method = &o.Beta, &o.BetaLower, &o.PWrong, &o.PWrongUpper, o.Method
	return l
}
