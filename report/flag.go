package report

import (
	"fmt"
	"slices"
	"strings"

	"ventward/detect"
)

// flagMeanings says what a flag means for whoever reads the figures.
var flagMeanings = map[detect.Flag]string{
	detect.FlagSaturated:      "the transducer was at its end: the pressure was at least this much",
	detect.FlagLowerBound:     "the figure is a lower bound",
	detect.FlagGap:            "readings are missing near the event",
	detect.FlagUnsettledClock: "the instrument's clock had not settled: the intervals of times hold how far off it may have been",
	detect.FlagUncalibrated:   "no calibration was in force: intervals are statistical only",
	detect.FlagUnverifiedZero: "the zero was not verified with the line open to air",
	detect.FlagOutOfOrder:     "it opened before a feature that should open first",
	detect.FlagOutsideRange:   "the pressure is outside the range of every feature still closed",
	detect.FlagSupplyRunning:  "the supply was still running: the fall is the balance of flow in and out",
	detect.FlagKindUncertain:  "pressure alone does not tell what kind of event it was, such as a vent from a rupture",
	detect.FlagLagUnknown:     "the transducer's lag is not known: a fast peak may be higher",
}

// FlagNotes explains each flag that the events carry, once, in the order of
// their names: "gap: readings are missing near the event".
func FlagNotes(events []detect.Event) []string {
	var flags []string
	for i := range events {
		for _, f := range events[i].Flags {
			flags = append(flags, string(f))
		}
	}
	slices.Sort(flags)
	var out []string
	for _, f := range slices.Compact(flags) {
		if m := flagMeanings[detect.Flag(f)]; m != "" {
			out = append(out, fmt.Sprintf("%s: %s", f, m))
		}
	}
	return out
}

// flagText is FlagNotes as a paragraph; empty where no event has a flag.
func flagText(events []detect.Event) string {
	notes := FlagNotes(events)
	if len(notes) == 0 {
		return ""
	}
	return "Flags. " + strings.Join(notes, "; ") + "."
}
