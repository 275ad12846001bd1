package main

import (
	"fmt"
	"io"
	"strings"
	"text/tabwriter"

	"ventward/daq"
	"ventward/detect"
	"ventward/report"
)

// printEvents prints events for people.
func printEvents(w io.Writer, events []detect.Event, start int64, chans []daq.Channel) {
	if len(events) == 0 {
		fmt.Fprintln(w, "No event.")
		return
	}
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "event\tfeature\tonset s\tpressure bar\t± (k=2)\tarea mm²\tseen by\tflags")
	for i := range events {
		l := report.EventLine(events[i], start, chans)
		kind := l.Event
		if l.Fault != "" {
			kind += " " + l.Fault
		}
		fmt.Fprintf(t, "%s\t%s\t%.4f\t%s\t%s\t%s\t%s\t%s\n", kind, l.Feature, l.OnsetS, withReference(l), spread(l), area(l),
			strings.Join(l.Channels, " "), strings.Join(l.Flags, " "))
	}
	t.Flush()
}

// pressureWords is an event's pressure with its unit and reference; empty where
// it has none.
func pressureWords(l report.Line) string {
	if l.PressureBar == nil {
		return ""
	}
	return strings.Replace(withReference(l), " "+l.Reference, " bar "+l.Reference, 1)
}

func withReference(l report.Line) string {
	if l.PressureBar == nil {
		return "-"
	}
	bound := ""
	if l.Bound() {
		bound = "≥ "
	}
	return fmt.Sprintf("%s%.3f %s", bound, *l.PressureBar, l.Reference)
}

// spread is a pressure's uncertainty; a bound without a calibration has none.
func spread(l report.Line) string {
	if l.Bound() && l.PressureUBar != nil && *l.PressureUBar == 0 {
		return "-"
	}
	return figure(l.PressureUBar, "%.3f")
}

func area(l report.Line) string {
	switch {
	case l.AreaMM2 != nil && l.AreaUMM2 != nil:
		return fmt.Sprintf("%.2f ± %.2f", *l.AreaMM2, *l.AreaUMM2)
	case l.AreaMM2 != nil:
		return fmt.Sprintf("%.2f", *l.AreaMM2)
	case l.AreaLowerMM2 != nil:
		return fmt.Sprintf("≥ %.1f", *l.AreaLowerMM2)
	}
	return "-"
}

func figure(v *float64, format string) string {
	if v == nil {
		return "-"
	}
	return fmt.Sprintf(format, *v)
}
