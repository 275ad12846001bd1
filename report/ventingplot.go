package report

import (
	"fmt"
	"image/color"
	"math"
	"strings"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"ventward/analysis"
)

// VentingFigure draws the pressure in the cell over time, at the top and, where
// the cell is cut into slices, at the bottom, with the openings and what the
// housing bears. Both designs stand in it when they differ. nil: no rows.
func VentingFigure(a *analysis.Adequacy) *Figure {
	if len(a.Rows) == 0 {
		return nil
	}
	p := newPlot("time in s", "pressure in the cell in bar gauge")
	p.Add(gridlines{})
	sliced := a.Case.Inside.Slices >= 2
	first := &a.Rows[0].Result
	lo, hi := 0.0, first.HotPa/PaPerBar
	reach(&lo, &hi, first.ColdPa/PaPerBar)
	end := 0.0
	for i := range a.Rows {
		r := &a.Rows[i].Result
		if i > 0 && sameCourse(first, r) {
			continue
		}
		top, bottom := ventingCurves(r, series[i%len(series)], i > 0)
		p.Add(top)
		p.Legend.Add(legendName(a, i, sliced, "top"), top)
		if sliced {
			p.Add(bottom)
			p.Legend.Add(legendName(a, i, sliced, "bottom"), bottom)
		}
		reach(&lo, &hi, r.PeakPa/PaPerBar)
		end = math.Max(end, r.Curve[len(r.Curve)-1].TimeS)
	}
	start := a.Case.Generation.TimeS[0]
	strengthLines(p, first, start, end)
	for i, o := range first.Openings {
		p.Add(upright{at: o.TimeS, label: fmt.Sprintf("%s %.1f bar", o.Feature, o.PressurePa/PaPerBar), c: featureColour(o.Feature), dash: []vg.Length{2.5, 2}, right: true, drop: float64(11 * i)})
	}
	p.X.Min, p.X.Max = start, end
	p.Y.Min, p.Y.Max = 0, 1.42*hi // room for the legend over the lines
	return &Figure{Plot: p, Height: 210, Alt: "pressure in the cell over time",
		Caption: fmt.Sprintf("Simulated pressure in the cell with the top vent %.0f %% open, as if the housing held; across: what the housing bears. Estimate only.", 100*a.Case.Top.OpenFraction)}
}

func ventingCurves(r *analysis.VentingResult, c color.Color, dashed bool) (top, bottom *curve) {
	top, bottom = &curve{c: c, width: 1.3}, &curve{c: c, width: 1.3, dash: []vg.Length{1.2, 1.5}}
	if dashed {
		top.dash = []vg.Length{5, 2}
	}
	for _, v := range r.Curve {
		top.x, bottom.x = append(top.x, v.TimeS), append(bottom.x, v.TimeS)
		top.y, bottom.y = append(top.y, v.TopPa/PaPerBar), append(bottom.y, v.BottomPa/PaPerBar)
	}
	return top, bottom
}

func legendName(a *analysis.Adequacy, i int, sliced bool, end string) string {
	name := ""
	if len(a.Rows) > 1 && !sameCourse(&a.Rows[0].Result, &a.Rows[1].Result) {
		name = a.Rows[i].Name
	}
	if !sliced {
		end = ""
	} else {
		end = "at the " + end
	}
	if name == "" && end == "" {
		return "in the cell"
	}
	return strings.Join(nonEmpty(name, end), ", ")
}

// sameCourse tells whether two designs go the same way: a vent that stays shut
// changes nothing.
func sameCourse(a, b *analysis.VentingResult) bool {
	return len(a.Openings) == len(b.Openings) && math.Abs(a.PeakPa-b.PeakPa) <= 1e-6*math.Abs(a.PeakPa)
}

// strengthLines draws what the housing bears hot and cold.
func strengthLines(p *plot.Plot, r *analysis.VentingResult, from, to float64) {
	for _, l := range []struct {
		pa   float64
		what string
		dash []vg.Length
	}{{r.HotPa, "housing hot", []vg.Length{5, 2}}, {r.ColdPa, "housing cold", []vg.Length{2, 2}}} {
		if l.what == "housing cold" && math.Abs(r.ColdPa-r.HotPa) < 0.01*r.ColdPa {
			continue
		}
		v := l.pa / PaPerBar
		p.Add(&curve{x: []float64{from, to}, y: []float64{v, v}, c: orange, width: 1, dash: l.dash})
		p.Add(caption{x: to, y: v, dx: -3, dy: 5.5, text: fmt.Sprintf("%s %.1f", l.what, v), c: orange, align: text.XRight, bold: true})
	}
}

// OpenFractionFigure draws the peak over the open fraction of the top vent,
// with and without the bottom vent, and the least fraction that suffices. nil:
// there is no sweep.
func OpenFractionFigure(a *analysis.Adequacy) *Figure {
	if len(a.Sweeps) == 0 {
		return nil
	}
	p := newPlot("open fraction of the top vent in %", "peak in bar gauge")
	p.Add(gridlines{})
	hot := a.Rows[0].Result.HotPa / PaPerBar
	// A plugged vent may give a peak that is many times what the housing bears:
	// shown up to three times that.
	hi := hot
	for i, s := range a.Sweeps {
		c := &curve{c: series[i%len(series)], width: 1.4}
		if i > 0 {
			c.dash = []vg.Length{5, 2}
		}
		for j := range s.Open {
			c.x, c.y = append(c.x, 100*s.Open[j]), append(c.y, s.PeakPa[j]/PaPerBar)
			hi = math.Max(hi, math.Min(s.PeakPa[j]/PaPerBar, 3*hot))
		}
		p.Add(c)
		p.Legend.Add(a.Rows[i].Name, c)
		if r := &a.Rows[i]; r.Suffices && r.LeastOpen > 0 {
			p.Add(upright{at: 100 * r.LeastOpen, label: fmt.Sprintf("suffices from %.0f %%", math.Ceil(100*r.LeastOpen-1e-9)), c: series[i%len(series)], dash: []vg.Length{2.5, 2}, right: r.LeastOpen < 0.6, drop: float64(11 * i)})
		}
	}
	p.Add(&curve{x: []float64{0, 100}, y: []float64{hot, hot}, c: orange, width: 1, dash: []vg.Length{5, 2}})
	p.Add(caption{x: 100, y: hot, dx: -3, dy: 5.5, text: fmt.Sprintf("housing hot %.1f", hot), c: orange, align: text.XRight, bold: true})
	p.X.Min, p.X.Max = 0, 100
	p.Y.Min, p.Y.Max = 0, 1.12*hi
	return &Figure{Plot: p, Height: 175, Alt: "peak over the open fraction of the top vent",
		Caption: "Nominal peak over how far the top vent is open, as if the housing held. Clogging is not measured by a burst test. Estimate only."}
}

// designsShown bounds the rows of CompareFigure.
const designsShown = 24

// CompareFigure draws the designs of a comparison: the peak of each as a bar,
// what its housing bears hot as a mark, and the simulated probability of breach
// with its bound in words. nil: no rows.
func CompareFigure(rows []analysis.VentingRow) *Figure {
	if len(rows) == 0 {
		return nil
	}
	shown := rows[:min(len(rows), designsShown)]
	p := newPlot("bar gauge", "")
	hidden(&p.Y)
	most := 0.0
	for i := range shown {
		most = math.Max(most, math.Max(shown[i].Result.PeakPa, shown[i].Result.HotPa)/PaPerBar)
	}
	p.Add(gridlines{})
	for i := range shown {
		p.Add(designBar{y: float64(len(shown) - 1 - i), row: &shown[i]})
	}
	p.X.Min, p.X.Max = 0, 1.75*most
	p.Y.Min, p.Y.Max = -0.6, float64(len(shown))-0.25
	text := "Each design: its peak (bar), what the housing bears hot (mark), and how often simulated cells breached, with the upper bound for that many trials. Estimate only."
	if n := len(rows) - len(shown); n > 0 {
		text += fmt.Sprintf(" %d further combinations are in the table.", n)
	}
	return &Figure{Plot: p, Height: 46 + 22*float64(len(shown)), Caption: text, Alt: "designs side by side"}
}

// designBar is one design: its name above its bar.
type designBar struct {
	y   float64
	row *analysis.VentingRow
}

func (d designBar) Plot(c draw.Canvas, p *plot.Plot) {
	x, ty := p.Transforms(&c)
	r := &d.row.Result
	y := ty(d.y)
	fill, bold := color.Color(blue), d.row.Options == nil
	if !r.Holds {
		fill = orange
	}
	left, right := x(0), x(r.PeakPa/PaPerBar)
	c.FillPolygon(fill, []vg.Point{{X: left, Y: y - 7}, {X: right, Y: y - 7}, {X: right, Y: y - 1}, {X: left, Y: y - 1}})
	hot := x(r.HotPa / PaPerBar)
	c.StrokeLine2(draw.LineStyle{Color: ink0, Width: 1.6}, hot, y-9.5, hot, y+1.5)
	s := words(7.5, ink0, bold)
	s.YAlign = text.YCenter
	c.FillText(s, vg.Point{X: left + 1, Y: y + 5}, upper(d.row.Name))
	figure := fmt.Sprintf("%.1f bar, margin %+.1f", r.PeakPa/PaPerBar, r.MarginPa/PaPerBar)
	if b := d.row.Breach; b != nil {
		figure += fmt.Sprintf("; breach %.1f %% (< %s)", 100*b.P, RoundedUp(b.Upper))
	}
	s = words(7.5, ink0, false)
	s.YAlign = text.YCenter
	c.FillText(s, vg.Point{X: max(right, hot) + 5, Y: y - 4}, figure)
}
