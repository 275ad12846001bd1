package report

import (
	"fmt"

	"ventward/detect"
	"ventward/record"
)

// weighFound holds the answer of an opening, which is by pressure alone, against
// what a person found on the specimen: that decides which feature gave way.
func (r *Run) weighFound(e *detect.Event, a *Answer) {
	sure := !e.Has(detect.FlagKindUncertain)
	if !sure {
		why := e.Absent["kind"]
		if why == "" {
			why = "a vent that opens wide and a housing that breaks may look alike"
		}
		a.Sentence += " The pressure alone does not tell which it was: " + why + "."
	}
	o := r.Found
	switch {
	case o == nil && !sure:
		a.Sentence += " What is found on the specimen decides; no outcome has been entered yet."
	case o == nil:
		return
	case o.Extent == record.Torn && o.Feature == e.Feature:
		a.Tone, a.Word = Neutral, r.openingWord(e)+": TORN OUTSIDE THE SCORE"
		a.Sentence += fmt.Sprintf(" The %s was found torn outside the score: this pressure is not that of the score.", o.Feature)
		return
	case o.Extent.Opened() && o.Feature == e.Feature:
		a.Sentence += fmt.Sprintf(" On the specimen the %s was found open (%s).", o.Feature, o.Extent)
		return
	case o.Extent.Opened() && !r.opened(o.Feature):
		a.Tone, a.Word = Bad, r.openingWord(e)+": ANOTHER FEATURE WAS FOUND OPEN"
		a.Sentence += fmt.Sprintf(" But on the specimen the %s was found open, not the %s: the name by pressure is wrong, and the range of a %s decides nothing.",
			o.Feature, orSpecimen(e.Feature), orSpecimen(e.Feature))
		return
	case o.Extent == record.Held:
		a.Tone, a.Word = Bad, r.openingWord(e)+": NOTHING WAS FOUND OPEN"
		a.Sentence += " But nothing was found open on the specimen: look for another way out, such as the fixture."
		return
	}
	if !sure && a.Tone == Good {
		a.Tone, a.Word = Neutral, a.Word+", IF IT IS THAT FEATURE"
	}
}

// weighUnseen holds the answer of a run without an opening against what a person
// found: the record may have missed what the specimen shows.
func (r *Run) weighUnseen(a *Answer) {
	switch o := r.Found; {
	case o == nil:
	case o.Extent.Opened():
		a.Tone, a.Word = Bad, "OPENED UNSEEN"
		a.Sentence += fmt.Sprintf(" On the specimen the %s was found open (%s): at what pressure this record does not tell.", o.Feature, o.Extent)
	case o.Extent == record.Held:
		a.Sentence += " On the specimen nothing was found open: it held at least what was shown."
	}
}

// weighBreach adds what a person found on a cell after its test: a housing that
// opened is a breach, which no pressure of the vessel tells.
func (r *Run) weighBreach(a *Answer) {
	switch o := r.Found; {
	case o == nil:
	case o.Extent.Opened() && o.Feature == record.Housing:
		a.Tone = Bad
		a.Sentence += fmt.Sprintf(" The housing was found open (%s): a breach.", o.Extent)
	case o.Extent.Opened():
		a.Sentence += fmt.Sprintf(" On the cell the %s was found open (%s), and no breach of the housing.", o.Feature, o.Extent)
	case o.Extent == record.Held:
		a.Sentence += " On the cell nothing was found open."
	}
}

// opened tells whether the run has an opening of the feature.
func (r *Run) opened(feature string) bool {
	for _, e := range r.openings() {
		if e.Feature == feature {
			return true
		}
	}
	return false
}

// openingWord heads the answer of an opening: they count from 1.
func (r *Run) openingWord(e *detect.Event) string {
	for i, o := range r.openings() {
		if o == e {
			return fmt.Sprintf("OPENING %d", i+1)
		}
	}
	return "OPENING"
}

func orSpecimen(feature string) string {
	if feature == "" {
		return "specimen"
	}
	return feature
}
