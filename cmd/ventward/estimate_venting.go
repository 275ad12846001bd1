package main

import (
	"fmt"
	"io"
	"math"
	"strings"
	"text/tabwriter"

	"ventward/analysis"
	"ventward/config"
	"ventward/report"
)

// ventingLine is one design as estimate venting prints it.
type ventingLine struct {
	Design      string            `json:"design"`
	Options     []string          `json:"options"`
	PeakBarg    float64           `json:"peak_barg"`
	PeakS       float64           `json:"peak_s"`
	PeakAt      float64           `json:"peak_at"` // 0 at the top, 1 at the bottom
	Openings    []openingLine     `json:"openings"`
	Holds       bool              `json:"holds"`
	HoldsCold   bool              `json:"holds_cold"`
	BreachS     *float64          `json:"breach_s,omitempty"`
	HotBarg     float64           `json:"housing_hot_barg"`
	ColdBarg    float64           `json:"housing_cold_barg"`
	MarginBar   float64           `json:"margin_bar"`
	LeastOpen   *float64          `json:"least_open_fraction,omitempty"`
	DifferBar   float64           `json:"end_to_end_bar"`
	ReleasedMol float64           `json:"released_mol"`
	Choked      bool              `json:"top_choked_at_peak"`
	Z           float64           `json:"compressibility_at_peak"`
	Breach      *breachLine       `json:"breach,omitempty"`
	Curve       curveLine         `json:"curve"`
	Absent      map[string]string `json:"absent,omitempty"`
	Cautions    []string          `json:"cautions"`
}

type openingLine struct {
	Feature      string  `json:"feature"`
	TimeS        float64 `json:"time_s"`
	PressureBarg float64 `json:"pressure_barg"`
}

type breachLine struct {
	Trials     int     `json:"trials"`
	Breaches   int     `json:"breaches"`
	P          float64 `json:"p"`
	Lower      float64 `json:"p_lower"`
	Upper      float64 `json:"p_upper"`
	Confidence float64 `json:"confidence"`
	WrongOrder int     `json:"bottom_vent_first"`
	MedianBarg float64 `json:"peak_median_barg"`
	High95Barg float64 `json:"peak_95_barg"`
}

type curveLine struct {
	TimeS      []float64 `json:"t_s"`
	TopBarg    []float64 `json:"top_barg"`
	BottomBarg []float64 `json:"bottom_barg,omitempty"`
}

func newVentingLine(c *analysis.VentingCase, r analysis.VentingRow) ventingLine {
	x := &r.Result
	l := ventingLine{
		Design: r.Name, Options: append([]string{}, r.Options...), PeakBarg: x.PeakPa / report.PaPerBar, PeakS: x.PeakTimeS, Openings: []openingLine{},
		Holds: x.Holds, HoldsCold: x.HoldsCold, HotBarg: x.HotPa / report.PaPerBar, ColdBarg: x.ColdPa / report.PaPerBar, MarginBar: x.MarginPa / report.PaPerBar,
		DifferBar: x.DifferencePa / report.PaPerBar, ReleasedMol: x.ReleasedMol, Choked: x.ChokedAtPeak, Z: x.Z, Absent: map[string]string{},
		Cautions: []string{analysis.VentingCaution, analysis.CloggingCaution},
	}
	sliced := c.Inside.Slices >= 2
	if sliced {
		l.PeakAt = (float64(x.PeakSlice) + 0.5) / float64(c.Inside.Slices)
	}
	for _, o := range x.Openings {
		l.Openings = append(l.Openings, openingLine{o.Feature, o.TimeS, o.PressurePa / report.PaPerBar})
	}
	if !math.IsNaN(x.BreachTimeS) {
		l.BreachS = &x.BreachTimeS
	}
	if r.Suffices {
		l.LeastOpen = &r.LeastOpen
	} else {
		l.Absent["least_open_fraction"] = "the housing does not hold even with the top vent wide open"
	}
	if b := r.Breach; b != nil {
		l.Breach = &breachLine{b.Trials, b.Breaches, b.P, b.Lower, b.Upper, b.Confidence, b.WrongOrder, b.PeakPa / report.PaPerBar, b.Peak95Pa / report.PaPerBar}
	}
	for _, p := range x.Curve {
		l.Curve.TimeS = append(l.Curve.TimeS, p.TimeS)
		l.Curve.TopBarg = append(l.Curve.TopBarg, p.TopPa/report.PaPerBar)
		if sliced {
			l.Curve.BottomBarg = append(l.Curve.BottomBarg, p.BottomPa/report.PaPerBar)
		}
	}
	return l
}

func printVenting(w io.Writer, k *config.Case, rows []ventingLine, o *ventingOptions) {
	fmt.Fprintf(w, "%s: %.4g mmol of gas, free volume %.3g mL, top vent %.3g %% open\n\n", k.Name,
		1e3*k.Venting.Generation.Amount(), 1e6*k.Venting.FreeVolume, 100*k.Venting.Top.OpenFraction)
	for i := range rows {
		if i > 0 && o.compare {
			break
		}
		rows[i].sentences(w)
	}
	if o.compare {
		compareTable(w, rows)
	}
	for _, c := range rows[0].Cautions {
		fmt.Fprintln(w, c)
	}
	fmt.Fprintln(w, "The bounds cover the number of simulated cells, not what the model leaves out.")
}

// sentences says one design in words.
func (l *ventingLine) sentences(w io.Writer) {
	fmt.Fprintf(w, "%s:\n", strings.ToUpper(l.Design[:1])+l.Design[1:])
	for _, x := range l.Openings {
		fmt.Fprintf(w, "  the %s opens at %.4f s, at %.3g bar gauge\n", x.Feature, x.TimeS, x.PressureBarg)
	}
	if len(l.Openings) == 0 {
		fmt.Fprintln(w, "  no vent opens")
	}
	fmt.Fprintf(w, "  the pressure reaches %.4g bar gauge at %.4f s; the housing bears %.4g bar gauge hot, %.4g cold: ", l.PeakBarg, l.PeakS, l.HotBarg, l.ColdBarg)
	if l.Holds {
		fmt.Fprintf(w, "it holds, by %.3g bar\n", l.MarginBar)
	} else {
		fmt.Fprintf(w, "IT DOES NOT HOLD hot, by %.3g bar, from %.4f s on (the pressure is as if it held)\n", -l.MarginBar, *l.BreachS)
	}
	if l.DifferBar > 0 {
		fmt.Fprintf(w, "  between the ends of the cell: up to %.3g bar\n", l.DifferBar)
	}
	switch {
	case l.LeastOpen == nil:
		fmt.Fprintf(w, "  %s\n", l.Absent["least_open_fraction"])
	case *l.LeastOpen == 0:
		fmt.Fprintln(w, "  the housing holds even with the top vent plugged")
	default:
		fmt.Fprintf(w, "  the top vent suffices down to %s open\n", report.RoundedUp(*l.LeastOpen))
	}
	if b := l.Breach; b != nil {
		fmt.Fprintf(w, "  breaches in simulation: %d of %d; with %.3g %% confidence the simulated probability is below %s\n", b.Breaches, b.Trials, 100*b.Confidence, report.RoundedUp(b.Upper))
		if b.WrongOrder > 0 {
			fmt.Fprintf(w, "  the bottom vent opened first in %d of %d\n", b.WrongOrder, b.Trials)
		}
	}
	fmt.Fprintln(w)
}

// bars is the width of the picture beside the table.
const bars = 30

func compareTable(w io.Writer, rows []ventingLine) {
	most := 0.0
	for _, l := range rows {
		most = math.Max(most, math.Max(l.PeakBarg, l.HotBarg))
	}
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "design\tpeak bar gauge\tmargin bar\tleast open\tbreach, bound\tpeak (=) and what the housing bears hot (|)")
	for _, l := range rows {
		least, breach := "none", "-"
		if l.LeastOpen != nil {
			least = report.RoundedUp(*l.LeastOpen)
		}
		if b := l.Breach; b != nil {
			breach = fmt.Sprintf("%.1f %%, < %s", 100*b.P, report.RoundedUp(b.Upper))
		}
		fmt.Fprintf(t, "%s\t%.1f\t%+.1f\t%s\t%s\t%s\n", l.Design, l.PeakBarg, l.MarginBar, least, breach, bar(l.PeakBarg/most, l.HotBarg/most))
	}
	t.Flush()
	fmt.Fprintln(w)
}

// bar draws a part of the width with a mark.
func bar(part, mark float64) string {
	b := []byte(strings.Repeat(" ", bars+1))
	for i := range int(math.Round(part * bars)) {
		b[i] = '='
	}
	b[int(math.Round(mark*bars))] = '|'
	return strings.TrimRight(string(b), " ")
}
