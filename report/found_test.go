package report

import (
	"os"
	"regexp"
	"strings"
	"testing"

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
