package main

import (
	"strings"
	"testing"
)

// Space for at least twice the run (common practice, no source). The figures are
// of the example bench: 120 s from before, 45 bar at 1 bar/s, the watch's 60 s;
// counts of the converter and of text lines, and registers.
func TestSpaceForTwiceARun(t *testing.T) {
	b := exampleBench(t)
	b.Guard.WatchWaitS, b.Guard.SafeS = 50, 10
	rate := 0.0
	for i, c := range b.Channels {
		switch b.Instruments[c.Instrument].Name {
		case "fast":
			rate += 4 * 10e3
		case "ambient":
			rate += 4 * 1e3
		default:
			rate += 8 * b.Detect.RateHz[i]
		}
	}
	run := uint64(rate * (120 + 45 + 60))
	if got := uint64(runBytes(b)); got != run {
		t.Errorf("a run takes %d bytes, want %d", got, run)
	}
	b.Record.MinFreeBytes = 1
	if got := spaceAsked(b); got-2*run > 1 {
		t.Errorf("%d bytes are asked for, want twice a run", got)
	}
	if got := tooLittle(b, 2*run+1); got != "" {
		t.Errorf("twice a run is free: %s", got)
	}
	if got := tooLittle(b, 2*run-1); !strings.Contains(got, " MB are free") || !strings.Contains(got, "twice what a run takes") {
		t.Errorf("a byte less: %q", got)
	}
	b.Record.MinFreeBytes = 2e9
	if got := tooLittle(b, 1999e6); got != "1999 MB are free where runs are kept, 2000 are asked for (min_free_MB of the bench description)" {
		t.Errorf("less than the description states: %q", got)
	}
	b.Guard.WatchWaitS = 1e5 // a day and more
	if got := tooLittle(b, 10e9); !strings.Contains(got, "twice what a run takes") {
		t.Errorf("a long watch: %q", got)
	}
}
