package report

import (
	"image/color"
	"math"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// Colours of plots: told apart by the colour-blind, 3:1 and more on white
// (darker shades of Okabe and Ito's palette; from memory).
var (
	blue   = color.NRGBA{0, 114, 178, 255}
	orange = color.NRGBA{190, 74, 0, 255}
	green  = color.NRGBA{0, 128, 92, 255}
	purple = color.NRGBA{160, 80, 140, 255}
	ink0   = color.NRGBA{33, 37, 41, 255}
	ink1   = color.NRGBA{105, 112, 120, 255}
	grid   = color.NRGBA{228, 231, 235, 255}

	series = []color.NRGBA{blue, orange, green, purple}
)

// featureColour keeps a feature's colour the same in every plot.
func featureColour(feature string) color.NRGBA {
	switch feature {
	case "top vent":
		return blue
	case "bottom vent":
		return green
	case "housing":
		return purple
	}
	return ink1
}

// bold is the weight as golang.org/x/image/font counts them.
const bold = 3

func faded(c color.NRGBA, alpha uint8) color.NRGBA { c.A = alpha; return c }

func sans(size float64, strong bool) font.Font {
	f := font.Font{Typeface: "Liberation", Variant: "Sans", Size: vg.Length(size)}
	if strong {
		f.Weight = bold
	}
	return f
}

func words(size float64, c color.Color, strong bool) text.Style {
	return text.Style{Color: c, Font: sans(size, strong), Handler: plot.DefaultTextHandler}
}

// newPlot is an empty plot in the style of the reports.
func newPlot(x, y string) *plot.Plot {
	p := plot.New()
	p.BackgroundColor = color.White
	for _, a := range []*plot.Axis{&p.X, &p.Y} {
		a.Label.TextStyle.Font = sans(8.5, false)
		a.Label.TextStyle.Color = ink0
		a.Tick.Label.Font = sans(8, false)
		a.Tick.Label.Color = ink0
		a.LineStyle = draw.LineStyle{Color: ink1, Width: 0.6}
		a.Tick.LineStyle = draw.LineStyle{Color: ink1, Width: 0.6}
		a.Tick.Length = 3
		a.Padding = 2
		a.Tick.Marker = niceTicks{}
	}
	p.X.Label.Text, p.Y.Label.Text = x, y
	p.Legend.TextStyle = words(8, ink0, false)
	p.Legend.Top = true
	p.Legend.ThumbnailWidth = 14
	p.Legend.Padding = 2
	return p
}

// niceTicks puts ticks on multiples of 1, 2 or 5 times a power of ten.
type niceTicks struct{ most int }

func (n niceTicks) Ticks(lo, hi float64) []plot.Tick {
	most := n.most
	if most == 0 {
		most = 10
	}
	if !(hi > lo) || math.IsInf(hi-lo, 0) {
		return []plot.Tick{{Value: lo, Label: figures(lo, 0)}}
	}
	raw := (hi - lo) / float64(most)
	power := math.Pow(10, math.Floor(math.Log10(raw)))
	step := 10 * power
	for _, m := range []float64{1, 2, 5} {
		if m*power >= raw {
			step = m * power
			break
		}
	}
	decimals := int(math.Max(0, -math.Floor(math.Log10(step)+1e-9)))
	var out []plot.Tick
	for i := math.Ceil(lo/step - 1e-9); i*step <= hi+1e-9*step && len(out) < 2*most+2; i++ {
		out = append(out, plot.Tick{Value: i * step, Label: figures(i*step, decimals)})
	}
	return out
}

// gridlines are drawn first.
type gridlines struct{}

func (gridlines) Plot(c draw.Canvas, p *plot.Plot) {
	x, y := p.Transforms(&c)
	s := draw.LineStyle{Color: grid, Width: 0.5}
	for _, t := range p.X.Tick.Marker.Ticks(p.X.Min, p.X.Max) {
		if t.Label != "" {
			c.StrokeLine2(s, x(t.Value), c.Min.Y, x(t.Value), c.Max.Y)
		}
	}
	for _, t := range p.Y.Tick.Marker.Ticks(p.Y.Min, p.Y.Max) {
		if t.Label != "" {
			c.StrokeLine2(s, c.Min.X, y(t.Value), c.Max.X, y(t.Value))
		}
	}
}

// band shades the plot from one abscissa to another.
type band struct {
	lo, hi float64
	c      color.Color
}

func (b band) Plot(c draw.Canvas, p *plot.Plot) {
	x, _ := p.Transforms(&c)
	lo, hi := clamp(x(b.lo), c.Min.X, c.Max.X), clamp(x(b.hi), c.Min.X, c.Max.X)
	c.FillPolygon(b.c, []vg.Point{{X: lo, Y: c.Min.Y}, {X: hi, Y: c.Min.Y}, {X: hi, Y: c.Max.Y}, {X: lo, Y: c.Max.Y}})
}

func clamp(v, lo, hi vg.Length) vg.Length { return max(lo, min(v, hi)) }

// upright is a vertical line with a label at its top.
type upright struct {
	at    float64
	label string
	c     color.Color
	dash  []vg.Length
	right bool    // the label stands to the right of the line
	drop  float64 // points that the label stands lower, beside others
}

func (u upright) Plot(c draw.Canvas, p *plot.Plot) {
	x, _ := p.Transforms(&c)
	at := x(u.at)
	if at < c.Min.X-0.5 || at > c.Max.X+0.5 {
		return
	}
	c.StrokeLine2(draw.LineStyle{Color: u.c, Width: 0.9, Dashes: u.dash}, at, c.Min.Y, at, c.Max.Y)
	s := words(8, u.c, true)
	s.YAlign = text.YTop
	s.XAlign = text.XRight
	dx := vg.Length(-3)
	if u.right {
		s.XAlign, dx = text.XLeft, 3
	}
	c.FillText(s, vg.Point{X: at + dx, Y: c.Max.Y - 2 - vg.Length(u.drop)}, u.label)
}

// tag is a number in a disc at the top of the plot, on a thin line.
type tag struct {
	at     float64
	number string
	c      color.NRGBA
	step   int // places it lower, so that neighbours don't cover each other
}

func (t tag) Plot(c draw.Canvas, p *plot.Plot) {
	x, _ := p.Transforms(&c)
	at := x(t.at)
	if at < c.Min.X || at > c.Max.X {
		return
	}
	const r = 6.2
	y := c.Max.Y - r - 2 - vg.Length(t.step)*(2*r+1)
	c.StrokeLine2(draw.LineStyle{Color: t.c, Width: 0.7, Dashes: []vg.Length{2.5, 2}}, at, c.Min.Y, at, y)
	var disc vg.Path
	disc.Move(vg.Point{X: at + r, Y: y})
	disc.Arc(vg.Point{X: at, Y: y}, r, 0, 2*math.Pi)
	disc.Close()
	c.SetColor(t.c)
	c.Fill(disc)
	s := words(7.5, color.White, true)
	s.XAlign, s.YAlign = text.XCenter, text.YCenter
	c.FillText(s, vg.Point{X: at, Y: y}, t.number)
}

// curve is a line through points; gaps (NaN) break it.
type curve struct {
	x, y  []float64
	c     color.Color
	width float64
	dash  []vg.Length
	fill  color.Color // under the line, down to zero
}

func (l *curve) add(x, y float64) { l.x, l.y = append(l.x, x), append(l.y, y) }

func (l *curve) Plot(c draw.Canvas, p *plot.Plot) {
	tx, ty := p.Transforms(&c)
	var path []vg.Point
	flush := func() {
		if len(path) > 1 {
			if l.fill != nil {
				area := append([]vg.Point{{X: path[0].X, Y: ty(0)}}, path...)
				area = append(area, vg.Point{X: path[len(path)-1].X, Y: ty(0)})
				c.FillPolygon(l.fill, c.ClipPolygonXY(area))
			}
			c.StrokeLines(draw.LineStyle{Color: l.c, Width: vg.Length(l.width), Dashes: l.dash}, c.ClipLinesXY(path)...)
		}
		path = nil
	}
	for i := range l.x {
		if math.IsNaN(l.y[i]) {
			flush()
			continue
		}
		path = append(path, vg.Point{X: tx(l.x[i]), Y: ty(l.y[i])})
	}
	flush()
}

// Thumbnail is the curve's sign in a legend.
func (l *curve) Thumbnail(c *draw.Canvas) {
	y := c.Center().Y
	c.StrokeLine2(draw.LineStyle{Color: l.c, Width: vg.Length(max(l.width, 1.2)), Dashes: l.dash}, c.Min.X, y, c.Max.X, y)
}

// span is a horizontal bracket: a tolerance interval, an arrow where a side is
// open.
type span struct {
	lo, hi float64 // ±Inf: open
	y      float64
	c      color.Color
	width  float64
	mean   float64 // NaN: none
}

func (s span) Plot(c draw.Canvas, p *plot.Plot) {
	x, ty := p.Transforms(&c)
	y := ty(s.y)
	lo, hi := c.Min.X, c.Max.X
	if !math.IsInf(s.lo, 0) {
		lo = clamp(x(s.lo), c.Min.X, c.Max.X)
	}
	if !math.IsInf(s.hi, 0) {
		hi = clamp(x(s.hi), c.Min.X, c.Max.X)
	}
	st := draw.LineStyle{Color: s.c, Width: vg.Length(s.width)}
	c.StrokeLine2(st, lo, y, hi, y)
	end := func(at vg.Length, open bool, dir vg.Length) {
		if open {
			c.StrokeLine2(st, at, y, at-dir*4, y+3)
			c.StrokeLine2(st, at, y, at-dir*4, y-3)
			return
		}
		c.StrokeLine2(st, at, y-4, at, y+4)
	}
	end(lo, math.IsInf(s.lo, 0), -1)
	end(hi, math.IsInf(s.hi, 0), 1)
	if !math.IsNaN(s.mean) {
		m := x(s.mean)
		c.FillPolygon(s.c, []vg.Point{{X: m, Y: y + 4}, {X: m + 4, Y: y}, {X: m, Y: y - 4}, {X: m - 4, Y: y}})
	}
}

// caption is text at a place of the plot, dx and dy points off.
type caption struct {
	x, y   float64
	dx, dy float64
	text   string
	c      color.Color
	align  text.XAlignment
	bold   bool
	size   float64
}

func (t caption) Plot(c draw.Canvas, p *plot.Plot) {
	x, y := p.Transforms(&c)
	size := t.size
	if size == 0 {
		size = 8
	}
	s := words(size, t.c, t.bold)
	s.XAlign, s.YAlign = t.align, text.YCenter
	c.FillText(s, vg.Point{X: x(t.x) + vg.Length(t.dx), Y: y(t.y) + vg.Length(t.dy)}, t.text)
}

// dots are single shots: filled when they count, an arrowhead to the right
// when they only held "at least", a cross when excluded.
type dots struct {
	x, y []float64
	kind []dotKind
	c    color.Color
	r    float64
}

type dotKind uint8

const (
	dotValid dotKind = iota
	dotAtLeast
	dotExcluded
)

func (d *dots) Plot(c draw.Canvas, p *plot.Plot) {
	tx, ty := p.Transforms(&c)
	r := vg.Length(d.r)
	for i := range d.x {
		x, y := tx(d.x[i]), ty(d.y[i])
		if x < c.Min.X-r || x > c.Max.X+r {
			continue
		}
		switch d.kind[i] {
		case dotValid:
			var disc vg.Path
			disc.Move(vg.Point{X: x + r, Y: y})
			disc.Arc(vg.Point{X: x, Y: y}, r, 0, 2*math.Pi)
			disc.Close()
			c.SetColor(d.c)
			c.Fill(disc)
		case dotAtLeast:
			st := draw.LineStyle{Color: orange, Width: 1.1}
			c.StrokeLines(st, []vg.Point{{X: x - r, Y: y + r}, {X: x + r, Y: y}, {X: x - r, Y: y - r}, {X: x - r, Y: y + r}})
			c.StrokeLine2(st, x+r, y, x+3*r, y)
		case dotExcluded:
			st := draw.LineStyle{Color: ink1, Width: 1}
			c.StrokeLine2(st, x-r, y-r, x+r, y+r)
			c.StrokeLine2(st, x-r, y+r, x+r, y-r)
		}
	}
}
