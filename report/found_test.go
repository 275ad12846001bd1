package report

import (
	"os"
	"regexp"
	"strings"
	"testing"

	"ventward/analysis"
	"ventward/daq"
	"ventward/detect"
	"ventward/record"
)

// bottomOpened is a run with one opening that its pressure calls the bottom vent.
func bottomOpened(found *record.Outcome, flags ...detect.Flag) *Run {
	p, u, low, high := 27.7e5, 0.015e5, 25e5, 32e5
	e := detect.Event{ID: 1, Kind: detect.VentOpening, Feature: "bottom vent", Reference: daq.Gauge, PressurePa: &p, PressureUPa: &u, Flags: flags}
	r := &Run{Events: []detect.Event{e}, Found: found}
	r.Options.Features = []detect.Feature{{Name: "bottom vent", LowPa: &low, HighPa: &high}}
	return r
}

// The name of an opening is by pressure alone: the answer holds it against what
// a person found on the specimen, and where the pressure can't tell a vent from
// a rupture it does not say "within its range" as if it could.
func TestAnswerWeighsWhatWasFound(t *testing.T) {
	o := func(x record.Extent, feature string) *record.Outcome {
		return &record.Outcome{Extent: x, Feature: feature}
	}
	for _, c := range []struct {
		name  string
		found *record.Outcome
		flags []detect.Flag
		tone  Tone
		word  string
		says  string
	}{
		{"sure, nobody looked", nil, nil, Good, "OPENING 1: WITHIN ITS RANGE", "by more than its uncertainty."},
		{"unsure, nobody looked", nil, []detect.Flag{detect.FlagKindUncertain}, Neutral, "OPENING 1: WITHIN ITS RANGE, IF IT IS THAT FEATURE", "no outcome has been entered yet"},
		{"unsure, found", o(record.Full, "bottom vent"), []detect.Flag{detect.FlagKindUncertain}, Good, "OPENING 1: WITHIN ITS RANGE", "the bottom vent was found open (full)"},
		{"another", o(record.Full, "housing"), nil, Bad, "OPENING 1: ANOTHER FEATURE WAS FOUND OPEN", "the housing was found open, not the bottom vent"},
		{"torn", o(record.Torn, "bottom vent"), nil, Neutral, "OPENING 1: TORN OUTSIDE THE SCORE", "not that of the score"},
		{"held", o(record.Held, ""), nil, Bad, "OPENING 1: NOTHING WAS FOUND OPEN", "nothing was found open on the specimen"},
	} {
		a := bottomOpened(c.found, c.flags...).answers()[0]
		if a.Tone != c.tone || a.Word != c.word || !strings.Contains(a.Sentence, c.says) {
			t.Errorf("%s: %v %q %q, want %v %q with %q", c.name, a.Tone, a.Word, a.Sentence, c.tone, c.word, c.says)
		}
	}
}

// No drop seen does not mean not opened: where the specimen shows an opening that
// the record does not, the report says so.
func TestAnswerOfAnOpeningNobodySaw(t *testing.T) {
	missing := 0
	for _, f := range (&Run{}).facts() {
		if (f.Name == "Outcome" || f.Name == "Review") && f.Value == "not entered" {
			missing++
		}
	}
	if missing != 2 {
		t.Errorf("%d of outcome and review are said to be missing, want both", missing)
	}
	for _, c := range []struct {
		found *record.Outcome
		tone  Tone
		word  string
		says  string
	}{
		{nil, Neutral, "NO OPENING SEEN", "does not mean not opened."},
		{&record.Outcome{Extent: record.Partial, Feature: "top vent"}, Bad, "OPENED UNSEEN", "the top vent was found open (partial)"},
		{&record.Outcome{Extent: record.Held}, Neutral, "NO OPENING SEEN", "nothing was found open: it held"},
		{&record.Outcome{Extent: record.Untested}, Neutral, "NO OPENING SEEN", "does not mean not opened."},
	} {
		r := Run{Found: c.found}
		if a := r.answers()[0]; a.Tone != c.tone || a.Word != c.word || !strings.Contains(a.Sentence, c.says) {
			t.Errorf("%+v: %v %q %q", c.found, a.Tone, a.Word, a.Sentence)
		}
	}
}

// A breach is seen on the cell, not on the vessel's pressure.
func TestRunawayAnswerTellsTheBreach(t *testing.T) {
	for feature, want := range map[string]struct {
		tone Tone
		says string
	}{record.Housing: {Bad, "The housing was found open (full): a breach."}, "top vent": {Neutral, "the top vent was found open (full), and no breach"}} {
		r := Run{Gas: &analysis.RunawayResult{Venting: 20e9, Runaway: 50e9}, Found: &record.Outcome{Extent: record.Full, Feature: feature}}
		if a := r.answers()[0]; a.Tone != want.tone || !strings.Contains(a.Sentence, want.says) {
			t.Errorf("%s: %v %q", feature, a.Tone, a.Sentence)
		}
	}
}

// Every flag of the interface is explained to a reader where it stands.
func TestFlagsAreExplained(t *testing.T) {
	src, err := os.ReadFile("../detect/event.go")
	if err != nil {
		t.Fatal(err)
	}
	all := regexp.MustCompile(`Flag += "([a-z-]+)"`).FindAllStringSubmatch(string(src), -1)
	if len(all) < 11 {
		t.Fatalf("only %d flags found in detect/event.go", len(all))
	}
	for _, m := range all {
		r := bottomOpened(nil, detect.Flag(m[1]), detect.Flag(m[1]))
		blocks := r.eventSection().Blocks
		if text := blocks[len(blocks)-1].Text; !strings.HasPrefix(text, "Flags. "+m[1]+": ") || strings.Count(text, m[1]+":") != 1 {
			t.Errorf("%s: %q", m[1], text)
		}
	}
}
