package report

import (
	"bytes"
	_ "embed"
	"fmt"
	"html/template"
	"io"
	"regexp"

	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/vgsvg"
)

//go:embed page.html
var pageHTML string

var page = template.Must(template.New("report").Funcs(template.FuncMap{"svg": svg, "stamp": stamp, "inc": func(i int) int { return i + 1 }}).Parse(pageHTML))

// WriteHTML renders the document as one page that needs nothing else: styles
// and vector plots are in it. It prints as it looks.
func WriteHTML(w io.Writer, d *Document) error {
	var b bytes.Buffer
	if err := page.Execute(&b, struct {
		*Document
		Aid string
	}{d, CautionAid}); err != nil {
		return fmt.Errorf("report: HTML of %s: %w", d.ID, err)
	}
	if _, err := w.Write(b.Bytes()); err != nil {
		return fmt.Errorf("report: HTML of %s: %w", d.ID, err)
	}
	return nil
}

// prologue is what stands before the element svg in a file of its own.
var prologue = regexp.MustCompile(`(?s)^.*?<svg`)

// size is the fixed size that a plot's element carries; the page scales it.
var size = regexp.MustCompile(`(?s)<svg width="[^"]*" height="[^"]*"`)

// svg draws a figure as an element of the page. The plotter escapes all text.
func svg(f *Figure) (template.HTML, error) {
	var b bytes.Buffer
	if err := WriteSVG(&b, f, textWidth); err != nil {
		return "", err
	}
	return template.HTML(b.String()), nil
}

// WriteSVG draws a figure, width points wide and as high as the figure says, as
// an element <svg> that a page can take in: it has a viewBox and no size of its
// own, and says in words what it shows. It is the plot that WritePDF draws.
// The plotter escapes all text.
func WriteSVG(w io.Writer, f *Figure, width float64) error {
	if !(width >= 100 && width <= 4000) {
		return fmt.Errorf("report: figure %q: a width of %v points: give 100 to 4000", f.Alt, width)
	}
	c := vgsvg.New(vg.Length(width), vg.Length(f.Height))
	f.Plot.Draw(draw.New(c))
	var b bytes.Buffer
	if _, err := c.WriteTo(&b); err != nil {
		return fmt.Errorf("report: figure %q: %w", f.Alt, err)
	}
	body := prologue.ReplaceAll(b.Bytes(), []byte("<svg"))
	label := `<svg role="img" aria-label="` + template.HTMLEscapeString(f.Alt) + `"`
	if _, err := w.Write(size.ReplaceAllLiteral(body, []byte(label))); err != nil {
		return fmt.Errorf("report: figure %q: %w", f.Alt, err)
	}
	return nil
}
