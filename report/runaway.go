package report

import (
	"fmt"
	"strings"

	"ventward/analysis"
	"ventward/detect"
)

// CautionCell goes with every pressure of a vessel round a cell.
const CautionCell = "The vessel's pressure is not the cell's: inside a cell in runaway it moves at about 1000 bar/s, which no serial line resolves. Keep watching after a runaway: a later one is possible, and HF and CO are in the gas."

// runawayAnswer says in a sentence what the cell did.
func (r *Run) runawayAnswer() Answer {
	x := r.Gas
	a := Answer{Tone: Neutral, Word: "RUNAWAY"}
	var b strings.Builder
	vented := may("vented", x.VentingDoubt)
	ran := may("ran away", x.RunawayDoubt)
	if x.RunawayDoubt != "" {
		a.Word = "RUNAWAY UNCERTAIN"
	}
	switch {
	case x.Runaway != 0 && x.Venting != 0:
		fmt.Fprintf(&b, "The cell %s first at %.2f s and %s at %.2f s", vented, runSeconds(x.Venting, r.Zero), ran, runSeconds(x.Runaway, r.Zero))
	case x.Runaway != 0:
		fmt.Fprintf(&b, "The cell %s at %.2f s; no first venting was seen before", ran, runSeconds(x.Runaway, r.Zero))
	case x.Venting != 0:
		a.Word = "VENTED, NO RUNAWAY SEEN"
		if x.VentingDoubt != "" {
			a.Word = "VENTING UNCERTAIN, NO RUNAWAY SEEN"
		}
		fmt.Fprintf(&b, "The cell %s at %.2f s; no runaway was seen", vented, runSeconds(x.Venting, r.Zero))
	default:
		a.Word = "NO VENTING, NO RUNAWAY SEEN"
		b.WriteString("Neither a venting nor a runaway was seen; the cell may still be charged and pressurised")
	}
	if x.SelfHeating != 0 {
		fmt.Fprintf(&b, "; it heated itself from %.1f s on", runSeconds(x.SelfHeating, r.Zero))
	}
	b.WriteString(".")
	b.WriteString(doubtSentence("venting", x.VentingDoubt) + doubtSentence("runaway", x.RunawayDoubt))
	if x.GasMol != nil {
		fmt.Fprintf(&b, " It %s %s of gas", may("gave off", x.GasDoubt), gasWords(x))
		if x.GasM3 != nil {
			fmt.Fprintf(&b, ", %.3g L %s", *x.GasM3*1e3, x.State)
		}
		if x.GasM3PerAh != nil {
			fmt.Fprintf(&b, " or %.3g L/Ah", *x.GasM3PerAh*1e3)
		}
		b.WriteString(".")
	} else if why := x.Absent["gas_mol"]; why != "" {
		fmt.Fprintf(&b, " The amount of gas was not computed: %s.", why)
	}
	if x.PeakPa != nil {
		fmt.Fprintf(&b, " The vessel reached %.2f bar %s", *x.PeakPa/PaPerBar, r.reference())
		if x.RatePaS != nil && x.RateWindowS != nil {
			fmt.Fprintf(&b, ", rising at up to %.3g bar/s (over %.3g ms)", *x.RatePaS/PaPerBar, *x.RateWindowS*1e3)
		}
		b.WriteString(".")
	}
	if x.PeakC != nil {
		if x.PeakDoubt == "" {
			fmt.Fprintf(&b, " The skin reached %.0f °C.", *x.PeakC)
		} else {
			fmt.Fprintf(&b, " The skin reached %.0f °C or more: its thermocouple was lost.", *x.PeakC)
		}
	}
	a.Sentence = b.String()
	r.weighBreach(&a)
	return a
}

// may puts what the cell did as a possibility where the event's kind is in doubt.
func may(did, doubt string) string {
	if doubt == "" {
		return did
	}
	return "may have " + strings.NewReplacer("ran", "run", "gave", "given").Replace(did)
}

// doubtSentence says why the kind of an event is uncertain; nothing where it is
// not.
func doubtSentence(event, doubt string) string {
	if doubt == "" {
		return ""
	}
	return fmt.Sprintf(" The %s is uncertain: %s.", event, doubt)
}

// doubted is a figure with the doubt in what it tells of.
func doubted(at, doubt string) string {
	if doubt == "" {
		return at
	}
	return at + " (uncertain: " + doubt + ")"
}

func gasWords(x *analysis.RunawayResult) string {
	if x.GasUMol == nil {
		return fmt.Sprintf("%.3g mol", *x.GasMol)
	}
	u := smallFigure(*x.GasUMol)
	_, decimals, _ := strings.Cut(u, ".")
	return fmt.Sprintf("%s ± %s mol (k = 2)", figures(*x.GasMol, len(decimals)), u)
}

// resultSection lists a runaway's figures in words.
func (r *Run) resultSection() Section {
	if r.Gas == nil {
		return Section{}
	}
	x := r.Gas
	t := &Table{Columns: []Column{{"Result", 2, false}, {"Value", 3, false}}}
	row := func(name, key, value string, there bool) {
		switch {
		case there:
			t.Rows = append(t.Rows, Row{Cells: []string{name, value}})
		case x.Absent[key] != "":
			t.Rows = append(t.Rows, Row{Cells: []string{name, "absent: " + x.Absent[key]}, Dim: true})
		}
	}
	of := func(v *float64, unit float64, format string) string {
		if v == nil {
			return ""
		}
		return fmt.Sprintf(format, *v/unit)
	}
	at := func(ns int64) string { return fmt.Sprintf("%.2f s", runSeconds(ns, r.Zero)) }
	row("Self-heating onset", "self_heating_s", at(x.SelfHeating)+of(x.SelfRateCS, 1, " (own heating beyond %.3g °C/s)"), x.SelfHeating != 0)
	row("First venting", "first_venting_s", doubted(at(x.Venting)+r.ventingWords(), x.VentingDoubt), x.Venting != 0)
	row("Runaway", "runaway_s", doubted(at(x.Runaway)+r.criterion(), x.RunawayDoubt), x.Runaway != 0)
	row("From first venting to runaway", "", fmt.Sprintf("%.2f s", float64(x.Runaway-x.Venting)*1e-9), x.Venting != 0 && x.Runaway != 0)
	if x.GasMol != nil {
		row("Gas given off", "gas_mol", doubted(gasWords(x)+fmt.Sprintf(", taken from %s to %s", at(x.Settled[0]), at(x.Settled[1])), x.GasDoubt), true)
	} else {
		row("Gas given off", "gas_mol", "", false)
	}
	row("Of it lost to a leak of the vessel", "", of(x.LostMol, 1, "%.2g mol, reckoned back from the settled state"), x.LostMol != nil)
	row("Volume of that gas", "gas_L", of(x.GasM3, 1e-3, "%.4g L ")+x.State.String(), x.GasM3 != nil)
	row("Volume an ampere-hour", "gas_L_per_Ah", of(x.GasM3PerAh, 1e-3, "%.4g L/Ah ")+x.State.String(), x.GasM3PerAh != nil)
	row("Steepest rise of pressure", "dpdt_max_bar_s", of(x.RatePaS, PaPerBar, "%.4g bar/s")+of(x.RateWindowS, 1e-3, " over %.3g ms"), x.RatePaS != nil)
	row("Highest vessel pressure", "peak_bar", of(x.PeakPa, PaPerBar, "%.3f bar ")+r.reference()+" (highest sample)", x.PeakPa != nil)
	row("Highest skin temperature", "peak_C", doubted(of(x.PeakC, 1, "%.1f °C (highest sample)"), x.PeakDoubt), x.PeakC != nil)
	return Section{Title: "Results of the runaway", Blocks: []Block{{Table: t}}}
}

// eventAt finds the newest event of a kind at a bench time; nil: there is none.
func (r *Run) eventAt(k detect.Kind, ns int64) *detect.Event {
	for i := range r.Events {
		if e := &r.Events[i]; e.Kind == k && e.Onset == ns {
			return e
		}
	}
	return nil
}

// ventingWords is what was seen at the first venting, beside its time: how sure
// that is, and the signature.
func (r *Run) ventingWords() string {
	e := r.eventAt(detect.FirstVenting, r.Gas.Venting)
	if e == nil {
		return ""
	}
	t := ""
	if u := e.OnBench(e.OnsetU); u != nil {
		t += fmt.Sprintf(" ± %s s (k = 2)", smallFigure(float64(*u)*1e-9))
	}
	if e.StepPa != nil {
		t += fmt.Sprintf(", pressure up by %s bar", smallFigure(*e.StepPa/PaPerBar))
	}
	if e.DipC != nil {
		t += fmt.Sprintf(", skin down by %.1f °C", *e.DipC)
	}
	return t
}

// criterion is what made a runaway one, in brackets.
func (r *Run) criterion() string {
	if e := r.eventAt(detect.Runaway, r.Gas.Runaway); e != nil && e.Criterion != "" {
		return " (criterion " + e.Criterion + ")"
	}
	return ""
}
