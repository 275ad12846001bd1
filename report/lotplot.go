package report

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"

	"ventward/analysis/lot"
)

// hidden takes an axis' numbers away.
func hidden(a *plot.Axis) {
	a.Tick.Marker = plot.ConstantTicks(nil)
	a.LineStyle.Width, a.Tick.Length = 0, 0
	a.Label.Text = ""
}

// reach widens [lo, hi] so that v is in it.
func reach(lo, hi *float64, v float64) {
	if !math.IsNaN(v) && !math.IsInf(v, 0) {
		*lo, *hi = math.Min(*lo, v), math.Max(*hi, v)
	}
}

// DotFigure draws every shot of a group on the pressure axis (bar gauge),
// stacked where they fall together, with the limits and the tolerance interval
// beneath. nil: no shot has a pressure.
func DotFigure(s *lot.Summary) *Figure {
	lo, hi := math.Inf(1), math.Inf(-1)
	counts := slices.ContainsFunc(s.Group.Shots, func(x lot.Shot) bool { return x.Status != lot.Invalid && !math.IsNaN(x.PressurePa) })
	for i := range s.Group.Shots {
		if x := &s.Group.Shots[i]; x.Status != lot.Invalid || !counts { // an excluded one may lie anywhere
			reach(&lo, &hi, x.PressurePa/PaPerBar)
		}
	}
	if math.IsInf(lo, 0) {
		return nil
	}
	for _, l := range []*float64{s.Limits.Low, s.Limits.High, s.ToleranceLow, s.ToleranceHigh} {
		if l != nil {
			reach(&lo, &hi, *l/PaPerBar)
		}
	}
	room := math.Max((hi-lo)*0.06, 0.2)
	lo, hi = lo-room, hi+room
	p := newPlot("pressure in bar gauge", "")
	hidden(&p.Y)
	p.Add(gridlines{})
	limitMarks(p, s.Limits, lo, hi)
	c := featureColour(s.Group.Feature)
	d := &dots{c: c, r: 2.9}
	// A stack a place on the axis, as wide as a dot.
	const bins = 70
	stack := map[int]int{}
	highest := 0
	shots := slices.Clone(s.Group.Shots)
	slices.SortStableFunc(shots, func(a, b lot.Shot) int { return int(dotOf(a.Status)) - int(dotOf(b.Status)) })
	for i := range shots {
		v := shots[i].PressurePa / PaPerBar
		if math.IsNaN(v) {
			continue
		}
		if shots[i].Status == lot.Invalid {
			v = math.Min(math.Max(v, lo+room/4), hi-room/4)
		}
		b := int((v - lo) / (hi - lo) * bins)
		d.x, d.y, d.kind = append(d.x, v), append(d.y, float64(stack[b])), append(d.kind, dotOf(shots[i].Status))
		stack[b]++
		highest = max(highest, stack[b])
	}
	p.Add(d)
	a, b, mean, label := claimed(s)
	if label != "" {
		p.Add(span{lo: a, hi: b, y: -1.7, c: ink0, width: 1.4, mean: mean})
		p.Add(caption{x: mean, y: -1.7, dy: -9.5, text: label, c: ink0, align: text.XCenter})
	}
	p.X.Min, p.X.Max = lo, hi
	p.Y.Min, p.Y.Max = -3.4, math.Max(float64(highest)+1.6, 5)
	height := 62 + 7.2*(p.Y.Max-p.Y.Min)
	return &Figure{Plot: p, Height: math.Min(height, 260), Caption: dotCaption(s), Alt: "dot plot of " + groupName(&s.Group)}
}

func dotOf(s lot.Status) dotKind {
	switch {
	case s.AtLeast():
		return dotAtLeast
	case s == lot.Invalid:
		return dotExcluded
	}
	return dotValid
}

func dotCaption(s *lot.Summary) string {
	parts := []string{groupName(&s.Group) + ": a dot is a valid shot"}
	if len(s.Censored) > 0 {
		parts = append(parts, "a triangle with an arrow one that held at least this")
	}
	if len(s.Excluded) > 0 {
		parts = append(parts, "a cross an excluded one (at the edge where it lies farther out)")
	}
	if s.ToleranceLow != nil {
		parts = append(parts, "the bracket is what the statement claims, the diamond the mean")
	}
	return strings.Join(parts, ", ") + "."
}

// claimed is what the statement says: an interval or a bound, with its words.
func claimed(s *lot.Summary) (lo, hi, mean float64, label string) {
	if s.ToleranceLow == nil {
		return 0, 0, math.NaN(), ""
	}
	mean = *s.Mean / PaPerBar
	what := fmt.Sprintf("%s / %s", percent(s.Statement.Confidence), percent(s.Statement.Coverage))
	switch {
	case s.Limits.Low != nil && s.Limits.High == nil:
		return *s.LowerOne / PaPerBar, math.Inf(1), mean, fmt.Sprintf("%s: above %s", what, floorBar(*s.LowerOne))
	case s.Limits.High != nil && s.Limits.Low == nil:
		return math.Inf(-1), *s.UpperOne / PaPerBar, mean, fmt.Sprintf("%s: below %s", what, ceilBar(*s.UpperOne))
	}
	lo, hi = *s.ToleranceLow/PaPerBar, *s.ToleranceHigh/PaPerBar
	return lo, hi, mean, fmt.Sprintf("%s: %s to %s", what, floorBar(*s.ToleranceLow), ceilBar(*s.ToleranceHigh))
}

// limitMarks shades what lies outside the limits and draws them.
func limitMarks(p *plot.Plot, l lot.Limits, lo, hi float64) {
	wash := faded(orange, 22)
	if l.Low != nil {
		v := *l.Low / PaPerBar
		p.Add(band{lo, v, wash}, upright{at: v, label: fmt.Sprintf("at least %.1f", v), c: orange, dash: []vg.Length{5, 2}, right: true})
	}
	if l.High != nil {
		v := *l.High / PaPerBar
		p.Add(band{v, hi, wash}, upright{at: v, label: fmt.Sprintf("at most %.1f", v), c: orange, dash: []vg.Length{5, 2}})
	}
}

// CourseFigure shows the groups of one feature in their order: every shot, the
// mean and the tolerance interval, between the limits of the first. sums holds
// one or more, each with a mean.
func CourseFigure(feature string, sums []*lot.Summary) *Figure {
	p := newPlot("pressure in bar gauge", "")
	hidden(&p.Y)
	p.Add(gridlines{})
	lo, hi := math.Inf(1), math.Inf(-1)
	for _, s := range sums {
		for _, v := range []*float64{s.Min, s.Max, s.ToleranceLow, s.ToleranceHigh, s.Limits.Low, s.Limits.High} {
			if v != nil {
				reach(&lo, &hi, *v/PaPerBar)
			}
		}
	}
	room := math.Max((hi-lo)*0.05, 0.2)
	limitMarks(p, sums[0].Limits, lo-room, hi+room)
	c := featureColour(feature)
	names := make(plot.ConstantTicks, 0, len(sums))
	for i, s := range sums {
		y := float64(len(sums) - 1 - i)
		d := &dots{c: faded(c, 150), r: 1.7}
		for _, v := range s.Openings() {
			d.x, d.y, d.kind = append(d.x, v/PaPerBar), append(d.y, y+0.16), append(d.kind, dotValid)
		}
		p.Add(d)
		if a, b, mean, label := claimed(s); label != "" {
			p.Add(span{lo: a, hi: b, y: y - 0.16, c: ink0, width: 1.2, mean: mean})
		}
		names = append(names, plot.Tick{Value: y, Label: strings.Join(nonEmpty(s.Group.Lot, conditionWords(s.Group.Apart), "("+string(s.Verdict)+")"), " ")})
	}
	p.Y.Tick.Marker = names
	p.X.Min, p.X.Max = lo-room, hi+room
	p.Y.Min, p.Y.Max = -0.6, float64(len(sums))-0.2
	return &Figure{Plot: p, Height: math.Min(70+26*float64(len(sums)), 480), Alt: feature + " from lot to lot",
		Caption: fmt.Sprintf("%s in the order given: every valid shot (dots), what the statement claims (bracket) and the mean (diamond), with the acceptance limits.", upper(plural(feature)))}
}

func upper(s string) string {
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:]
}

// OrderFigure draws the fitted distributions of the features on one pressure
// axis (bar gauge). nil: fewer than two of them have a spread.
func OrderFigure(pairs []lot.Pair) *Figure {
	var sums []*lot.Summary
	for i := range pairs {
		for _, s := range []*lot.Summary{pairs[i].First, pairs[i].Second} {
			if !slices.Contains(sums, s) && s.S != nil && *s.S > 0 {
				sums = append(sums, s)
			}
		}
	}
	if len(sums) < 2 {
		return nil
	}
	p := newPlot("pressure in bar gauge", "")
	hidden(&p.Y)
	p.Add(gridlines{})
	lo, hi := math.Inf(1), math.Inf(-1)
	for _, s := range sums {
		m, sd := *s.Mean/PaPerBar, *s.S/PaPerBar
		reach(&lo, &hi, m-4.5*sd)
		reach(&lo, &hi, m+4.5*sd)
	}
	for i, s := range sums {
		m, sd := *s.Mean/PaPerBar, *s.S/PaPerBar
		c := featureColour(s.Group.Feature)
		l := &curve{c: c, width: 1.5, fill: faded(c, 46)}
		const points = 120
		for j := range points + 1 {
			z := -4.5 + 9*float64(j)/points
			l.x, l.y = append(l.x, m+z*sd), append(l.y, math.Exp(-z*z/2))
		}
		p.Add(l)
		name := fmt.Sprintf("%s (%s)", s.Group.Feature, s.Group.Lot)
		p.Add(caption{x: m, y: 1, dy: 9 + 10*float64(i%2), text: name, c: c, align: text.XCenter, bold: true})
		d := &dots{c: c, r: 1.6}
		for _, v := range s.Openings() {
			d.x, d.y, d.kind = append(d.x, v/PaPerBar), append(d.y, -0.07), append(d.kind, dotValid)
		}
		p.Add(d)
	}
	room := (hi - lo) * 0.03
	p.X.Min, p.X.Max = lo-room, hi+room
	p.Y.Min, p.Y.Max = -0.16, 1.3
	return &Figure{Plot: p, Height: 150, Alt: "opening order", Caption: "Fitted normal distributions, each drawn to the same height, above the shots they were fitted to. The order is safe where they lie far apart."}
}

// ThicknessFigure draws pressure over residual thickness with the prediction
// band at the given confidence, a fraction. The summary has a Thickness.
func ThicknessFigure(s *lot.Summary, confidence float64) *Figure {
	r := s.Thickness
	p := newPlot("residual thickness in µm", "pressure in bar gauge")
	p.Add(gridlines{})
	mid := &curve{c: ink0, width: 1.2}
	low, high := &curve{c: ink1, width: 0.8, dash: []vg.Length{4, 2}}, &curve{c: ink1, width: 0.8, dash: []vg.Length{4, 2}}
	lo, hi := math.Inf(1), math.Inf(-1)
	const points = 60
	for i := range points + 1 {
		x := r.LeastX + (r.MostX-r.LeastX)*float64(i)/points
		b := r.Predict(x, confidence)
		for _, l := range []*curve{mid, low, high} {
			l.x = append(l.x, x*1e6)
		}
		mid.y, low.y, high.y = append(mid.y, r.At(x)/PaPerBar), append(low.y, b.Low/PaPerBar), append(high.y, b.High/PaPerBar)
		reach(&lo, &hi, b.Low/PaPerBar)
		reach(&lo, &hi, b.High/PaPerBar)
	}
	d := &dots{c: featureColour(s.Group.Feature), r: 2.4}
	for _, shot := range s.Group.Shots {
		if shot.Status == lot.Valid && shot.ResidualM != nil {
			d.x, d.y, d.kind = append(d.x, *shot.ResidualM*1e6), append(d.y, shot.PressurePa/PaPerBar), append(d.kind, dotValid)
			reach(&lo, &hi, shot.PressurePa/PaPerBar)
		}
	}
	for _, l := range []*float64{s.Limits.Low, s.Limits.High} {
		if l != nil {
			reach(&lo, &hi, *l/PaPerBar)
			p.Add(&curve{x: []float64{r.LeastX * 1e6, r.MostX * 1e6}, y: []float64{*l / PaPerBar, *l / PaPerBar}, c: orange, width: 1, dash: []vg.Length{5, 2}})
		}
	}
	p.Add(low, high, mid, d)
	room, side := 0.05*(hi-lo), 0.03*(r.MostX-r.LeastX)*1e6
	p.X.Min, p.X.Max = r.LeastX*1e6-side, r.MostX*1e6+side
	p.Y.Min, p.Y.Max = lo-room, hi+room
	return &Figure{Plot: p, Height: 170, Alt: "pressure over residual thickness",
		Caption: fmt.Sprintf("%s: line by least squares and the band in which one further piece lies with %s confidence; dashed in colour: the limits.", groupName(&s.Group), percent(confidence))}
}

// WearFigure draws the pressure over the punch's strokes: every shot, the line
// since the last regrinding, and the tolerance limits carried on until they
// meet an acceptance limit. name goes into the caption; strokes and pressures
// (Pa gauge) are the shots that w was fitted to.
func WearFigure(name, feature string, strokes, pressures []float64, w *lot.Wear, l lot.Limits, st lot.Statement) *Figure {
	p := newPlot("strokes of the punch in thousands", "pressure in bar gauge")
	p.Add(gridlines{})
	d := &dots{c: faded(featureColour(feature), 170), r: 1.8}
	lo, hi := math.Inf(1), math.Inf(-1)
	left, right := math.Inf(1), math.Inf(-1)
	for i := range strokes {
		d.x, d.y, d.kind = append(d.x, strokes[i]/1000), append(d.y, pressures[i]/PaPerBar), append(d.kind, dotValid)
		reach(&lo, &hi, pressures[i]/PaPerBar)
		reach(&left, &right, strokes[i]/1000)
	}
	to := w.MostX
	if w.StrokesLeft != nil {
		to = w.Last + *w.StrokesLeft
		p.Add(upright{at: to / 1000, label: "limit met", c: ink1, dash: []vg.Length{2, 2}})
	}
	reach(&left, &right, to/1000)
	mid := &curve{c: ink0, width: 1.2}
	low, high := &curve{c: ink1, width: 0.8, dash: []vg.Length{4, 2}}, &curve{c: ink1, width: 0.8, dash: []vg.Length{4, 2}}
	const points = 24
	for i := range points + 1 {
		x := w.LeastX + (to-w.LeastX)*float64(i)/points
		b, err := w.Tolerance(x, st.Confidence, st.Coverage)
		if err != nil {
			continue
		}
		for _, c := range []*curve{mid, low, high} {
			c.x = append(c.x, x/1000)
		}
		mid.y, low.y, high.y = append(mid.y, w.At(x)/PaPerBar), append(low.y, b.Low/PaPerBar), append(high.y, b.High/PaPerBar)
		reach(&lo, &hi, b.Low/PaPerBar)
		reach(&lo, &hi, b.High/PaPerBar)
	}
	for _, v := range []*float64{l.Low, l.High} {
		if v != nil {
			reach(&lo, &hi, *v/PaPerBar)
			p.Add(&curve{x: []float64{left, right}, y: []float64{*v / PaPerBar, *v / PaPerBar}, c: orange, width: 1, dash: []vg.Length{5, 2}})
		}
	}
	p.Add(d, low, high, mid)
	room, side := 0.05*(hi-lo), 0.02*(right-left)
	p.X.Min, p.X.Max = left-side, right+side
	p.Y.Min, p.Y.Max = lo-room, hi+room
	return &Figure{Plot: p, Height: 175, Alt: "pressure over strokes of the punch",
		Caption: fmt.Sprintf("%s: every valid shot, the line since the last regrinding and, dashed, its one-sided tolerance limits (%s confidence, %s coverage); dashed in colour: the acceptance limits.", name, percent(st.Confidence), percent(st.Coverage))}
}
