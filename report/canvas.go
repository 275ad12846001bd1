package report

import (
	"bytes"
	"fmt"
	"image"
	"image/color"
	"image/png"
	"math"
	"strings"

	"codeberg.org/go-pdf/fpdf"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/vg"
)

// A canvas draws what gonum's plotter asks for into a rectangle of a PDF page:
// lines stay vectors, text stays text. It keeps the transformation itself, so
// that every path reaches the page in page coordinates.
type canvas struct {
	pdf    *fpdf.Fpdf
	w, h   float64 // size in points
	now    brush
	stack  []brush
	images int
}

// brush is the drawing state that Push saves.
type brush struct {
	m     affine
	width float64
	dash  []float64
	phase float64
	color color.Color
}

// affine maps (x, y) to (a x + c y + e, b x + d y + f).
type affine struct{ a, b, c, d, e, f float64 }

// then is the map that applies n first and m afterwards.
func (m affine) then(n affine) affine {
	return affine{
		m.a*n.a + m.c*n.b, m.b*n.a + m.d*n.b,
		m.a*n.c + m.c*n.d, m.b*n.c + m.d*n.d,
		m.a*n.e + m.c*n.f + m.e, m.b*n.e + m.d*n.f + m.f,
	}
}

func (m affine) at(p vg.Point) (x, y float64) {
	px, py := float64(p.X), float64(p.Y)
	return m.a*px + m.c*py + m.e, m.b*px + m.d*py + m.f
}

// scale is the factor by which lengths grow.
func (m affine) scale() float64 { return math.Sqrt(math.Abs(m.a*m.d - m.b*m.c)) }

// newCanvas draws into the rectangle whose upper left corner is at (x, y) of
// the page, in points. gonum's y axis points up, the page's down.
func newCanvas(pdf *fpdf.Fpdf, x, y, w, h float64) *canvas {
	return &canvas{pdf: pdf, w: w, h: h, now: brush{m: affine{1, 0, 0, -1, x, y + h}, width: 1, color: color.Black}}
}

func (c *canvas) Size() (x, y vg.Length) { return vg.Length(c.w), vg.Length(c.h) }

func (c *canvas) SetLineWidth(l vg.Length) { c.now.width = float64(l) }

func (c *canvas) SetLineDash(pattern []vg.Length, offset vg.Length) {
	c.now.dash = nil
	for _, l := range pattern {
		c.now.dash = append(c.now.dash, float64(l))
	}
	c.now.phase = float64(offset)
}

func (c *canvas) SetColor(k color.Color) {
	if k == nil {
		k = color.Black
	}
	c.now.color = k
}

func (c *canvas) Rotate(rad float64) {
	sin, cos := math.Sincos(rad)
	c.now.m = c.now.m.then(affine{cos, sin, -sin, cos, 0, 0})
}

func (c *canvas) Translate(p vg.Point) {
	c.now.m = c.now.m.then(affine{1, 0, 0, 1, float64(p.X), float64(p.Y)})
}

func (c *canvas) Scale(x, y float64) { c.now.m = c.now.m.then(affine{x, 0, 0, y, 0, 0}) }

func (c *canvas) Push() { c.stack = append(c.stack, c.now) }

func (c *canvas) Pop() {
	if n := len(c.stack); n > 0 {
		c.now, c.stack = c.stack[n-1], c.stack[:n-1]
	}
}

// rgb flattens a colour onto white: the pages are white and print.
func rgb(k color.Color) (r, g, b int) {
	n := color.NRGBAModel.Convert(k).(color.NRGBA)
	over := func(v uint8) int { return (int(v)*int(n.A) + 255*(255-int(n.A))) / 255 }
	return over(n.R), over(n.G), over(n.B)
}

func (c *canvas) Stroke(p vg.Path) {
	if c.now.width <= 0 {
		return
	}
	k := c.now.m.scale()
	c.pdf.SetDrawColor(rgb(c.now.color))
	c.pdf.SetLineWidth(c.now.width * k)
	c.pdf.SetLineJoinStyle("round")
	c.pdf.SetLineCapStyle("butt")
	dash := make([]float64, len(c.now.dash))
	for i, d := range c.now.dash {
		dash[i] = d * k
	}
	c.pdf.SetDashPattern(dash, c.now.phase*k)
	c.path(p)
	c.pdf.DrawPath("D")
	c.pdf.SetDashPattern(nil, 0)
}

func (c *canvas) Fill(p vg.Path) {
	c.pdf.SetFillColor(rgb(c.now.color))
	c.path(p)
	c.pdf.DrawPath("F")
}

func (c *canvas) path(p vg.Path) {
	begun := false
	for i := range p {
		s := &p[i]
		x, y := c.now.m.at(s.Pos)
		switch s.Type {
		case vg.MoveComp:
			c.pdf.MoveTo(x, y)
			begun = true
		case vg.LineComp:
			c.pdf.LineTo(x, y)
		case vg.ArcComp:
			c.arc(s, begun)
			begun = true
		case vg.CurveComp:
			c.curve(s, x, y)
		case vg.CloseComp:
			c.pdf.ClosePath()
		}
	}
}

func (c *canvas) curve(s *vg.PathComp, x, y float64) {
	switch len(s.Control) {
	case 1:
		cx, cy := c.now.m.at(s.Control[0])
		c.pdf.CurveTo(cx, cy, x, y)
	case 2:
		ax, ay := c.now.m.at(s.Control[0])
		bx, by := c.now.m.at(s.Control[1])
		c.pdf.CurveBezierCubicTo(ax, ay, bx, by, x, y)
	}
}

// arc draws an arc as cubic curves of at most a quarter turn, joined to what
// came before by a line.
func (c *canvas) arc(s *vg.PathComp, begun bool) {
	r := float64(s.Radius)
	on := func(angle, out float64) vg.Point { // a point of the circle, and along its tangent
		sin, cos := math.Sincos(angle)
		return vg.Point{X: s.Pos.X + vg.Length(r*(cos-out*sin)), Y: s.Pos.Y + vg.Length(r*(sin+out*cos))}
	}
	x, y := c.now.m.at(on(s.Start, 0))
	if begun {
		c.pdf.LineTo(x, y)
	} else {
		c.pdf.MoveTo(x, y)
	}
	parts := int(math.Ceil(math.Abs(s.Angle)/(math.Pi/2) - 1e-9))
	if parts < 1 {
		return
	}
	step := s.Angle / float64(parts)
	reach := 4.0 / 3 * math.Tan(step/4)
	for i := range parts {
		from, to := s.Start+float64(i)*step, s.Start+float64(i+1)*step
		ax, ay := c.now.m.at(on(from, reach))
		bx, by := c.now.m.at(on(to, -reach))
		ex, ey := c.now.m.at(on(to, 0))
		c.pdf.CurveBezierCubicTo(ax, ay, bx, by, ex, ey)
	}
}

func (c *canvas) FillString(f font.Face, at vg.Point, text string) {
	size := float64(f.Font.Size) * c.now.m.scale()
	if size <= 0 || text == "" {
		return
	}
	x, y := c.now.m.at(at)
	c.pdf.SetTextColor(rgb(c.now.color))
	c.pdf.SetFont(family, style(f.Font), size)
	angle := math.Atan2(-c.now.m.b, c.now.m.a) * 180 / math.Pi
	if math.Abs(angle) < 1e-6 {
		c.pdf.Text(x, y, text)
		return
	}
	c.pdf.TransformBegin()
	c.pdf.TransformRotate(angle, x, y)
	c.pdf.Text(x, y, text)
	c.pdf.TransformEnd()
}

// style names the cut of a face in the PDF's words. Upright regular and bold
// and the italic are embedded.
func style(f font.Font) string {
	switch name := strings.ToLower(f.Name()); {
	case strings.Contains(name, "bold"):
		return "B"
	case strings.Contains(name, "italic"):
		return "I"
	}
	return ""
}

// DrawImage places an image upright in the rectangle; plots of this package
// have none, so a rotated canvas is not provided for.
func (c *canvas) DrawImage(r vg.Rectangle, img image.Image) {
	var b bytes.Buffer
	if err := png.Encode(&b, img); err != nil {
		c.pdf.SetError(fmt.Errorf("report: image in a plot: %w", err))
		return
	}
	c.images++
	name := fmt.Sprintf("plot %p image %d", c, c.images)
	opt := fpdf.ImageOptions{ImageType: "PNG"}
	c.pdf.RegisterImageOptionsReader(name, opt, &b)
	x0, y0 := c.now.m.at(r.Min)
	x1, y1 := c.now.m.at(r.Max)
	c.pdf.ImageOptions(name, math.Min(x0, x1), math.Min(y0, y1), math.Abs(x1-x0), math.Abs(y1-y0), false, opt, 0, "")
}
