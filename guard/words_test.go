package guard

import (
	"testing"

	"ventward/daq"
	"ventward/detect"
)

// What an alarm says is read by people under stress: plain words, and a reason
// that stands apart from what it explains.
func TestWordsOfAlarms(t *testing.T) {
	chans := []daq.Channel{{Name: "p1"}}
	for _, c := range []struct {
		e    detect.Event
		want string
	}{
		{detect.Event{Kind: detect.VentOpening, Feature: "top vent"}, "opening (top vent, by its pressure), seen by p1"},
		{detect.Event{Kind: detect.Rupture}, "rupture, seen by p1"},
		{detect.Event{Kind: detect.FirstVenting, Channel: 7}, "first venting"},
	} {
		if got := eventWords(&c.e, chans); got != c.want {
			t.Errorf("%q, want %q", got, c.want)
		}
	}
	o := output{State: daq.OutputUnknown, Why: "no answer in time"}
	if got := o.seen(); got != "unknown (no answer in time)" {
		t.Errorf("%q", got)
	}
	o.Why = ""
	if got := o.seen(); got != "unknown" {
		t.Errorf("%q", got)
	}
}
