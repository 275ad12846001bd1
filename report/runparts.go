package report

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/vg"

	"ventward/analysis"
	"ventward/daq"
	"ventward/detect"
)

// pressureSection shows the pressures over the whole run and round each
// opening, and temperatures where there are any.
func (r *Run) pressureSection() Section {
	s := Section{Title: "Pressure over time"}
	if p := r.tracePlot(daq.Pressure, r.From, r.To, r.Traces, true); p != nil {
		s.Blocks = append(s.Blocks, Block{Figure: p})
	}
	for i := range r.Zooms {
		z := &r.Zooms[i]
		if p := r.tracePlot(daq.Pressure, z.From, z.To, z.Traces, false); p != nil {
			p.Height = 155
			p.Caption = fmt.Sprintf("Round event %d. ", z.Event) + p.Caption
			s.Blocks = append(s.Blocks, Block{Figure: p})
		}
	}
	if p := r.tracePlot(daq.Temperature, r.From, r.To, r.Traces, true); p != nil {
		s.Blocks = append(s.Blocks, Block{Figure: p})
	}
	if len(s.Blocks) == 0 {
		s.Blocks = append(s.Blocks, Block{Text: "The record holds no pressure."})
	}
	return s
}

const tracesShown = 4 // colours that are told apart

// tracePlot draws the channels of one quantity; nil where there is none.
func (r *Run) tracePlot(q daq.Quantity, from, to float64, traces []*Envelope, whole bool) *Figure {
	unit, scale := "pressure in bar "+r.reference(), float64(PaPerBar)
	if q == daq.Temperature {
		unit, scale = "temperature in °C", 1
	}
	p := newPlot("time since the run's zero in s", unit)
	p.Add(gridlines{})
	lo, hi := math.Inf(1), math.Inf(-1)
	var names []string
	for i := range r.Channels {
		c := &r.Channels[i]
		if c.Quantity != q || q == daq.Pressure && !r.shows(c) || i >= len(traces) || traces[i] == nil || traces[i].Empty() || len(names) == tracesShown {
			continue
		}
		x, y := traces[i].line(scale)
		l := &curve{x: x, y: y, c: series[len(names)], width: 0.8, dash: [][]vg.Length{nil, nil, {4, 2}, {1.5, 1.5}}[len(names)]}
		p.Add(l)
		p.Legend.Add(c.Name, l)
		names = append(names, c.Name)
		a, b := traces[i].bounds()
		lo, hi = math.Min(lo, a/scale), math.Max(hi, b/scale)
	}
	if len(names) == 0 {
		return nil
	}
	r.mark(p, from, to)
	room := math.Max(hi-lo, 1e-3*math.Max(1, math.Abs(hi)))
	p.X.Min, p.X.Max = from, to
	p.Y.Min, p.Y.Max = lo-0.04*room, hi+0.16*room
	if whole && lo >= 0 && lo < 0.2*hi {
		p.Y.Min = math.Min(0, p.Y.Min)
	}
	p.Legend.Left = true
	caption := fmt.Sprintf("%s; least and greatest sample of each stretch. Numbers are those of the events.", strings.Join(names, ", "))
	return &Figure{Plot: p, Height: 190, Caption: caption, Alt: strings.Join(names, ", ") + " over time"}
}

// shows tells whether a pressure belongs on the plots: the specimen's, or all
// where no channel has that role. A supply at several times the pressure would
// squeeze everything else.
func (r *Run) shows(c *daq.Channel) bool {
	return c.IsPressure() || !slices.ContainsFunc(r.Channels, func(o daq.Channel) bool { return o.IsPressure() })
}

// reference names what the specimen's pressures are counted from.
func (r *Run) reference() string {
	ref := daq.Reference("")
	for i := range r.Channels {
		c := &r.Channels[i]
		switch {
		case c.Quantity != daq.Pressure || !r.shows(c):
		case ref == "":
			ref = c.Reference
		case ref != c.Reference:
			return "as recorded"
		}
	}
	return string(ref)
}

// mark puts the events' numbers on a plot.
func (r *Run) mark(p *plot.Plot, from, to float64) {
	last, step := math.Inf(-1), 0
	shown := slices.Clone(r.Events)
	slices.SortFunc(shown, func(a, b detect.Event) int { return int(min(1, max(-1, a.Onset-b.Onset))) })
	for i := range shown {
		e := &shown[i]
		at := runSeconds(e.Onset, r.Zero)
		if at < from || at > to {
			continue
		}
		step++
		if at-last > 0.03*(to-from) || step > 5 {
			step = 0
		}
		last = at
		c := ink1
		if e.Opens() || e.Kind == detect.Runaway {
			c = orange
		}
		p.Add(tag{at: at, number: strconv.Itoa(e.ID), c: c, step: step})
	}
}

// eventSection lists what happened.
func (r *Run) eventSection() Section {
	s := Section{Title: "Events"}
	if len(r.Events) == 0 {
		s.Blocks = []Block{{Text: "No event was called."}}
		return s
	}
	t := &Table{Columns: []Column{{"No", 0.5, true}, {"Event", 1.6, false}, {"Feature", 1.4, false}, {"Onset s", 1.3, true}, {"± ms", 0.9, true},
		{"Pressure bar", 1.3, true}, {"± bar", 0.9, true}, {"Drop bar", 1, true}, {"Area mm²", 1.6, true}, {"Seen by", 1.1, false}, {"Flags", 1.9, false}}}
	why := map[string]string{}
	for i := range r.Events {
		l := EventLine(r.Events[i], r.Zero, r.Channels)
		name := l.Event
		if l.Fault != "" {
			name += ": " + l.Fault
		}
		t.Rows = append(t.Rows, Row{Cells: []string{strconv.Itoa(l.ID), name, l.Feature, figures(l.OnsetS, 4), milli(l.OnsetUS), optional(l.PressureBar, 3),
			optional(l.PressureUBar, 3), optional(l.DropBar, 2), areaCell(&l), strings.Join(l.Channels, " "), strings.Join(l.Flags, " ")}, Dim: l.Fault != ""})
		for f, reason := range l.Absent {
			if r.Events[i].Opens() {
				why[fmt.Sprintf("event %d, %s", l.ID, f)] = reason
			}
		}
	}
	t.Note = "Onset: effective onset of the opening. Pressure: the line fitted before the event, at its onset, in the channel's own reference. ±: expanded, k = 2. Area: effective, C·A."
	var names []string
	for k := range why {
		names = append(names, k)
	}
	slices.Sort(names)
	for _, k := range names {
		t.Note += fmt.Sprintf(" Absent: %s: %s.", k, strings.TrimSuffix(why[k], "."))
	}
	s.Blocks = []Block{{Table: t}}
	return s
}

// milli writes s as ms.
func milli(v *float64) string {
	if v == nil {
		return "–"
	}
	return figures(*v*1e3, 2)
}

func optional(v *float64, decimals int) string {
	if v == nil {
		return "–"
	}
	return figures(*v, decimals)
}

func areaCell(l *Line) string {
	switch {
	case l.AreaMM2 != nil && l.AreaUMM2 != nil:
		return fmt.Sprintf("%.2f ± %.2f", *l.AreaMM2, *l.AreaUMM2)
	case l.AreaMM2 != nil:
		return fmt.Sprintf("%.2f", *l.AreaMM2)
	case l.AreaLowerMM2 != nil:
		return fmt.Sprintf("≥ %.1f", *l.AreaLowerMM2)
	}
	return "–"
}

// resultSection lists a runaway's figures.
func (r *Run) resultSection() Section {
	if len(r.Figures) == 0 {
		return Section{}
	}
	t := &Table{Columns: []Column{{"Result", 2, false}, {"Value", 3, false}}}
	for _, f := range r.Figures {
		t.Rows = append(t.Rows, Row{Cells: []string{f[0], f[1]}})
	}
	for _, f := range r.Absent {
		t.Rows = append(t.Rows, Row{Cells: []string{f[0], "absent: " + f[1]}, Dim: true})
	}
	return Section{Title: "Results of the runaway", Blocks: []Block{{Table: t}}}
}

// budgetSection shows where the uncertainty of each opening's pressure comes
// from.
func (r *Run) budgetSection() Section {
	s := Section{Title: "Uncertainty of the opening pressure"}
	for _, e := range r.openings() {
		b, ok := OpeningBudget(e, r.Channels)
		if !ok {
			continue
		}
		c, err := b.Evaluate(0.95)
		if err != nil {
			continue
		}
		s.Blocks = append(s.Blocks, Block{Table: budgetTable(&c, fmt.Sprintf("Event %d", e.ID))})
	}
	return s
}

// OpeningBudget takes the expanded uncertainty of an opening's pressure apart:
// the certificate's parts (offset and gain, each fully correlated along the
// run) and what is left, the fit. false: the event has no uncertainty.
func OpeningBudget(e *detect.Event, channels []daq.Channel) (analysis.Budget, bool) {
	if e.PressurePa == nil || e.PressureUPa == nil || int(e.Channel) >= len(channels) {
		return analysis.Budget{}, false
	}
	c := &channels[e.Channel]
	p, u := *e.PressurePa/PaPerBar, *e.PressureUPa/2/PaPerBar
	offset, gain := c.Curve.UOffsetAt(*e.PressurePa)/PaPerBar, c.Curve.UGainAt(*e.PressurePa)/PaPerBar
	fit := math.Sqrt(math.Max(0, u*u-offset*offset-gain*gain))
	b := analysis.Budget{Name: "opening pressure", Unit: "bar", Inputs: []analysis.Input{
		{Name: "line fitted before the opening, at its onset", Unit: "bar", Value: p, U: fit},
		{Name: "certificate of " + c.Name + ", offset and zero", Unit: "bar", U: offset},
		{Name: "certificate of " + c.Name + ", gain", Unit: "bar", U: gain},
	}, Model: func(x []float64) float64 { return x[0] + x[1] + x[2] }}
	if e.PeakLossPa != nil && *e.PeakLossPa > 0 {
		b.Missed = []analysis.OneSided{{Name: "peak that lag and sampling may hide", Loss: *e.PeakLossPa / PaPerBar, Unit: "bar", Cause: "ramp × (period + lag + line delay)"}}
	}
	return b, true
}

// budgetTable is an evaluated budget as a table.
func budgetTable(c *analysis.Combined, title string) *Table {
	t := &Table{Columns: []Column{{title + ": source", 3.4, false}, {"Value", 1, true}, {"u (k = 1)", 1, true}, {"Shape", 1, false}, {"Sensitivity", 1, true},
		{"Contribution " + c.Unit, 1.2, true}, {"Share of variance", 1, true}}}
	for i := range c.Rows {
		r := &c.Rows[i]
		t.Rows = append(t.Rows, Row{Cells: []string{r.Name, figures(r.Value, 4), figures(r.U, 4), r.Shape, figures(r.Sensitivity, 2), figures(r.Contribution, 4), figures(100*r.Share, 0) + " %"}})
	}
	t.Rows = append(t.Rows, Row{Bold: true, Cells: []string{"combined", figures(c.Value, 4), figures(c.U, 4), "", "", "", "100 %"}})
	t.Rows = append(t.Rows, Row{Bold: true, Cells: []string{"expanded, k = 2", "", figures(2*c.U, 4)}})
	for _, m := range c.Missed {
		t.Rows = append(t.Rows, Row{Cells: []string{m.Name + " (one-sided, in no ±)", "", "", "", "", "up to +" + smallFigure(m.Loss)}})
		t.Note = "One-sided: " + m.Cause + "."
	}
	return t
}

// equipmentSection lists the transducers and their calibration.
func (r *Run) equipmentSection() Section {
	t := &Table{Columns: []Column{{"Channel", 1.1, false}, {"Measures", 1.9, false}, {"Range", 1.5, false}, {"Certificate", 1.4, false}, {"Due", 1.2, false},
		{"In force", 0.7, false}, {"Zero verified", 0.8, false}, {"Lag ms", 1, true}, {"U at full scale (k = 2)", 1.3, true}}}
	for i := range r.Channels {
		c := &r.Channels[i]
		if c.Quantity == daq.Digital || c.Quantity == daq.Number {
			continue
		}
		in := "no"
		if inForce(c, r.Start) {
			in = "yes"
		}
		zero := "no"
		if c.Zeroed {
			zero = "yes"
		}
		if c.Quantity != daq.Pressure {
			zero = "–"
		}
		lag := "unknown"
		if c.LagS > 0 {
			lag = fmt.Sprintf("%.3g", c.LagS*1e3)
		}
		t.Rows = append(t.Rows, Row{Dim: in == "no", Cells: []string{c.Name, measures(c), rangeOf(c), orDash(c.Certificate), orDash(c.CalDue), in, zero, lag, uAtFullScale(c)}})
	}
	return Section{Title: "Equipment and calibration", Blocks: []Block{{Table: t}}}
}

func measures(c *daq.Channel) string {
	s := string(c.Quantity)
	if c.Reference != "" {
		s += ", " + string(c.Reference)
	}
	if c.Role != "" {
		s += " (" + string(c.Role) + ")"
	}
	return s
}

// inUnit writes a value of a channel with its unit.
func inUnit(c *daq.Channel, v float64) string {
	switch c.Quantity {
	case daq.Pressure:
		return fmt.Sprintf("%.4g bar", v/PaPerBar)
	case daq.Temperature:
		return fmt.Sprintf("%.4g °C", v)
	case daq.Voltage:
		return fmt.Sprintf("%.4g V", v)
	case daq.Current:
		return fmt.Sprintf("%.4g A", v)
	case daq.Force:
		return fmt.Sprintf("%.4g N", v)
	}
	return fmt.Sprintf("%.4g", v)
}

func rangeOf(c *daq.Channel) string {
	if c.Low == 0 && c.High == 0 {
		return "not stated"
	}
	low := inUnit(c, c.Low)
	if n, _, ok := strings.Cut(low, " "); ok {
		low = n
	}
	return low + " to " + inUnit(c, c.High)
}

func uAtFullScale(c *daq.Channel) string {
	if c.High == 0 {
		return "–"
	}
	u := 2 * c.Curve.U(c.High)
	if !(u > 0) {
		return "not stated"
	}
	if c.Quantity == daq.Pressure {
		return figures(u/PaPerBar, 3) + " bar"
	}
	return inUnit(c, u)
}

const alarmsShown = 40

// alarmSection lists the alarms.
func (r *Run) alarmSection() Section {
	if len(r.Alarms) == 0 {
		return Section{Title: "Alarms", Blocks: []Block{{Text: "No alarm came up during the run."}}}
	}
	t := &Table{Columns: []Column{{"At s", 0.8, true}, {"Priority", 0.8, false}, {"State", 1.8, false}, {"Alarm", 4.4, false}}}
	for i, a := range r.Alarms {
		if i == alarmsShown {
			t.Note = fmt.Sprintf("%d further changes of alarms are in the record.", len(r.Alarms)-alarmsShown)
			break
		}
		t.Rows = append(t.Rows, Row{Cells: []string{figures(a.AtS, 3), a.Priority, a.State, a.Message}})
	}
	return Section{Title: "Alarms", Blocks: []Block{{Table: t}}}
}

// recordSection says what the figures rest on.
func (r *Run) recordSection() Section {
	t := &Table{Columns: []Column{{"Record", 1, false}, {"", 3, false}}}
	add := func(name, value string) { t.Rows = append(t.Rows, Row{Cells: []string{name, value}}) }
	add("State", r.State+prefixed(": ", r.EndNote))
	add("Hash of the run file", orDash(r.Hash))
	add("Recorded by", fmt.Sprintf("ventward %s, algorithm %d", r.Recorder, r.Algorithm))
	if r.Source != "" {
		add("Imported from", r.Source)
	}
	loss := "none missing"
	if r.Lost > 0 || r.Gaps > 0 {
		loss = fmt.Sprintf("%d lost, in %d stretches", r.Lost, r.Gaps)
	}
	add("Entries of the record", loss)
	add("To recompute", "ventward verify "+r.ID)
	return Section{Title: "Record", Blocks: []Block{{Table: t}}}
}
