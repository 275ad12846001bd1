package report

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/vg"

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
		l := &curve{x: x, y: y, c: series[len(names)], width: []float64{1.9, 0.7, 0.8, 0.8}[len(names)], dash: [][]vg.Length{nil, nil, {4, 2}, {1.5, 1.5}}[len(names)]}
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
	p.Legend.Left, p.Legend.Top = true, whole // round an opening the pressure starts high
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
	t := &Table{Columns: []Column{{"No", 0.5, true}, {"Event", 1.9, false}, {"Feature", 1.5, false}, {"Onset s", 1.3, true}, {"± ms", 0.9, true},
		{"Pressure bar", 1.3, true}, {"± bar", 0.9, true}, {"Drop bar", 1, true}, {"Area mm²", 1.6, true}, {"Seen by", 1.1, false}, {"Flags", 2.1, false}}}
	why := map[string]string{}
	for i := range r.Events {
		l := EventLine(r.Events[i], r.Zero, r.Channels)
		name := strings.ReplaceAll(l.Event, "-", " ")
		if l.Fault != "" {
			name += ": " + l.Fault
		}
		t.Rows = append(t.Rows, Row{Cells: []string{strconv.Itoa(l.ID), name, l.Feature, figures(l.OnsetS, 4), milli(l.OnsetUS), atLeast(&l, l.PressureBar, 3),
			optional(l.PressureUBar, 3), atLeast(&l, l.DropBar, 2), areaCell(&l), strings.Join(l.Channels, " "), strings.Join(l.Flags, ", ")}, Dim: l.Fault != ""})
		for f, reason := range l.Absent {
			if r.Events[i].Opens() {
				why[fmt.Sprintf("event %d, %s", l.ID, fieldWords(f))] = reason
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
	if text := flagText(r.Events); text != "" {
		s.Blocks = append(s.Blocks, Block{Text: text})
	}
	return s
}

// atLeast is a pressure or drop of a line, marked where it is a lower bound.
func atLeast(l *Line, v *float64, digits int) string {
	s := optional(v, digits)
	if v == nil || !l.Bound() {
		return s
	}
	return "≥ " + s
}

// fieldWords names a line's field for people.
func fieldWords(f string) string {
	for _, unit := range []string{"_mm2", "_bar_s", "_bar", "_s"} {
		if cut, ok := strings.CutSuffix(f, unit); ok {
			f = cut
			break
		}
	}
	if f == "tau" {
		return "time constant"
	}
	return strings.ReplaceAll(f, "_", " ")
}

// milli writes an interval in s as ms: of microseconds and of seconds alike.
func milli(v *float64) string {
	if v == nil {
		return "–"
	}
	return smallFigure(*v * 1e3)
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
