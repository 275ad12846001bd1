package report

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"ventward/analysis/lot"
	"ventward/daq"
)

// A LotReport is what the report of one or more lots is made of.
type LotReport struct {
	Statement lot.Statement
	Sums      []lot.Summary
	Pairs     []lot.Pair
	Source    string        // where the shots come from
	Simulated bool          // some shots are of a simulated bench
	Channels  []daq.Channel // pressure transducers of the stored runs; none for a spreadsheet
	Start     time.Time     // of the first of those runs

	Venting *Venting // adequacy of a cell's vents with these lots; nil: not asked for

	Made    time.Time
	Program string
}

// groupsShown bounds the figures of a report; the tables list all.
const groupsShown = 24

// LotDocument writes the report of lots.
func LotDocument(r *LotReport) *Document {
	d := &Document{Title: "Opening pressures of a lot", Made: r.Made, Program: r.Program, ID: strings.Join(r.lots(), ", ")}
	if len(r.lots()) > 1 {
		d.Title = "Opening pressures of lots"
	}
	if len(d.ID) > 60 {
		d.ID = fmt.Sprintf("%d lots, %s to %s", len(r.lots()), r.lots()[0], r.lots()[len(r.lots())-1])
	}
	d.Subtitle = "Lot " + d.ID
	switch n := len(r.lots()); {
	case n > 1 && d.ID != strings.Join(r.lots(), ", "):
		d.Subtitle = d.ID
	case n > 1:
		d.Subtitle = "Lots " + d.ID
	}
	if r.Simulated {
		d.Banner = "SIMULATED BENCH: no real specimens"
	}
	d.Facts = r.facts()
	for i := range r.Sums {
		d.Answers = append(d.Answers, lotAnswer(&r.Sums[i], len(r.Sums) > 1))
	}
	if r.Venting != nil {
		d.Answers = append(d.Answers, AdequacyAnswer(r.Venting.Adequacy))
	}
	d.Sections = append(d.Sections, r.dotSection(), r.courseSection(), r.orderSection(), r.figureSection(), r.trendSection())
	d.Sections = append(d.Sections, r.Venting.sections()...)
	d.Sections = append(d.Sections, r.shotSection(), r.equipment(), r.methodSection())
	d.Cautions = r.cautions()
	return d
}

func (r *LotReport) lots() []string {
	var out []string
	for i := range r.Sums {
		if n := r.Sums[i].Group.Lot; !slices.Contains(out, n) {
			out = append(out, n)
		}
	}
	return out
}

func (r *LotReport) facts() []Fact {
	n, cens, excl := 0, 0, 0
	var features, from []string
	for i := range r.Sums {
		s := &r.Sums[i]
		if f := limitSource(s.Limits); f != "" && !slices.Contains(from, f) {
			from = append(from, f)
		}
		n, cens, excl = n+s.N, cens+len(s.Censored), excl+len(s.Excluded)
		if !slices.Contains(features, s.Group.Feature) {
			features = append(features, s.Group.Feature)
		}
	}
	facts := []Fact{
		{"Features", strings.Join(features, ", ")},
		{"Statement", fmt.Sprintf("%s confidence, %s coverage", percent(r.Statement.Confidence), percent(r.Statement.Coverage))},
		{"Shots", fmt.Sprintf("%d valid, %d \"at least\", %d excluded", n, cens, excl)},
		{"Shots from", r.Source},
	}
	if len(from) > 0 {
		facts = append(facts, Fact{"Limits from", strings.Join(from, "; ")})
	}
	return facts
}

// lotAnswer is the verdict of one group.
func lotAnswer(s *lot.Summary, named bool) Answer {
	a := Answer{Tone: Neutral, Sentence: LotSentence(s)}
	switch s.Verdict {
	case lot.Pass:
		a.Tone, a.Word = Good, "PASS"
	case lot.Fail:
		a.Tone, a.Word = Bad, "FAIL"
	case lot.Undecided:
		a.Word = "UNDECIDED"
	default:
		a.Word = "NO VERDICT"
	}
	if named {
		a.Word += "  ·  " + groupName(&s.Group)
	}
	return a
}

// groupName names a group: its lot, feature and what holds it apart.
func groupName(g *lot.Group) string {
	return strings.Join(nonEmpty(g.Lot, g.Feature, conditionWords(g.Apart)), ", ")
}

// dotSection shows every shot.
func (r *LotReport) dotSection() Section {
	s := Section{Title: "Every shot"}
	for i := range r.Sums {
		if i == groupsShown {
			s.Blocks = append(s.Blocks, Block{Text: fmt.Sprintf("%d further groups are in the tables below.", len(r.Sums)-groupsShown)})
			break
		}
		if f := DotFigure(&r.Sums[i]); f != nil {
			s.Blocks = append(s.Blocks, Block{Figure: f})
		}
	}
	return s
}

// courseSection sets the lots of one feature side by side.
func (r *LotReport) courseSection() Section {
	s := Section{Title: "From lot to lot"}
	for _, feature := range r.several() {
		var sums []*lot.Summary
		for i := range r.Sums {
			if r.Sums[i].Group.Feature == feature && r.Sums[i].Mean != nil {
				sums = append(sums, &r.Sums[i])
			}
		}
		s.Blocks = append(s.Blocks, Block{Figure: CourseFigure(feature, sums)})
		if t := comparison(sums, r.Statement.Confidence); t != nil {
			s.Blocks = append(s.Blocks, Block{Table: t})
		}
		for _, chart := range []func(string, []*lot.Summary) (*Figure, string){ChartFigure, SumFigure} {
			if f, text := chart(feature, sums); f != nil {
				s.Blocks = append(s.Blocks, Block{Text: text}, Block{Figure: f})
			}
		}
	}
	return s
}

// several lists the features of which there are two groups or more.
func (r *LotReport) several() []string {
	count := map[string]int{}
	var out []string
	for i := range r.Sums {
		f := r.Sums[i].Group.Feature
		if r.Sums[i].Mean != nil {
			count[f]++
		}
		if count[f] == 2 && !slices.Contains(out, f) {
			out = append(out, f)
		}
	}
	return out
}

// comparison holds each lot against the one before.
func comparison(sums []*lot.Summary, confidence float64) *Table {
	t := &Table{Columns: []Column{{"From", 2, false}, {"To", 2, false}, {"Mean moves by bar", 1.1, true}, {percent(confidence) + " interval", 1.6, true}, {"p (Welch)", 0.9, true},
		{"p of equal spread (Levene)", 1.1, true}}}
	for i := 1; i < len(sums); i++ {
		a, b := sums[i-1].Openings(), sums[i].Openings()
		w, err := lot.Welch(a, b, confidence)
		if err != nil {
			continue
		}
		spread := "–"
		if l, err := lot.Levene(a, b); err == nil {
			spread = probability(l.P)
		}
		t.Rows = append(t.Rows, Row{Cells: []string{groupName(&sums[i-1].Group), groupName(&sums[i].Group), fmt.Sprintf("%+.2f", w.Delta/PaPerBar),
			fmt.Sprintf("%+.2f to %+.2f", w.Bound.Low/PaPerBar, w.Bound.High/PaPerBar), probability(w.P), spread}})
	}
	if len(t.Rows) == 0 {
		return nil
	}
	t.Note = "Welch: equal means without assuming equal spreads. Levene: equal spreads, about the medians. A small p says that chance alone hardly explains the difference."
	return t
}

// orderSection shows the opening order.
func (r *LotReport) orderSection() Section {
	s := Section{Title: "Opening order"}
	if len(r.Pairs) == 0 {
		return Section{}
	}
	if f := OrderFigure(r.Pairs); f != nil {
		s.Blocks = append(s.Blocks, Block{Figure: f})
	}
	for i := range r.Pairs {
		s.Blocks = append(s.Blocks, Block{Text: OrderSentence(&r.Pairs[i], r.Statement.Confidence)})
	}
	return s
}

// figureSection lists the statistics of each group.
func (r *LotReport) figureSection() Section {
	t := &Table{Columns: []Column{{"Lot, feature", 2.3, false}, {"n", 0.5, true}, {"Mean", 0.9, true}, {"s", 0.8, true}, {"Min", 0.9, true}, {"Max", 0.9, true},
		{"k", 0.95, true}, {"Tolerance interval or bound", 1.8, true}, {"Limits", 1.5, true}, {"Cpk (lower bound)", 1.3, true}, {"Verdict", 1.3, false}}}
	fit := &Table{Columns: []Column{{"Lot, feature", 2.3, false}, {"Normality: A² (p)", 1.4, true}, {"Normality: W (p)", 1.4, true}, {"Farthest shot, Grubbs G / critical", 1.9, false},
		{"Bench s / lot s", 1, true}, {"Weibull shape, scale", 1.5, true}, {percent(r.Statement.Coverage) + " exceed, by Weibull (bounds)", 2, true}}}
	for i := range r.Sums {
		l := LotSummary(&r.Sums[i])
		name := groupName(&r.Sums[i].Group)
		t.Rows = append(t.Rows, Row{Cells: []string{name, fmt.Sprint(l.N), optional(l.Mean, 2), optional(l.S, 3), optional(l.Min, 2), optional(l.Max, 2),
			factorCell(&l), ClaimCell(&l), strings.TrimSuffix(limitWords(r.Sums[i].Limits), " bar gauge"), cpkCell(&l), l.Verdict}})
		fit.Rows = append(fit.Rows, Row{Cells: []string{name, testCell(l.AD, l.ADP), testCell(l.SW, l.SWP), grubbsCell(&l), ratioCell(&l), weibullCell(&l), quantileCell(&l)}})
	}
	t.Note = "Pressures in bar gauge. k: exact factor for n, confidence and coverage; two-sided without limits or with two, one-sided with one."
	fit.Note = "A²: Anderson-Darling. W: Shapiro-Wilk. Grubbs: two-sided, 5 %; a flagged shot stays in. Bench s: the measurement's own standard deviation, at most 10 % of the lot's (common practice, no source). Weibull: maximum likelihood, shots that only held \"at least\" taken in as such; bounds by the likelihood ratio."
	return Section{Title: "Figures", Blocks: []Block{{Table: t}, {Table: fit}}}
}

func oneSidedLimit(l *LotLine) bool { return (l.Low == nil) != (l.High == nil) }

func factorCell(l *LotLine) string {
	if oneSidedLimit(l) {
		return optional(l.KOne, 3)
	}
	return optional(l.KTwo, 3)
}

// ClaimCell writes what the statement claims in a cell, rounded away from the
// claim: an interval, or a bound where there is one limit only.
func ClaimCell(l *LotLine) string {
	switch {
	case l.Tolerance == nil:
		return "–"
	case !oneSidedLimit(l):
		return floorBar(l.Tolerance[0]*PaPerBar) + " to " + ceilBar(l.Tolerance[1]*PaPerBar)
	case l.Low != nil:
		return "≥ " + floorBar(*l.LowerOne*PaPerBar)
	}
	return "≤ " + ceilBar(*l.UpperOne*PaPerBar)
}

func cpkCell(l *LotLine) string {
	if l.Cpk == nil {
		return "–"
	}
	return fmt.Sprintf("%.2f (%.2f)", *l.Cpk, *l.CpkLower)
}

func testCell(v, p *float64) string {
	if v == nil {
		return "–"
	}
	return fmt.Sprintf("%.3f (%s)", *v, probability(*p))
}

func grubbsCell(l *LotLine) string {
	if l.Grubbs == nil {
		return "–"
	}
	mark := ""
	if l.Grubbs.Flagged {
		mark = ", flagged"
	}
	return fmt.Sprintf("%s: %.2f / %.2f%s", l.Grubbs.Shot, l.Grubbs.G, l.Grubbs.Critical, mark)
}

// ratioCell tells whether the measurement is fine enough for the lot.
func ratioCell(l *LotLine) string {
	if l.Ratio == nil {
		return "–"
	}
	if !*l.FineEnough {
		return percent2(*l.Ratio) + ", too much"
	}
	return percent2(*l.Ratio)
}

func weibullCell(l *LotLine) string {
	if l.Weibull == nil {
		return "–"
	}
	return fmt.Sprintf("%.1f, %.2f", l.Weibull.Shape, l.Weibull.Scale)
}

func quantileCell(l *LotLine) string {
	if l.Weibull == nil {
		return "–"
	}
	if b := l.Weibull.QuantileB; b != nil {
		return fmt.Sprintf("%.2f (%.2f to %.2f)", l.Weibull.Quantile, b[0], b[1])
	}
	return figures(l.Weibull.Quantile, 2)
}

// trendSection shows pressure against residual thickness and strokes.
func (r *LotReport) trendSection() Section {
	s := Section{Title: "Residual thickness and wear of the punch"}
	for i := range r.Sums {
		sum := &r.Sums[i]
		if t := sum.Thickness; t != nil {
			text := fmt.Sprintf("%s: %.3f bar per µm of residual thickness (p = %s, R² = %.2f, residual s %.2f bar).", groupName(&sum.Group), t.Slope*1e-6/PaPerBar, probability(t.P), t.R2, t.S/PaPerBar)
			if w := sum.ThicknessWindow; w != nil {
				text += fmt.Sprintf(" The next piece opens within the limits with %s confidence from %.1f to %.1f µm (within what was tested).", percent(r.Statement.Confidence), w.Low*1e6, w.High*1e6)
			}
			s.Blocks = append(s.Blocks, Block{Text: text})
			if i < groupsShown {
				s.Blocks = append(s.Blocks, Block{Figure: ThicknessFigure(sum, r.Statement.Confidence)})
			}
		}
		if w := sum.Wear; w != nil {
			s.Blocks = append(s.Blocks, Block{Text: wearText(groupName(&sum.Group), w, sum.Limits.Any())})
		}
	}
	for _, feature := range r.several() {
		s.Blocks = append(s.Blocks, r.wear(feature)...)
	}
	return s
}

// wear draws the trend of a feature over the strokes of its punch across lots,
// where they state strokes and name one die.
func (r *LotReport) wear(feature string) []Block {
	var shots []lot.Shot
	var sum *lot.Summary
	lots := 0
	for i := range r.Sums {
		if r.Sums[i].Group.Feature != feature {
			continue
		}
		before := len(shots)
		shots = append(shots, lot.InProduction(r.Sums[i].Group.Shots)...)
		if len(shots) > before {
			sum = &r.Sums[i]
			lots++
		}
	}
	if lots < 2 || slices.ContainsFunc(shots, func(s lot.Shot) bool { return s.Die != shots[0].Die }) {
		return nil
	}
	var strokes, pressures []float64
	for i := range shots {
		strokes, pressures = append(strokes, *shots[i].Strokes), append(pressures, shots[i].PressurePa)
	}
	w, err := lot.PunchWear(strokes, pressures, sum.Limits, r.Statement.Confidence, r.Statement.Coverage)
	if err != nil {
		return nil
	}
	name := fmt.Sprintf("%s over %d lots%s", upper(plural(feature)), lots, prefixed(", die ", shots[0].Die))
	return []Block{{Text: wearText(name, &w, sum.Limits.Any())}, {Figure: WearFigure(name, feature, strokes, pressures, &w, sum.Limits, r.Statement)}}
}

func wearText(name string, w *lot.Wear, limits bool) string {
	text := fmt.Sprintf("%s: %+.3f bar per 1000 strokes of the punch (p = %s) since the last regrinding.", name, w.Slope*1000/PaPerBar, probability(w.P))
	if w.P >= 0.05 {
		text += " Chance explains that: no trend is seen."
	}
	switch {
	case w.Reached:
		text += " At the present strokes a tolerance limit has met its acceptance limit."
	case w.P >= 0.05:
	case w.StrokesLeft != nil:
		text += fmt.Sprintf(" A tolerance limit meets its acceptance limit in about %.0f strokes (an extrapolation).", *w.StrokesLeft)
	case limits:
		text += fmt.Sprintf(" Up to %.0f strokes, as far again as was seen, no limit is met.", w.Horizon)
	}
	return text
}

// shotSection lists every shot, the excluded with their reason.
func (r *LotReport) shotSection() Section {
	s := Section{Title: "Shots"}
	t := &Table{Columns: []Column{{"Lot", 1.1, false}, {"Feature", 1.2, false}, {"Shot", 1.1, false}, {"Status", 1, false}, {"Pressure bar gauge", 1, true}, {"Residual µm", 0.9, true},
		{"Strokes", 0.9, true}, {"Ramp bar/s", 0.8, true}, {"Conditions, reason or remark", 3.2, false}}}
	for i := range r.Sums {
		for j := range r.Sums[i].Group.Shots {
			t.Rows = append(t.Rows, shotRow(&r.Sums[i].Group.Shots[j], &r.Sums[i]))
		}
	}
	t.Note = "Every shot keeps its number and none is left out. Pale: does not count as an opening, with its reason."
	s.Blocks = []Block{{Table: t}}
	return s
}

func shotRow(shot *lot.Shot, s *lot.Summary) Row {
	scaled := func(v *float64, scale float64, decimals int) string {
		if v == nil {
			return "–"
		}
		return figures(*v/scale, decimals)
	}
	p := "–"
	if !math.IsNaN(shot.PressurePa) {
		p = figures(shot.PressurePa/PaPerBar, 2)
		if shot.Status.AtLeast() {
			p = "≥ " + p
		}
	}
	var remarks []string
	if shot.Status != lot.Valid {
		remarks = append(remarks, whyLeft(shot))
	} else if shot.Reason != "" {
		remarks = append(remarks, shot.Reason)
	}
	if shot.Status == lot.Valid && !s.Limits.Holds(shot.PressurePa) {
		remarks = append(remarks, "outside the limits")
	}
	if s.Grubbs != nil && s.Grubbs.Flagged() && s.GrubbsShot == shot.ID && shot.Status == lot.Valid {
		remarks = append(remarks, "flagged as an outlier, stays in")
	}
	remarks = append(remarks, nonEmpty(prefixed("die ", shot.Die), shot.Medium, prefixed("trigger ", shot.Trigger), shot.Surrounding)...)
	if shot.TemperatureC != nil {
		remarks = append(remarks, fmt.Sprintf("%.1f °C", *shot.TemperatureC))
	}
	return Row{Dim: shot.Status != lot.Valid, Cells: []string{shot.Lot, shot.Feature, shot.ID, string(shot.Status), p, scaled(shot.ResidualM, 1e-6, 1), scaled(shot.Strokes, 1, 0),
		scaled(shot.RampPaS, PaPerBar, 2), strings.Join(remarks, "; ")}}
}

// equipment lists the transducers of the runs that the shots come from.
func (r *LotReport) equipment() Section {
	if len(r.Channels) == 0 {
		return Section{Title: "Equipment and calibration", Blocks: []Block{{Text: "The shots come from a list, so nothing is known here of the transducers and their calibration. Keep their certificates with this report."}}}
	}
	return (&Run{Channels: r.Channels, Start: r.Start}).equipmentSection()
}

// methodSection says how the figures were made, so that another program can
// make them again.
func (r *LotReport) methodSection() Section {
	text := fmt.Sprintf("Tolerance limits are mean ± k s with the exact factor for n shots, %s confidence and %s coverage: two-sided by the exact integral, one-sided by the noncentral t. "+
		"The verdict: with two limits the two-sided interval must lie inside them, with one limit the one-sided bound. "+
		"Shots that only held \"at least\" a pressure enter the fits as censored and are left out of mean and s; where such a bound reaches into the range in which the lot opens there is no verdict but undecided. "+
		"Groups under different conditions are described apart unless they were pooled by name.", percent(r.Statement.Confidence), percent(r.Statement.Coverage))
	if len(r.Pairs) > 0 {
		text += fmt.Sprintf(" Opening order: beta = (m2 - m1)/sqrt(s1² + s2²) with its lower confidence bound; no probability from a normal tail is claimed below %s.", probability(lot.SmallestClaim))
	}
	return Section{Title: "Method", Blocks: []Block{{Text: text}}}
}

func (r *LotReport) cautions() []string {
	out := []string{CautionAid, CautionNormal}
	if r.Simulated {
		out = append(out, CautionSimulated)
	}
	for i := range r.Sums {
		for _, c := range LotCautions(&r.Sums[i]) {
			if len(r.Sums) > 1 {
				c = groupName(&r.Sums[i].Group) + ": " + c
			}
			out = append(out, c)
		}
		if len(r.Sums[i].Censored) > 0 && !slices.Contains(out, CautionBound) {
			out = append(out, CautionBound)
		}
	}
	if r.Venting != nil {
		out = append(out, CautionVenting)
	}
	return append(out, CautionClogging)
}
