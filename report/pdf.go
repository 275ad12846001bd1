package report

import (
	"fmt"
	"io"
	"math"
	"strings"
	"time"

	"codeberg.org/go-pdf/fpdf"
	"github.com/go-fonts/liberation/liberationsansbold"
	"github.com/go-fonts/liberation/liberationsansitalic"
	"github.com/go-fonts/liberation/liberationsansregular"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// Measures of the page in points (A4).
const (
	pageWidth  = 595.28
	pageHeight = 841.89
	marginX    = 51.0
	marginTop  = 54.0
	marginFoot = 62.0
	textWidth  = pageWidth - 2*marginX

	family = "sans"
	sizeXS = 7.5
	sizeS  = 8.5
	sizeM  = 9.5
	sizeL  = 11.5
)

// ink is a colour of the page.
type ink struct{ r, g, b int }

var (
	inkText   = ink{33, 37, 41}
	inkPale   = ink{115, 122, 130}
	inkRule   = ink{206, 211, 216}
	inkAccent = ink{0, 92, 146}
	inkGood   = ink{0, 122, 89}
	inkBad    = ink{190, 64, 0}
	inkWash   = ink{245, 247, 249}
	inkWarn   = ink{255, 246, 222}
)

func (k ink) text(p *fpdf.Fpdf) { p.SetTextColor(k.r, k.g, k.b) }
func (k ink) line(p *fpdf.Fpdf) { p.SetDrawColor(k.r, k.g, k.b) }
func (k ink) fill(p *fpdf.Fpdf) { p.SetFillColor(k.r, k.g, k.b) }

// toneInk is the colour that accompanies a verdict's word.
func toneInk(t Tone) ink {
	switch t {
	case Good:
		return inkGood
	case Bad:
		return inkBad
	}
	return inkPale
}

// sheets lays a document out on pages.
type sheets struct {
	pdf *fpdf.Fpdf
	doc *Document
}

// WritePDF renders the document: A4, vector plots, embedded fonts, text that
// can be searched and copied. The same document gives the same bytes.
func WritePDF(w io.Writer, d *Document) error {
	pdf := fpdf.New("P", "pt", "A4", "")
	pdf.AddUTF8FontFromBytes(family, "", liberationsansregular.TTF)
	pdf.AddUTF8FontFromBytes(family, "B", liberationsansbold.TTF)
	pdf.AddUTF8FontFromBytes(family, "I", liberationsansitalic.TTF)
	pdf.SetTitle(d.Title+" "+d.ID, true)
	pdf.SetCreator("ventward "+d.Program, true)
	pdf.SetProducer("ventward", true)
	pdf.SetSubject(d.Subtitle, true)
	pdf.SetLang("en")
	pdf.SetCatalogSort(true)
	pdf.SetCreationDate(d.Made.UTC())
	pdf.SetModificationDate(d.Made.UTC())
	pdf.SetMargins(marginX, marginTop, marginX)
	pdf.SetAutoPageBreak(false, marginFoot)
	pdf.SetCellMargin(0)
	pdf.AliasNbPages("{pages}")
	s := &sheets{pdf: pdf, doc: d}
	pdf.SetHeaderFunc(s.head)
	pdf.SetFooterFunc(s.foot)
	pdf.AddPage()
	s.title()
	s.facts()
	for i := range d.Answers {
		s.answer(&d.Answers[i])
	}
	for i := range d.Sections {
		s.section(&d.Sections[i])
	}
	s.cautions()
	s.end()
	if err := pdf.Output(w); err != nil {
		return fmt.Errorf("report: PDF of %s: %w", d.ID, err)
	}
	return nil
}

func (s *sheets) font(style string, size float64, k ink) {
	s.pdf.SetFont(family, style, size)
	k.text(s.pdf)
}

// head is the running head from the second page on.
func (s *sheets) head() {
	if s.pdf.PageNo() == 1 {
		return
	}
	s.font("", sizeXS, inkPale)
	s.pdf.Text(marginX, 36, s.doc.Title+"  ·  "+s.doc.ID)
	if s.doc.Banner != "" {
		s.font("B", sizeXS, inkBad)
		s.right(36, s.doc.Banner)
	}
	s.rule(42, inkRule, 0.5)
	s.pdf.SetY(marginTop)
}

func (s *sheets) foot() {
	y := pageHeight - 38
	s.rule(y-12, inkRule, 0.5)
	s.font("", sizeXS, inkPale)
	s.pdf.Text(marginX, y, CautionAid)
	s.pdf.Text(marginX, y+11, fmt.Sprintf("Made %s by ventward %s", s.doc.Made.UTC().Format("2006-01-02 15:04 UTC"), s.doc.Program))
	// Right-aligned in a cell: the total is put in afterwards, with its own width.
	page := fmt.Sprintf("Page %d of ", s.pdf.PageNo())
	s.pdf.Text(pageWidth-marginX-s.pdf.GetStringWidth(page+"00"), y+11, page+"{pages}")
}

func (s *sheets) right(y float64, text string) {
	s.pdf.Text(pageWidth-marginX-s.pdf.GetStringWidth(text), y, text)
}

func (s *sheets) rule(y float64, k ink, width float64) {
	k.line(s.pdf)
	s.pdf.SetLineWidth(width)
	s.pdf.Line(marginX, y, pageWidth-marginX, y)
}

func (s *sheets) left() float64 { return pageHeight - marginFoot - s.pdf.GetY() }

// room begins a new page unless h points are left on this one.
func (s *sheets) room(h float64) {
	if s.left() < h && s.pdf.GetY() > marginTop+1 {
		s.pdf.AddPage()
		s.pdf.SetY(marginTop)
	}
}

func (s *sheets) title() {
	inkAccent.fill(s.pdf)
	s.pdf.Rect(marginX, marginTop-6, 36, 3, "F")
	s.font("B", 20, inkText)
	s.pdf.Text(marginX, marginTop+20, s.doc.Title)
	s.font("", sizeL, inkPale)
	s.pdf.Text(marginX, marginTop+37, s.doc.Subtitle)
	s.pdf.SetY(marginTop + 50)
	if s.doc.Banner != "" {
		y := s.pdf.GetY()
		inkBad.fill(s.pdf)
		s.pdf.Rect(marginX, y, textWidth, 18, "F")
		s.pdf.SetFont(family, "B", sizeM)
		s.pdf.SetTextColor(255, 255, 255)
		s.pdf.Text(marginX+8, y+12.5, s.doc.Banner)
		s.pdf.SetY(y + 28)
	}
}

// facts are laid out in two columns of names and values.
func (s *sheets) facts() {
	const nameWidth, gap, line = 82.0, 14.0, 11.5
	column := (textWidth - gap) / 2
	half := (len(s.doc.Facts) + 1) / 2
	top := s.pdf.GetY()
	low := top
	for c := range 2 {
		y := top
		for _, f := range s.doc.Facts[min(c*half, len(s.doc.Facts)):min((c+1)*half, len(s.doc.Facts))] {
			x := marginX + float64(c)*(column+gap)
			s.font("", sizeS, inkPale)
			s.pdf.Text(x, y+9, f.Name)
			s.font("", sizeS, inkText)
			for _, l := range s.wrap(f.Value, column-nameWidth) {
				s.pdf.Text(x+nameWidth, y+9, l)
				y += line
			}
			y += 2
		}
		low = math.Max(low, y)
	}
	s.pdf.SetY(low + 10)
}

// wrap breaks text into lines of at most w points in the font in force; a
// word that is longer is broken where it must.
func (s *sheets) wrap(text string, w float64) []string {
	if text == "" {
		return []string{""}
	}
	lines := s.pdf.SplitText(strings.ReplaceAll(text, " %", "\u00a0%"), w) // a figure and its sign stay together
	for i := range lines {
		lines[i] = strings.ReplaceAll(lines[i], "\u00a0", " ")
	}
	return lines
}

// answer is a wash with the verdict's word and sentence and a bar at its side.
func (s *sheets) answer(a *Answer) {
	const pad, line = 10.0, 14.0
	s.pdf.SetFont(family, "", sizeL-1)
	lines := s.wrap(a.Sentence, textWidth-2*pad-4)
	h := 2*pad + 13 + line*float64(len(lines))
	s.room(h + 8)
	y := s.pdf.GetY()
	inkWash.fill(s.pdf)
	s.pdf.Rect(marginX, y, textWidth, h, "F")
	toneInk(a.Tone).fill(s.pdf)
	s.pdf.Rect(marginX, y, 4, h, "F")
	s.font("B", sizeM, toneInk(a.Tone))
	s.pdf.Text(marginX+4+pad, y+pad+8, a.Word)
	s.font("", sizeL-1, inkText)
	for i, l := range lines {
		s.pdf.Text(marginX+4+pad, y+pad+13+line*float64(i)+10, l)
	}
	s.pdf.SetY(y + h + 8)
}

func (s *sheets) section(sec *Section) {
	if len(sec.Blocks) == 0 {
		return
	}
	s.room(24 + s.least(&sec.Blocks[0]))
	y := s.pdf.GetY() + 8
	s.font("B", sizeL+0.5, inkText)
	s.pdf.Bookmark(sec.Title, 0, y)
	s.pdf.Text(marginX, y+11, sec.Title)
	s.pdf.SetY(y + 20)
	for i := range sec.Blocks {
		b := &sec.Blocks[i]
		switch {
		case b.Table != nil:
			s.table(b.Table)
		case b.Figure != nil:
			s.figure(b.Figure)
		default:
			s.paragraph(b.Text, "", sizeM, inkText)
		}
	}
}

// least is what of a block must stand under its heading.
func (s *sheets) least(b *Block) float64 {
	switch {
	case b.Figure != nil:
		return b.Figure.Height + 30
	case b.Table != nil:
		return 60
	}
	return 30
}

func (s *sheets) paragraph(text, style string, size float64, k ink) {
	line := size * 1.35
	s.font(style, size, k)
	for _, l := range s.wrap(text, textWidth) {
		s.room(line)
		s.font(style, size, k)
		s.pdf.Text(marginX, s.pdf.GetY()+size, l)
		s.pdf.SetY(s.pdf.GetY() + line)
	}
	s.pdf.SetY(s.pdf.GetY() + 5)
}

func (s *sheets) figure(f *Figure) {
	s.pdf.SetFont(family, "", sizeS)
	caption := s.wrap(f.Caption, textWidth)
	s.room(f.Height + 12*float64(len(caption)) + 8)
	y := s.pdf.GetY()
	c := newCanvas(s.pdf, marginX, y, textWidth, f.Height)
	f.Plot.Draw(draw.NewCanvas(c, vg.Length(textWidth), vg.Length(f.Height)))
	s.pdf.SetY(y + f.Height + 4)
	s.font("", sizeS, inkPale)
	for _, l := range caption {
		s.pdf.Text(marginX, s.pdf.GetY()+8, l)
		s.pdf.SetY(s.pdf.GetY() + 11)
	}
	s.pdf.SetY(s.pdf.GetY() + 6)
}

func (s *sheets) cautions() {
	if len(s.doc.Cautions) == 0 {
		return
	}
	const pad, line = 10.0, 12.5
	var lines [][]string
	h := 2*pad + 14
	s.pdf.SetFont(family, "", sizeM)
	for _, c := range s.doc.Cautions {
		l := s.wrap(c, textWidth-2*pad-14)
		lines = append(lines, l)
		h += line*float64(len(l)) + 2
	}
	s.room(h + 60)
	y := s.pdf.GetY() + 10
	s.pdf.Bookmark("Cautions", 0, y)
	inkWarn.fill(s.pdf)
	inkText.line(s.pdf)
	s.pdf.SetLineWidth(0.6)
	s.pdf.Rect(marginX, y, textWidth, h, "FD")
	s.font("B", sizeM+0.5, inkText)
	s.pdf.Text(marginX+pad, y+pad+8, "Cautions")
	at := y + pad + 16
	for i, group := range lines {
		s.font("", sizeM, inkText)
		s.pdf.Text(marginX+pad, at+9, fmt.Sprintf("%d", i+1))
		for _, l := range group {
			s.pdf.Text(marginX+pad+14, at+9, l)
			at += line
		}
		at += 2
	}
	s.pdf.SetY(y + h + 12)
}

// end tells the reader that nothing is missing.
func (s *sheets) end() {
	s.room(40)
	y := s.pdf.GetY() + 8
	text := "End of report"
	s.font("", sizeS, inkPale)
	w := s.pdf.GetStringWidth(text)
	mid := pageWidth / 2
	inkRule.line(s.pdf)
	s.pdf.SetLineWidth(0.5)
	s.pdf.Line(marginX, y-3, mid-w/2-8, y-3)
	s.pdf.Line(mid+w/2+8, y-3, pageWidth-marginX, y-3)
	s.pdf.Text(mid-w/2, y, text)
}

// stamp writes a time of the record.
func stamp(t time.Time) string { return t.UTC().Format("2006-01-02 15:04:05 UTC") }
