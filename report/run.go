package report

import (
	"fmt"
	"math"
	"strings"
	"time"

	"ventward/analysis"
	"ventward/daq"
	"ventward/detect"
	"ventward/record"
)

// A Run is what the report of a run is made of. Times are s since the run's
// zero, pressures Pa in each channel's own reference.
type Run struct {
	ID, Bench, Specimen, Lot, Feature, Operator string
	Shot                                        int
	Start                                       time.Time // of the run's zero
	DurationS                                   float64
	State, EndNote, Source                      string
	Hash                                        string          // of the closed run file
	Outcome, Review                             string          // as persons entered them, in words; empty: not yet
	Found                                       *record.Outcome // the outcome itself; nil: not yet, or not asked for
	Recorder                                    string          // version of the program that wrote the run
	Algorithm                                   int
	Simulated                                   bool
	Lost, Gaps                                  uint64

	Options  detect.Options
	RampPaS  float64 // intended; 0: not stated
	Channels []daq.Channel
	Zero     int64 // bench time of the run's zero, ns
	Events   []detect.Event
	Alarms   []Alarm

	From, To float64     // span that Traces cover
	Traces   []*Envelope // by channel; nil: not shown
	Zooms    []Zoom
	Gas      *analysis.RunawayResult // of a runaway rig; nil: a burst bench
	LossPa   float64                 // what lag and sampling may hide of the vessel's peak at its steepest rise, Pa; 0: not known

	Venting *Venting // adequacy of the cell's vents; nil: not asked for

	Made    time.Time
	Program string
}

// An Alarm is an alarm of the run as the report lists it.
type Alarm struct {
	AtS             float64
	Priority, State string
	Message         string
}

// A Zoom is the surroundings of an event.
type Zoom struct {
	Event    int // its id
	From, To float64
	Traces   []*Envelope
}

// ZoomAround is the span in which an opening is shown: from lead to trail
// seconds round its onset.
func ZoomAround(e *detect.Event, zero int64) (from, to float64) {
	at := runSeconds(e.Onset, zero)
	trail := 0.15
	if e.TauS != nil && *e.TauS > 0 {
		trail = math.Min(math.Max(6**e.TauS, 0.05), 2)
	}
	return at - trail/2, at + trail
}

// RunDocument writes the report of a run.
func RunDocument(r *Run) *Document {
	d := &Document{Title: "Burst test", ID: r.ID, Made: r.Made, Program: r.Program}
	if r.Options.Rig == detect.RunawayRig {
		d.Title = "Thermal-runaway test"
	}
	d.Subtitle = strings.Join(nonEmpty(prefixed("Specimen ", r.Specimen), prefixed("lot ", r.Lot), prefixed("feature under test: ", r.Feature)), ", ")
	switch {
	case r.State == "open":
		d.Banner = "STILL BEING RECORDED: this report is not final"
	case r.Simulated:
		d.Banner = "SIMULATED BENCH: no real specimen"
	case r.State == "interrupted":
		d.Banner = "INTERRUPTED: the record ends before the run did"
	}
	d.Facts = r.facts()
	d.Answers = r.answers()
	d.Sections = append(d.Sections, r.pressureSection(), r.eventSection())
	d.Sections = append(d.Sections, r.resultSection())
	d.Sections = append(d.Sections, r.Venting.sections()...)
	d.Sections = append(d.Sections, r.budgetSection(), r.equipmentSection(), r.alarmSection(), r.recordSection())
	d.Cautions = r.cautions()
	return d
}

func nonEmpty(in ...string) []string {
	var out []string
	for _, s := range in {
		if s != "" {
			out = append(out, s)
		}
	}
	return out
}

func orDash(s string) string {
	if s == "" {
		return "not stated"
	}
	return s
}

func (r *Run) facts() []Fact {
	f := []Fact{
		{"Run", r.ID}, {"Bench", r.Bench}, {"Specimen", orDash(r.Specimen)}, {"Lot", orDash(r.Lot)}, {"Under test", orDash(r.Feature)},
		{"Shot", fmt.Sprint(r.Shot)}, {"Started", stamp(r.Start)}, {"Lasted", figures(r.DurationS, 1) + " s"},
	}
	if r.Shot == 0 {
		f[5].Value = "not stated"
	}
	if r.Operator != "" {
		f = append(f, Fact{"Operator", r.Operator})
	}
	for _, x := range []Fact{{"Outcome", r.Outcome}, {"Review", r.Review}} {
		if x.Value == "" {
			x.Value = "not entered"
		}
		f = append(f, x)
	}
	o := &r.Options
	f = append(f, Fact{"Medium", string(o.Medium) + prefixed(", ", o.Fixture.Gas)})
	if v := o.Fixture.VolumeM3; v > 0 {
		f = append(f, Fact{"Free volume", fmt.Sprintf("%.4g ± %.2g mL (k = 2)", v*1e6, 2*o.Fixture.VolumeUM3*1e6)})
	} else {
		f = append(f, Fact{"Free volume", "not given: no area is computed"})
	}
	if o.Fixture.TemperatureK > 0 {
		f = append(f, Fact{"Gas at", fmt.Sprintf("%.1f ± %.1f °C (k = 2)", o.Fixture.TemperatureK-273.15, 2*o.Fixture.TemperatureU)})
	}
	f = append(f, Fact{"Ambient", fmt.Sprintf("%.5g bar absolute", o.Fixture.AmbientPa/PaPerBar)})
	if r.RampPaS > 0 {
		f = append(f, Fact{"Ramp wanted", fmt.Sprintf("%.3g bar/s", r.RampPaS/PaPerBar)})
	}
	return f
}

// openings lists the events in which gas found a way out.
func (r *Run) openings() []*detect.Event {
	var out []*detect.Event
	for i := range r.Events {
		if r.Events[i].Opens() {
			out = append(out, &r.Events[i])
		}
	}
	return out
}

func (r *Run) answers() []Answer {
	var out []Answer
	for _, e := range r.openings() {
		out = append(out, r.openingAnswer(e))
	}
	if r.Gas != nil {
		out = append([]Answer{r.runawayAnswer()}, out...)
		if r.Venting != nil {
			out = append(out, AdequacyAnswer(r.Venting.Adequacy))
		}
		return out
	}
	if len(out) == 0 {
		a := Answer{Tone: Neutral, Word: "NO OPENING SEEN", Sentence: "No drop seen does not mean not opened."}
		if p, ok := r.highest(); ok {
			a.Sentence = fmt.Sprintf("No opening was seen; the highest pressure shown is %s. No drop seen does not mean not opened.", p)
		}
		r.weighUnseen(&a)
		out = append(out, a)
	}
	return out
}

// highest is the greatest specimen pressure of the traces.
func (r *Run) highest() (string, bool) {
	for i := range r.Channels {
		if i < len(r.Traces) && r.Traces[i] != nil && r.Channels[i].IsPressure() {
			if _, hi := r.Traces[i].bounds(); !math.IsInf(hi, 0) {
				return fmt.Sprintf("%.3f bar %s (highest sample of %s)", hi/PaPerBar, r.Channels[i].Reference, r.Channels[i].Name), true
			}
		}
	}
	return "", false
}

// openingAnswer says in a sentence what opened and at what pressure, and holds
// it against the feature's limits with its uncertainty as guard band.
func (r *Run) openingAnswer(e *detect.Event) Answer {
	feature := orSpecimen(e.Feature)
	verb := "opened"
	if e.Kind == detect.Rupture {
		verb = "ruptured"
	}
	a := Answer{Tone: Neutral, Word: r.openingWord(e)}
	if e.PressurePa == nil {
		a.Sentence = fmt.Sprintf("The %s %s at %.4f s; its pressure was not computed: %s.", feature, verb, runSeconds(e.Onset, r.Zero), orDash(edgeNames(e.Absent)["pressure_bar"]))
		return a
	}
	bound := ""
	if e.Has(detect.FlagSaturated) || e.Has(detect.FlagLowerBound) {
		bound = "at least "
	}
	a.Sentence = fmt.Sprintf("The %s %s at %s%.3f bar %s", feature, verb, bound, *e.PressurePa/PaPerBar, e.Reference)
	if e.PressureUPa != nil {
		a.Sentence += fmt.Sprintf(" ± %.3f bar (k = 2)", *e.PressureUPa/PaPerBar)
	}
	a.Sentence += fmt.Sprintf(", %.4f s after the run's zero", runSeconds(e.Onset, r.Zero))
	if e.RampPaS != nil {
		a.Sentence += fmt.Sprintf(", at a ramp of %.3f bar/s", *e.RampPaS/PaPerBar)
	}
	if e.DropPa != nil {
		a.Sentence += fmt.Sprintf("; the pressure fell by %.2f bar", *e.DropPa/PaPerBar)
	}
	a.Sentence += "."
	if e.PeakLossPa != nil && *e.PeakLossPa > 0 {
		a.Sentence += fmt.Sprintf(" The peak may have been up to %s bar higher than recorded at this ramp and sample rate.", smallFigure(*e.PeakLossPa/PaPerBar))
	}
	r.judgeOpening(e, &a)
	r.weighFound(e, &a)
	return a
}

// judgeOpening adds the verdict against the feature's range.
func (r *Run) judgeOpening(e *detect.Event, a *Answer) {
	limits := r.limitsOf(e.Feature)
	if limits == nil {
		a.Sentence += " The bench description names no limits for it."
		return
	}
	shift := 0.0
	if e.Reference == daq.Absolute {
		shift = r.Options.Fixture.AmbientPa
	}
	c := analysis.Combined{Value: *e.PressurePa - shift}
	if e.PressureUPa != nil {
		c.Expanded = *e.PressureUPa
	}
	if e.PeakLossPa != nil {
		c.Missed = []analysis.OneSided{{Loss: *e.PeakLossPa}}
	}
	text := limitText(limits.LowPa, limits.HighPa)
	switch {
	case e.Has(detect.FlagSaturated) || e.Has(detect.FlagLowerBound):
		a.Word += ": BOUND ONLY"
		a.Sentence += fmt.Sprintf(" Against the range of a %s (%s) a bound decides nothing.", e.Feature, text)
		return
	}
	switch c.Judge(limits.LowPa, limits.HighPa, 1) {
	case analysis.Conforms:
		a.Tone, a.Word = Good, a.Word+": WITHIN ITS RANGE"
		a.Sentence += fmt.Sprintf(" That lies within the range of a %s (%s) by more than its uncertainty.", e.Feature, text)
	case analysis.Fails:
		a.Tone, a.Word = Bad, a.Word+": OUTSIDE ITS RANGE"
		a.Sentence += fmt.Sprintf(" That lies outside the range of a %s (%s) by more than its uncertainty.", e.Feature, text)
	default:
		a.Word += ": TOO CLOSE TO CALL"
		a.Sentence += fmt.Sprintf(" Its uncertainty reaches over a limit of the range of a %s (%s).", e.Feature, text)
	}
}

func (r *Run) limitsOf(feature string) *detect.Feature {
	for i := range r.Options.Features {
		f := &r.Options.Features[i]
		if f.Name == feature && (f.LowPa != nil || f.HighPa != nil) {
			return f
		}
	}
	return nil
}

func limitText(low, high *float64) string {
	switch {
	case low != nil && high != nil:
		return fmt.Sprintf("%.1f to %.1f bar gauge", *low/PaPerBar, *high/PaPerBar)
	case low != nil:
		return fmt.Sprintf("at least %.1f bar gauge", *low/PaPerBar)
	}
	return fmt.Sprintf("at most %.1f bar gauge", *high/PaPerBar)
}

// cautions are those that apply to this run.
func (r *Run) cautions() []string {
	out := []string{CautionAid, CautionZero}
	if r.Simulated {
		out = append(out, CautionSimulated)
	}
	bound, area := false, false
	loss := r.LossPa
	for i := range r.Events {
		e := &r.Events[i]
		for _, f := range []detect.Flag{detect.FlagSaturated, detect.FlagLowerBound, detect.FlagUncalibrated, detect.FlagUnverifiedZero} {
			bound = bound || e.Opens() && e.Has(f)
		}
		area = area || e.AreaM2 != nil || e.AreaLowerM2 != nil
		if e.PeakLossPa != nil {
			loss = math.Max(loss, *e.PeakLossPa)
		}
	}
	if bound || r.overdue() {
		out = append(out, CautionBound)
	}
	if loss > 0 {
		out = append(out, fmt.Sprintf("The peak may be up to %s bar higher than recorded at this ramp and sample rate; this is one-sided and in no ±.", smallFigure(loss/PaPerBar)))
	}
	if area {
		out = append(out, CautionEstimate)
	}
	if len(r.openings()) == 0 && (r.Gas == nil || r.Gas.Venting == 0 && r.Gas.Runaway == 0) {
		out = append(out, CautionNoDrop)
	}
	if r.Venting != nil {
		out = append(out, CautionVenting, CautionClogging)
	}
	if r.Gas != nil {
		return append(out, CautionCell)
	}
	out = append(out, CautionClogging)
	return out
}

// overdue tells whether a channel that measures was out of calibration when
// the run began.
func (r *Run) overdue() bool {
	for i := range r.Channels {
		if c := &r.Channels[i]; c.Quantity == daq.Pressure && !inForce(c, r.Start) {
			return true
		}
	}
	return false
}

// inForce tells whether a channel has a certificate that was in force.
func inForce(c *daq.Channel, at time.Time) bool {
	if c.Certificate == "" {
		return false
	}
	return c.CalDue == "" || at.UTC().Format("2006-01-02") <= c.CalDue
}
