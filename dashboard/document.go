package dashboard

import (
	"bytes"

	"ventward/report"
)

// Shapes of a document as the API gives it: what report writes as PDF and HTML,
// with each figure as an SVG element.
type (
	documentJSON struct {
		Title    string        `json:"title"`
		Subtitle string        `json:"subtitle,omitempty"`
		Banner   string        `json:"banner,omitempty"`
		Facts    []factJSON    `json:"facts"`
		Answers  []answerJSON  `json:"answers"`
		Sections []sectionJSON `json:"sections"`
		Cautions []string      `json:"cautions"`
	}
	factJSON struct {
		Name  string `json:"name"`
		Value string `json:"value"`
	}
	answerJSON struct {
		Tone     string `json:"tone"` // good, bad or neutral; the word says the same
		Word     string `json:"word"`
		Sentence string `json:"sentence"`
	}
	sectionJSON struct {
		Title  string      `json:"title"`
		Blocks []blockJSON `json:"blocks"`
	}
	blockJSON struct {
		Text   string      `json:"text,omitempty"`
		Table  *tableJSON  `json:"table,omitempty"`
		Figure *figureJSON `json:"figure,omitempty"`
	}
	tableJSON struct {
		Columns []columnJSON `json:"columns"`
		Rows    []rowJSON    `json:"rows"`
		Note    string       `json:"note,omitempty"`
	}
	columnJSON struct {
		Title string `json:"title"`
		Right bool   `json:"right,omitempty"`
	}
	rowJSON struct {
		Cells []string `json:"cells"`
		Dim   bool     `json:"dim,omitempty"`  // does not count
		Bold  bool     `json:"bold,omitempty"` // a sum, or the case as it is
	}
	figureJSON struct {
		SVG     string  `json:"svg"`
		Caption string  `json:"caption"`
		Alt     string  `json:"alt"`
		Width   float64 `json:"width"` // of the drawing, points
		Height  float64 `json:"height"`
	}
)

// figureWidth is that of the text of a printed report, in points, so that the
// pictures are the same.
const figureWidth = 499

// documentOf turns a document into its shape of the API.
func documentOf(d *report.Document) (*documentJSON, error) {
	out := &documentJSON{Title: d.Title, Subtitle: d.Subtitle, Banner: d.Banner, Facts: []factJSON{}, Answers: []answerJSON{}, Sections: []sectionJSON{},
		Cautions: append([]string{}, d.Cautions...)}
	for _, f := range d.Facts {
		out.Facts = append(out.Facts, factJSON{f.Name, f.Value})
	}
	for _, a := range d.Answers {
		out.Answers = append(out.Answers, answerJSON{string(a.Tone), a.Word, a.Sentence})
	}
	for i := range d.Sections {
		s, err := sectionOf(&d.Sections[i])
		if err != nil {
			return nil, err
		}
		if len(s.Blocks) > 0 {
			out.Sections = append(out.Sections, s)
		}
	}
	return out, nil
}

func sectionOf(s *report.Section) (sectionJSON, error) {
	out := sectionJSON{Title: s.Title, Blocks: []blockJSON{}}
	for i := range s.Blocks {
		b := &s.Blocks[i]
		switch {
		case b.Figure != nil:
			var svg bytes.Buffer
			if err := report.WriteSVG(&svg, b.Figure, figureWidth); err != nil {
				return out, err
			}
			out.Blocks = append(out.Blocks, blockJSON{Figure: &figureJSON{svg.String(), b.Figure.Caption, b.Figure.Alt, figureWidth, b.Figure.Height}})
		case b.Table != nil:
			out.Blocks = append(out.Blocks, blockJSON{Table: tableOf(b.Table)})
		default:
			out.Blocks = append(out.Blocks, blockJSON{Text: b.Text})
		}
	}
	return out, nil
}

func tableOf(t *report.Table) *tableJSON {
	out := &tableJSON{Columns: []columnJSON{}, Rows: []rowJSON{}, Note: t.Note}
	for _, c := range t.Columns {
		out.Columns = append(out.Columns, columnJSON{c.Title, c.Right})
	}
	for _, r := range t.Rows {
		out.Rows = append(out.Rows, rowJSON{append([]string{}, r.Cells...), r.Dim, r.Bold})
	}
	return out
}
