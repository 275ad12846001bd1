package report

import (
	"fmt"
	"math"
	"strings"

	"ventward/analysis/lot"
)

// A BreachLine is the breaches of runaway tests of one kind as users' scripts
// read it. The bounds are exact (Clopper and Pearson).
type BreachLine struct {
	Trigger     string     `json:"trigger"`
	Surrounding string     `json:"surrounding,omitempty"` // absent: not stated
	BottomVent  bool       `json:"bottom_vent"`
	N           int        `json:"n"`
	Breached    int        `json:"breached"`
	P           float64    `json:"p"`
	Bounds      [2]float64 `json:"p_bounds"` // two-sided
	Upper       float64    `json:"p_upper"`  // one-sided: what "none seen" still allows
	Confidence  float64    `json:"confidence"`
	Sentence    string     `json:"sentence"`
}

// A BreachCompareLine compares two kinds of test that differ in one thing.
type BreachCompareLine struct {
	Compared [2]string `json:"compared"`
	Differs  string    `json:"differs"` // trigger, surrounding, bottom vent
	P        float64   `json:"p_fisher"`
	Sentence string    `json:"sentence"`
}

// breachKind names a kind of test.
func breachKind(r *lot.BreachRate) string {
	with := "without bottom vent"
	if r.BottomVent {
		with = "with bottom vent"
	}
	around := r.Surrounding
	if around == "" {
		around = "surrounding not stated"
	}
	return strings.Join([]string{with, "trigger " + r.Trigger, around}, ", ")
}

// BreachRate turns a rate into its line.
func BreachRate(r *lot.BreachRate, confidence float64) BreachLine {
	return BreachLine{Trigger: r.Trigger, Surrounding: r.Surrounding, BottomVent: r.BottomVent, N: r.Rate.N, Breached: r.Rate.K, P: r.Rate.Estimate,
		Bounds: [2]float64{r.Rate.Low, r.Rate.High}, Upper: r.Rate.UpperOne, Confidence: confidence, Sentence: BreachSentence(r, confidence)}
}

// BreachSentence says in words what k of n breaches show. "None seen" is never
// "none".
func BreachSentence(r *lot.BreachRate, confidence float64) string {
	who := fmt.Sprintf("%d of %d cells (%s) breached", r.Rate.K, r.Rate.N, breachKind(r))
	if r.Rate.K == 0 {
		return fmt.Sprintf("%s: none seen is not none, with %s confidence up to %s of such cells may breach.", who, percent(confidence), RoundedUp(r.Rate.UpperOne))
	}
	return fmt.Sprintf("%s: with %s confidence between %s and %s of such cells do.", who, percent(confidence), shareDown(r.Rate.Low), RoundedUp(r.Rate.High))
}

// shareDown writes a probability in per cent, rounded down.
func shareDown(p float64) string { return figures(math.Floor(p*1000+1e-9)/10, 1) + " %" }

// BreachComparison turns a contrast of two of the rates into its line.
func BreachComparison(c *lot.BreachContrast, rates []lot.BreachRate) BreachCompareLine {
	a, b := &rates[c.A], &rates[c.B]
	l := BreachCompareLine{Compared: [2]string{breachKind(a), breachKind(b)}, Differs: c.Differs, P: c.P}
	verdict := "chance alone may explain the difference"
	if c.P < 0.05 {
		verdict = "chance alone hardly explains the difference"
	}
	l.Sentence = fmt.Sprintf("%d of %d %s against %d of %d %s (they differ in %s): Fisher's exact test p = %s, %s.", a.Rate.K, a.Rate.N, breachKind(a), b.Rate.K, b.Rate.N, breachKind(b), c.Differs, probability(c.P), verdict)
	return l
}

// BreachSection shows the breaches of runaway tests by kind, what they say
// compared, and every test that doesn't count with its reason.
func BreachSection(rates []lot.BreachRate, contrasts []lot.BreachContrast, tests []lot.Runaway, confidence float64) Section {
	s := Section{Title: "Breaches"}
	t := &Table{Columns: []Column{{"Bottom vent", 0.8, false}, {"Trigger", 1.2, false}, {"Surrounding", 1.2, false}, {"Tests", 0.6, true}, {"Breached", 0.7, true},
		{percent(confidence) + " interval", 1.4, true}, {"Upper bound, one-sided", 1.2, true}}}
	for i := range rates {
		r := &rates[i]
		with := "no"
		if r.BottomVent {
			with = "yes"
		}
		t.Rows = append(t.Rows, Row{Cells: []string{with, r.Trigger, orDash(r.Surrounding), fmt.Sprint(r.Rate.N), fmt.Sprint(r.Rate.K),
			shareDown(r.Rate.Low) + " to " + RoundedUp(r.Rate.High), RoundedUp(r.Rate.UpperOne)}})
	}
	t.Note = "Exact binomial bounds. Tests are never pooled across trigger, surrounding or bottom vent."
	s.Blocks = append(s.Blocks, Block{Table: t})
	for i := range contrasts {
		s.Blocks = append(s.Blocks, Block{Text: BreachComparison(&contrasts[i], rates).Sentence})
	}
	left := &Table{Columns: []Column{{"Test that does not count", 1.4, false}, {"Lot", 1, false}, {"Reason", 4, false}}}
	for i := range tests {
		if x := &tests[i]; x.Left != "" {
			left.Rows = append(left.Rows, Row{Dim: true, Cells: []string{x.ID, x.Lot, x.Left}})
		}
	}
	if len(left.Rows) > 0 {
		s.Blocks = append(s.Blocks, Block{Table: left})
	}
	return s
}

// BreachDocument writes the report of runaway tests.
func BreachDocument(d Document, rates []lot.BreachRate, contrasts []lot.BreachContrast, tests []lot.Runaway, confidence float64) *Document {
	d.Title = "Breaches in thermal runaway"
	left := 0
	for i := range tests {
		if tests[i].Left != "" {
			left++
		}
	}
	d.Facts = []Fact{{"Tests", fmt.Sprintf("%d valid, %d excluded", len(tests)-left, left)}, {"Confidence", percent(confidence)}}
	for i := range rates {
		d.Answers = append(d.Answers, Answer{Tone: Neutral, Word: upper(breachKind(&rates[i])), Sentence: BreachSentence(&rates[i], confidence)})
	}
	d.Sections = []Section{BreachSection(rates, contrasts, tests, confidence)}
	d.Cautions = []string{CautionAid, CautionCell, CautionClogging}
	return &d
}
