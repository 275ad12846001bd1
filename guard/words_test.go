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
	for _, c := range []struct {
		o    output
		want string
	}{
		{output{State: daq.OutputUnknown, Why: "no answer in time"}, "unknown (no answer in time)"},
		{output{State: daq.OutputUnknown}, "unknown"},
		{output{State: daq.OutputOff, Want: true, Why: "read back off, demanded on"}, "off"},
		{output{State: daq.OutputOff, Want: true, Why: "read back off, demanded on: it changed without a demand"}, "off (it changed without a demand)"},
	} {
		if got := c.o.seen(); got != c.want {
			t.Errorf("%q, want %q", got, c.want)
		}
	}
}
