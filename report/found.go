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
