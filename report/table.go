package report

// Measures of a table in points.
const (
	cellPad  = 7.0
	cellLine = 10.5
	cellV    = 2.6
)

// table lays a table out; its head is repeated on every page.
func (s *sheets) table(t *Table) {
	widths := t.widths(textWidth)
	s.tableHead(t, widths)
	for i := range t.Rows {
		r := &t.Rows[i]
		lines, h := s.cells(r, widths)
		if s.left() < h {
			s.pdf.AddPage()
			s.pdf.SetY(marginTop)
			s.tableHead(t, widths)
		}
		s.row(t, r, widths, lines, h)
	}
	y := s.pdf.GetY()
	s.rule(y, inkText, 0.8)
	s.pdf.SetY(y + 5)
	if t.Note != "" {
		s.paragraph(t.Note, "", sizeS, inkPale)
	}
	s.pdf.SetY(s.pdf.GetY() + 3)
}

// widths shares out w points by the columns' shares.
func (t *Table) widths(w float64) []float64 {
	sum := 0.0
	for _, c := range t.Columns {
		sum += c.Share
	}
	out := make([]float64, len(t.Columns))
	for i, c := range t.Columns {
		out[i] = w * c.Share / sum
	}
	return out
}

func (s *sheets) tableHead(t *Table, widths []float64) {
	s.pdf.SetFont(family, "B", sizeXS)
	deep := 1
	titles := make([][]string, len(t.Columns))
	for i, c := range t.Columns {
		titles[i] = s.wrap(c.Title, widths[i]-cellPad)
		deep = max(deep, len(titles[i]))
	}
	h := float64(deep)*9 + 5
	s.room(h + 3*cellLine)
	y := s.pdf.GetY()
	s.rule(y, inkText, 0.8)
	x := marginX
	for i, c := range t.Columns {
		s.font("B", sizeXS, inkText)
		for j, l := range titles[i] {
			s.put(x, y+10+9*float64(deep-len(titles[i])+j), widths[i], l, c.Right)
		}
		x += widths[i]
	}
	s.rule(y+h, inkText, 0.4)
	s.pdf.SetY(y + h)
}

// put writes one line of a cell.
func (s *sheets) put(x, y, w float64, text string, right bool) {
	if right {
		x += w - cellPad - s.pdf.GetStringWidth(text)
	}
	s.pdf.Text(x, y, text)
}

// cells wraps a row's cells and says how high it gets.
func (s *sheets) cells(r *Row, widths []float64) ([][]string, float64) {
	s.pdf.SetFont(family, "", sizeS)
	deep := 1
	lines := make([][]string, len(widths))
	for i := range widths {
		text := ""
		if i < len(r.Cells) {
			text = r.Cells[i]
		}
		lines[i] = s.wrap(text, widths[i]-cellPad)
		deep = max(deep, len(lines[i]))
	}
	return lines, float64(deep)*cellLine + 2*cellV
}

func (s *sheets) row(t *Table, r *Row, widths []float64, lines [][]string, h float64) {
	y := s.pdf.GetY()
	k, style := inkText, ""
	if r.Dim {
		k = inkPale
	}
	if r.Bold {
		style = "B"
	}
	x := marginX
	for i, w := range widths {
		s.font(style, sizeS, k)
		for j, l := range lines[i] {
			s.put(x, y+cellV+8+cellLine*float64(j), w, l, t.Columns[i].Right)
		}
		x += w
	}
	s.rule(y+h, inkRule, 0.4)
	s.pdf.SetY(y + h)
}
