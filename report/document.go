package report

import (
	"time"

	"gonum.org/v1/plot"
)

// A Document is what a report says, apart from how it is laid out: WritePDF and
// WriteHTML render the same document.
type Document struct {
	Title    string
	Subtitle string
	ID       string // of the run or the lot, for the foot of each page
	Made     time.Time
	Program  string // version of the program that made it
	Banner   string // what must not be overlooked: simulated, still recording; empty: nothing

	Facts    []Fact
	Answers  []Answer
	Sections []Section
	Cautions []string
}

// A Fact is a name and its value, as in the head of a report.
type Fact struct{ Name, Value string }

// Tone tells how an answer ought to look. It never stands alone: the word says
// the same.
type Tone string

const (
	Good    Tone = "good"
	Bad     Tone = "bad"
	Neutral Tone = "neutral"
)

// An Answer is a verdict in words.
type Answer struct {
	Tone     Tone
	Word     string // "PASS", "1 opening"
	Sentence string
}

// A Section is a heading and what stands under it.
type Section struct {
	Title  string
	Blocks []Block
}

// A Block is a paragraph, a table or a figure: exactly one is set.
type Block struct {
	Text   string
	Table  *Table
	Figure *Figure
}

// A Table is rows of text. Cells hold no markup.
type Table struct {
	Columns []Column
	Rows    []Row
	Note    string
}

// A Column has a title, a share of the width, and figures to the right.
type Column struct {
	Title string
	Share float64
	Right bool
}

// A Row is a row of cells; Dim draws it pale (a shot that doesn't count), Bold
// strong (a sum).
type Row struct {
	Cells []string
	Dim   bool
	Bold  bool
}

// A Figure is a plot with what it shows in words.
type Figure struct {
	Plot    *plot.Plot
	Height  float64 // in points, at the full width of the text
	Caption string
	Alt     string // for those who can't see it
}

// The cautions that a report may have to carry, in the program's own words.
const (
	CautionAid       = "Monitoring aid, not a safety device: over-pressure protection, emergency stop and access are hardware; follow the local rules."
	CautionZero      = "A zero in this report is no proof of zero pressure: vent and read the local gauge before approach."
	CautionBound     = "Saturated, out of calibration or zero not verified: the values marked so are bounds or carry no uncertainty of calibration."
	CautionEstimate  = "Estimate only: effective areas rest on the fixture's volume and on a model of the gas. Have a qualified person check them."
	CautionNoDrop    = "No drop seen does not mean not opened: the specimen may still be pressurised behind a plugged port."
	CautionClogging  = "Clogging is not measured by a burst test."
	CautionVenting   = "Estimate only: simulated pressures in a cell rest on a simple model and on inputs that scatter widely. Have a qualified person check them."
	CautionNormal    = "Tolerance limits and probabilities rest on a normal distribution and on shots taken at random from the lot."
	CautionSimulated = "The bench was simulated: no figure here says anything about a real specimen."
)
