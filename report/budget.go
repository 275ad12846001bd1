package report

import (
	"fmt"
	"math"
	"math/rand/v2"

	"ventward/analysis"
	"ventward/daq"
	"ventward/detect"
)

// Monte Carlo draws that check a budget, and where they start: the same report
// comes out every time.
const (
	budgetDraws = 50_000
	budgetSeed  = 101
)

// budgetCoverage is the probability that budgets state.
const budgetCoverage = 0.95

// OpeningBudget takes the expanded uncertainty of an opening's pressure (bar)
// or of the bound below it apart: the certificates' parts (offset and gain, each fully correlated along
// the run) and what is left, the fit. Where that uncertainty is smaller than the
// certificate of the event's own channel allows, the redundant sensors that saw
// the event were joined, and each certificate counts with its weight. false: the
// event has no uncertainty.
func OpeningBudget(e *detect.Event, channels []daq.Channel) (analysis.Budget, bool) {
	if e.PressurePa == nil || e.PressureUPa == nil || int(e.Channel) >= len(channels) {
		return analysis.Budget{}, false
	}
	p, u := *e.PressurePa/PaPerBar, *e.PressureUPa/2/PaPerBar
	own := []certificate{certificateOf(&channels[e.Channel], *e.PressurePa)}
	if own[0].u() > u && len(e.Channels) > 1 {
		own = joinedCertificates(e, channels)
	}
	known := 0.0
	for i := range own {
		known += own[i].weight * own[i].weight * own[i].u() * own[i].u()
	}
	figure, reading := "opening pressure", "line fitted before the opening, at its onset"
	if e.Has(detect.FlagLowerBound) { // what the ± is of is no opening pressure
		figure, reading = "bound below its opening pressure", "end of the transducer's range"
	}
	inputs := []analysis.Input{{Name: reading, Unit: "bar", Value: p, U: math.Sqrt(math.Max(0, u*u-known))}}
	inputs[0].Shape, inputs[0].Dof = fitShape(e)
	for i := range own {
		inputs = append(inputs, own[i].inputs(p)...)
	}
	b := analysis.Budget{Name: fmt.Sprintf("event %d: %s", e.ID, figure), Unit: "bar", Inputs: inputs, Model: func(x []float64) float64 {
		offset, gain := 0.0, 1.0
		for i := range own {
			offset += own[i].weight * x[1+2*i]
			gain += own[i].weight * (x[2+2*i] - 1)
		}
		return x[0]*gain + offset
	}}
	if e.PeakLossPa != nil && *e.PeakLossPa > 0 {
		b.Missed = []analysis.OneSided{{Name: "peak that lag and sampling may hide", Loss: *e.PeakLossPa / PaPerBar, Unit: "bar", Cause: "ramp × (period + lag + line delay)"}}
	}
	return b, true
}

// fitShape is the distribution of the fit's part of an event's figures: the
// noise it scales with is itself estimated (JCGM 101:2008, 6.4.9).
func fitShape(e *detect.Event) (analysis.Shape, float64) {
	if e.FitDof == nil || !(*e.FitDof >= 1) {
		return analysis.Normal, 0
	}
	return analysis.StudentT, *e.FitDof
}

// A certificate is what a channel's certificate adds to a pressure, standard
// uncertainties in bar, and the weight with which the channel counts.
type certificate struct {
	channel      string
	offset, gain float64
	weight       float64
}

func certificateOf(c *daq.Channel, pa float64) certificate {
	return certificate{c.Name, c.Curve.UOffsetAt(pa) / PaPerBar, c.Curve.UGainAt(pa) / PaPerBar, 1}
}

// joinedCertificates are those of the channels that saw an event, weighted by
// inverse variance, as the fit joins them.
func joinedCertificates(e *detect.Event, channels []daq.Channel) []certificate {
	var out []certificate
	sum := 0.0
	for _, ch := range e.Channels {
		if int(ch) >= len(channels) {
			continue
		}
		c := certificateOf(&channels[ch], *e.PressurePa)
		if c.u() > 0 {
			c.weight = 1 / (c.u() * c.u())
			sum += c.weight
			out = append(out, c)
		}
	}
	for i := range out {
		out[i].weight /= sum
	}
	return out
}

func (c *certificate) u() float64 { return math.Hypot(c.offset, c.gain) }

// inputs are the certificate's two lines of a budget of the pressure p, bar.
func (c *certificate) inputs(p float64) []analysis.Input {
	name := "certificate of " + c.channel
	if c.weight < 1 {
		name += fmt.Sprintf(" (counts %.0f %%)", 100*c.weight)
	}
	return []analysis.Input{
		{Name: name + ", offset and zero", Unit: "bar", U: c.offset},
		{Name: name + ", gain", Unit: "-", Value: 1, U: c.gain / math.Max(math.Abs(p), 1e-9)},
	}
}

// AreaBudget takes the expanded uncertainty of an effective vent area (mm²)
// apart: A goes with V/(τ √T), so the volume counts in full, the temperature by
// half, and what is left is the fitted time constant with the gas's warmth on
// the ramp. false: the event has no area, or a bound only.
func AreaBudget(e *detect.Event, f *detect.Fixture) (analysis.Budget, bool) {
	if e.AreaM2 == nil || e.AreaUM2 == nil || !(*e.AreaM2 > 0) || !(f.VolumeM3 > 0) || !(f.TemperatureK > 0) {
		return analysis.Budget{}, false
	}
	area, rel := *e.AreaM2/M2PerMM2, *e.AreaUM2 / *e.AreaM2 / 2
	volume, warm := f.VolumeUM3/f.VolumeM3, f.TemperatureU/f.TemperatureK/2
	fit := math.Sqrt(math.Max(0, rel*rel-volume*volume-warm*warm))
	v0, t0 := f.VolumeM3*1e6, f.TemperatureK
	shape, dof := fitShape(e)
	return analysis.Budget{Name: fmt.Sprintf("event %d: effective area", e.ID), Unit: "mm²", Inputs: []analysis.Input{
		{Name: "fitted time constant, and the gas's warmth on the ramp", Unit: "-", Value: 1, U: fit, Shape: shape, Dof: dof},
		{Name: "free volume", Unit: "mL", Value: v0, U: f.VolumeUM3 * 1e6},
		{Name: "gas temperature", Unit: "K", Value: t0, U: f.TemperatureU},
	}, Model: func(x []float64) float64 { return area * x[0] * x[1] / v0 * math.Sqrt(t0/x[2]) }}, true
}

// A BudgetLine is an evaluated budget as users' scripts read it. Standard
// uncertainties have k = 1.
type BudgetLine struct {
	Budget    string         `json:"budget"`
	Unit      string         `json:"unit"`
	Value     float64        `json:"value"`
	U         float64        `json:"u"`
	Dof       *float64       `json:"dof,omitempty"` // effective; absent: infinite
	Coverage  float64        `json:"coverage"`
	K         float64        `json:"k"`
	Expanded  float64        `json:"expanded"`
	Inputs    []BudgetInput  `json:"inputs"`
	OneSided  []BudgetMissed `json:"one_sided,omitempty"` // in no ±
	Draws     int            `json:"monte_carlo_draws"`
	DrawnLow  float64        `json:"monte_carlo_low"`
	DrawnHigh float64        `json:"monte_carlo_high"`
	Agrees    bool           `json:"monte_carlo_agrees"`
}

// BudgetInput is a line of a budget.
type BudgetInput struct {
	Name         string   `json:"name"`
	Unit         string   `json:"unit"`
	Value        float64  `json:"value"`
	U            float64  `json:"u"`
	Shape        string   `json:"shape"`
	Dof          *float64 `json:"dof,omitempty"`
	Sensitivity  float64  `json:"sensitivity"`
	Contribution float64  `json:"contribution"`
	Share        float64  `json:"share_of_variance"`
}

// BudgetMissed is what may be missing on one side only.
type BudgetMissed struct {
	Name  string  `json:"name"`
	UpTo  float64 `json:"up_to"`
	Cause string  `json:"cause"`
}

// EvaluateBudget evaluates a budget at 95 % and checks it by drawing from the
// inputs' shapes.
func EvaluateBudget(b *analysis.Budget) (BudgetLine, error) {
	c, err := b.Evaluate(budgetCoverage)
	if err != nil {
		return BudgetLine{}, err
	}
	p, err := b.Propagate(c, budgetDraws, rand.New(rand.NewPCG(budgetSeed, 0)).Float64)
	if err != nil {
		return BudgetLine{}, err
	}
	l := BudgetLine{Budget: c.Name, Unit: c.Unit, Value: c.Value, U: c.U, Dof: finite(c.Dof), Coverage: c.Coverage, K: c.K, Expanded: c.Expanded,
		Draws: p.Trials, DrawnLow: p.Low, DrawnHigh: p.High, Agrees: p.Agrees}
	for i := range c.Rows {
		r := &c.Rows[i]
		if r.U == 0 && r.Value == 0 {
			continue // not there: no gas taken out
		}
		l.Inputs = append(l.Inputs, BudgetInput{r.Name, r.Unit, r.Value, r.U, r.Shape, finite(r.Dof), r.Sensitivity, r.Contribution, r.Share})
	}
	for _, m := range c.Missed {
		l.OneSided = append(l.OneSided, BudgetMissed{m.Name, m.Loss, m.Cause})
	}
	return l, nil
}

func finite(v float64) *float64 {
	if math.IsInf(v, 0) || math.IsNaN(v) {
		return nil
	}
	return &v
}

// Table is the budget as a table.
func (l *BudgetLine) Table() *Table {
	t := &Table{Columns: []Column{{upper(l.Budget), 3.2, false}, {"Value", 1.2, true}, {"Unit", 0.5, false}, {"u (k = 1)", 1, true}, {"Shape, ν", 1, false}, {"Sensitivity", 1.1, true},
		{"Adds " + l.Unit, 1, true}, {"Share of variance", 0.9, true}}}
	for i := range l.Inputs {
		r := &l.Inputs[i]
		t.Rows = append(t.Rows, Row{Cells: []string{r.Name, significant(r.Value), r.Unit, small(r.U), r.Shape + ", " + dofCell(r.Dof), sensitivityCell(r), small(r.Contribution), figures(100*r.Share, 0) + " %"}})
	}
	t.Rows = append(t.Rows,
		Row{Bold: true, Cells: []string{"combined", significant(l.Value), l.Unit, small(l.U), "ν " + dofCell(l.Dof)}},
		Row{Bold: true, Cells: []string{"expanded, k = 2", "", l.Unit, small(2 * l.U)}})
	if l.K > 2.05 { // few degrees of freedom: k = 2 would promise too much
		t.Rows = append(t.Rows, Row{Bold: true, Cells: []string{fmt.Sprintf("expanded, %s, k = %.2f", percent(l.Coverage), l.K), "", l.Unit, small(l.Expanded)}})
	}
	for _, m := range l.OneSided {
		t.Rows = append(t.Rows, Row{Cells: []string{m.Name + " (one-sided, in no ±)", "up to +" + smallFigure(m.UpTo), l.Unit}})
		t.Note = "One-sided: " + m.Cause + ". "
	}
	agrees := "agrees with it"
	if !l.Agrees {
		agrees = "differs from it in the second digit of u: use the interval drawn"
	}
	t.Note += fmt.Sprintf("ν: degrees of freedom, effective after Welch and Satterthwaite. Check by %d draws from the shapes: %s interval from %s to %s %s; %s.",
		l.Draws, percent(l.Coverage), significant(l.DrawnLow), significant(l.DrawnHigh), l.Unit, agrees)
	return t
}

// sensitivityCell is a dash where the input's uncertainty is nothing: the
// sensitivity was not looked for.
func sensitivityCell(r *BudgetInput) string {
	if r.U == 0 {
		return "–"
	}
	return fmt.Sprintf("%.3g", r.Sensitivity)
}

// manyDof is from where on degrees of freedom say no more than that they are many.
const manyDof = 1e5

func dofCell(v *float64) string {
	switch {
	case v == nil:
		return "∞"
	case *v > manyDof:
		return "> " + figures(manyDof, 0)
	}
	return figures(*v, 0)
}

// small writes an uncertainty with two digits that count, a large one without
// decimals.
func small(v float64) string {
	if v > 0 && v < 1e-4 {
		return fmt.Sprintf("%.1e", v)
	}
	return smallFigure(v)
}

// significant writes six digits that count.
func significant(v float64) string { return fmt.Sprintf("%.6g", v) }

// budgetSection shows where the uncertainties of the results come from.
func (r *Run) budgetSection() Section {
	s := Section{Title: "Uncertainty budgets"}
	for _, b := range r.Budgets() {
		l, err := EvaluateBudget(&b)
		if err != nil {
			continue // a budget without a value: the result itself is absent
		}
		s.Blocks = append(s.Blocks, Block{Table: l.Table()})
	}
	return s
}

// Budgets are those of the run's results: opening pressures, areas, the amount
// of gas.
func (r *Run) Budgets() []analysis.Budget {
	var out []analysis.Budget
	for _, e := range r.openings() {
		if b, ok := OpeningBudget(e, r.Channels); ok {
			out = append(out, b)
		}
		if b, ok := AreaBudget(e, &r.Options.Fixture); ok {
			out = append(out, b)
		}
	}
	if r.Gas != nil && r.Gas.Budget != nil {
		out = append(out, *r.Gas.Budget)
	}
	return out
}
