package report

import (
	"fmt"
	"math"
	"strings"
	"time"

	"ventward/analysis"
)

// A Venting is the adequacy of a cell's vents with what it rests on.
type Venting struct {
	Name     string // of the case
	Source   string // what its figures come from; empty: the case alone
	Adequacy *analysis.Adequacy
	Inputs   []Fact // what the simulated cells drew
}

// VentingDocument writes the report of a venting estimate.
func VentingDocument(v *Venting, made time.Time, program string) *Document {
	d := &Document{Title: "Venting adequacy: estimate only", Subtitle: v.Name, ID: v.Name, Made: made, Program: program}
	if r := []rune(d.ID); len(r) > 60 {
		d.ID = string(r[:57]) + "..."
	}
	d.Facts = VentingFacts(v.Adequacy, v.Source)
	d.Answers = []Answer{AdequacyAnswer(v.Adequacy)}
	d.Sections = []Section{AdequacySection(v.Adequacy), inputSection(v.Inputs), {Title: "Method of the estimate", Blocks: []Block{{Text: ventingMethod}}}}
	d.Cautions = []string{CautionAid, CautionVenting, CautionClogging}
	return d
}

// sections are the adequacy within another report: its figures, what it rests
// on, and its method.
func (v *Venting) sections() []Section {
	if v == nil {
		return nil
	}
	s := AdequacySection(v.Adequacy)
	t := &Table{Columns: []Column{{"The case: " + v.Name, 1, false}, {"", 3.4, false}}}
	for _, f := range VentingFacts(v.Adequacy, v.Source) {
		t.Rows = append(t.Rows, Row{Cells: []string{f.Name, f.Value}})
	}
	s.Blocks = append([]Block{{Text: AdequacySentence(v.Adequacy)}}, append(s.Blocks, Block{Table: t})...)
	return []Section{s, inputSection(v.Inputs), {Title: "Method of the estimate", Blocks: []Block{{Text: ventingMethod}}}}
}

const ventingMethod = "Gas arises in the cell as the case says and leaves through the vents by choked or subcritical flow of an ideal gas with the discharge coefficient given. " +
	"A vent opens when the difference across it reaches its opening pressure, and stays open. In a cell cut into slices gas moves along the core and through the jelly roll against friction. " +
	"The figures are as if the housing held. Simulated cells draw opening pressures and strength from the lots' scatter (a further piece of a lot of that size) and the other inputs from their uncertainty; " +
	"the bound covers the number of simulated cells, not what the model leaves out: ejected material, fire, a jelly roll that moves, a wall that melts."

// VentingFacts are the head of a venting report.
func VentingFacts(a *analysis.Adequacy, source string) []Fact {
	c := a.Case
	f := []Fact{
		{"Gas of the runaway", fmt.Sprintf("%.4g mmol within %.3g s, up to %.0f °C", 1e3*c.Generation.Amount(), lasting(&c.Generation), c.Generation.Hottest()-273.15)},
		{"Free volume", fmt.Sprintf("%.3g mL", 1e6*c.FreeVolume)},
		{"Top vent", ventFact(&c.Top)},
	}
	if c.Bottom != nil {
		f = append(f, Fact{"Bottom vent", ventFact(c.Bottom)})
	} else {
		f = append(f, Fact{"Bottom vent", "none"})
	}
	f = append(f, Fact{"Housing", fmt.Sprintf("%s cold, %.0f %% of it hot", scatterFact(c.Housing.Cold), 100*c.Housing.HotFactor)})
	if c.Inside.Slices >= 2 {
		f = append(f, Fact{"Inside", fmt.Sprintf("%d slices, core %.3g mm, runaway from %.0f %% of the length", c.Inside.Slices, 1e3*c.Inside.CoreDiameterM, 100*c.Inside.Seat)})
	} else {
		f = append(f, Fact{"Inside", "well mixed"})
	}
	if source != "" {
		f = append(f, Fact{"From", source})
	}
	return f
}

func lasting(g *analysis.Generation) float64 { return g.TimeS[len(g.TimeS)-1] - g.TimeS[0] }

func ventFact(v *analysis.Vent) string {
	return fmt.Sprintf("opens at %s; %.3g mm², C_d %.2g, %.0f %% open", scatterFact(v.Opening), 1e6*v.AreaM2, v.Discharge, 100*v.OpenFraction)
}

func scatterFact(s analysis.Scatter) string {
	t := fmt.Sprintf("%.1f bar", s.MeanPa/PaPerBar)
	if s.SDPa > 0 {
		t += fmt.Sprintf(" (s %.2f", s.SDPa/PaPerBar)
		if s.Pieces > 0 {
			t += fmt.Sprintf(", n %d", s.Pieces)
		}
		t += ")"
	}
	return t
}

// AdequacyAnswer is what the engineer asks, in a sentence.
func AdequacyAnswer(a *analysis.Adequacy) Answer {
	r := &a.Rows[0].Result
	ans := Answer{Tone: Good, Word: "ESTIMATE: THE HOUSING HOLDS", Sentence: AdequacySentence(a)}
	if !r.Holds {
		ans.Tone, ans.Word = Bad, "ESTIMATE: THE HOUSING DOES NOT HOLD"
	} else if b := a.Rows[0].Breach; b != nil && b.Breaches > 0 {
		ans.Tone, ans.Word = Neutral, "ESTIMATE: HOLDS NOMINALLY, NOT IN EVERY SIMULATED CELL"
	}
	return ans
}

// AdequacySentence says in words what pressure a cell reaches with and without
// its bottom vent and how far the top vent may be clogged.
func AdequacySentence(a *analysis.Adequacy) string {
	r := &a.Rows[0].Result
	open := fmt.Sprintf("With the top vent %.0f %% open", 100*a.Case.Top.OpenFraction)
	var b strings.Builder
	if len(a.Rows) > 1 {
		fmt.Fprintf(&b, "%s and no bottom vent the pressure reaches %s; with the bottom vent %s.", open, peakWords(&a.Rows[1].Result), peakWords(r))
	} else {
		fmt.Fprintf(&b, "%s and no bottom vent the pressure reaches %s.", open, peakWords(r))
	}
	fmt.Fprintf(&b, " The housing bears %.1f bar gauge hot (%.1f cold).", r.HotPa/PaPerBar, r.ColdPa/PaPerBar)
	last := &a.Rows[len(a.Rows)-1]
	b.WriteString(leastWords("The top vent alone", last))
	if len(a.Rows) > 1 {
		b.WriteString(leastWords("With the bottom vent the top vent", &a.Rows[0]))
	}
	for i := range a.Rows {
		b.WriteString(breachWords(&a.Rows[i], len(a.Rows) > 1))
	}
	if r.DifferencePa > 0 {
		fmt.Fprintf(&b, " Between the ends of the cell there are up to %.1f bar.", r.DifferencePa/PaPerBar)
	}
	return b.String()
}

func peakWords(r *analysis.VentingResult) string {
	t := fmt.Sprintf("%.1f bar gauge", r.PeakPa/PaPerBar)
	switch {
	case !r.Holds:
		t += fmt.Sprintf(" (the housing gives way, %.1f bar short)", -r.MarginPa/PaPerBar)
	default:
		t += fmt.Sprintf(" (%.1f bar below what the housing bears)", r.MarginPa/PaPerBar)
	}
	return t
}

func leastWords(who string, r *analysis.VentingRow) string {
	switch {
	case !r.Suffices:
		return fmt.Sprintf(" %s does not suffice even wide open.", who)
	case r.LeastOpen == 0:
		return fmt.Sprintf(" %s may even be plugged.", who)
	}
	return fmt.Sprintf(" %s suffices down to %.0f %% open.", who, math.Ceil(100*r.LeastOpen-1e-9))
}

func breachWords(r *analysis.VentingRow, named bool) string {
	b := r.Breach
	if b == nil {
		return ""
	}
	who := ""
	if named {
		who = " (" + r.Name + ")"
	}
	return fmt.Sprintf(" Of %d simulated cells%s %d breached: with %s confidence the simulated probability is below %s.", b.Trials, who, b.Breaches, percent(b.Confidence), RoundedUp(b.Upper))
}

// RoundedUp writes a share in per cent, rounded up: a bound that is claimed is
// never rounded into the claim.
func RoundedUp(p float64) string { return figures(math.Ceil(p*1000-1e-9)/10, 1) + " %" }

// AdequacySection shows the pressures, the open fraction and the designs.
func AdequacySection(a *analysis.Adequacy) Section {
	s := Section{Title: "Venting adequacy (estimate only)"}
	add := func(f *Figure) {
		if f != nil {
			s.Blocks = append(s.Blocks, Block{Figure: f})
		}
	}
	add(VentingFigure(a))
	add(OpenFractionFigure(a))
	rows := a.Options
	if len(rows) == 0 {
		rows = a.Rows
	}
	s.Blocks = append(s.Blocks, Block{Table: designTable(rows)})
	add(CompareFigure(a.Options))
	return s
}

// designTable lists designs side by side.
func designTable(rows []analysis.VentingRow) *Table {
	t := &Table{Columns: []Column{{"Design", 4, false}, {"Peak bar gauge", 0.9, true}, {"Margin bar", 0.9, true}, {"Least open", 0.9, true}, {"Breaches", 1.1, true}, {"Probability, bound", 1.6, true}, {"Bottom vent first", 0.9, true}}}
	for i := range rows {
		r := &rows[i]
		least, breaches, bound, wrong := "none", "–", "–", "–"
		if r.Suffices {
			least = RoundedUp(r.LeastOpen)
		}
		if b := r.Breach; b != nil {
			breaches = fmt.Sprintf("%d of %d", b.Breaches, b.Trials)
			bound = fmt.Sprintf("%.1f %% (< %s)", 100*b.P, RoundedUp(b.Upper))
			wrong = fmt.Sprint(b.WrongOrder)
		}
		t.Rows = append(t.Rows, Row{Bold: i == 0, Cells: []string{upper(r.Name), figures(r.Result.PeakPa/PaPerBar, 1), fmt.Sprintf("%+.1f", r.Result.MarginPa/PaPerBar), least, breaches, bound, wrong}})
	}
	t.Note = "Margin: what the housing bears hot less the nominal peak. Least open: the least open fraction of the top vent with which the nominal peak stays below it; 0 %: even plugged."
	if len(rows) > 0 && rows[0].Breach != nil {
		t.Note += fmt.Sprintf(" Bound: exact, one-sided, %s confidence; every design with the same draws.", percent(rows[0].Breach.Confidence))
	}
	return t
}

// inputSection lists the uncertainties behind the simulated cells.
func inputSection(f []Fact) Section {
	if len(f) == 0 {
		return Section{}
	}
	t := &Table{Columns: []Column{{"Input", 2, false}, {"What was drawn", 3, false}}}
	for _, x := range f {
		t.Rows = append(t.Rows, Row{Cells: []string{x.Name, x.Value}})
	}
	return Section{Title: "Inputs of the simulated cells", Blocks: []Block{{Table: t}}}
}

// SpreadFacts says what the simulated cells drew.
func SpreadFacts(c *analysis.VentingCase, s analysis.VentingSpread) []Fact {
	var out []Fact
	rel := func(name string, v float64) {
		if v > 0 {
			out = append(out, Fact{name, fmt.Sprintf("± %.3g %% (k = 1), normal", 100*v)})
		}
	}
	rel("Amount of gas", s.AmountRel)
	rel("Duration", s.DurationRel)
	if s.TemperatureK > 0 {
		out = append(out, Fact{"Gas temperature", fmt.Sprintf("± %.3g K (k = 1), normal", s.TemperatureK)})
	}
	rel("Free volume", s.VolumeRel)
	rel("Top vent, C_d·A", s.TopAreaRel)
	rel("Bottom vent, C_d·A", s.BottomRel)
	if s.HotFactor > 0 {
		out = append(out, Fact{"Hot strength over cold", fmt.Sprintf("%.3g ± %.2g (k = 1), normal", c.Housing.HotFactor, s.HotFactor)})
	}
	if s.OpenHigh > 0 {
		out = append(out, Fact{"Open fraction of the top vent", fmt.Sprintf("%.0f to %.0f %%, evenly spread", 100*s.OpenLow, 100*s.OpenHigh)})
	}
	return append(out, Fact{"Opening pressures, strength", "a further piece of each lot: mean and s of its n pieces, Student's t"})
}
