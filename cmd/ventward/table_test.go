package main

import (
	"bytes"
	"strings"
	"testing"

	"ventward/daq"
	"ventward/detect"
)

// TestTableTellsBounds: a saturated opening's pressure is "at least", without an
// interval that nobody knows (common practice, no source).
func TestTableTellsBounds(t *testing.T) {
	at := func(bar float64) *float64 { pa := bar * 1e5; return &pa }
	chans := []daq.Channel{{Name: "p"}}
	bound := []detect.Flag{detect.FlagSaturated, detect.FlagLowerBound}
	cases := []struct {
		name   string
		event  detect.Event
		has    string
		hasNot string
	}{
		{"no calibration", detect.Event{PressurePa: at(9.4533), PressureUPa: at(0), Flags: bound}, "≥ 9.453 gauge - -", "gauge 0.000"},
		{"a certificate", detect.Event{PressurePa: at(9.4533), PressureUPa: at(0.012), Flags: bound}, "≥ 9.453 gauge 0.012", "gauge -"},
		{"a measurement", detect.Event{PressurePa: at(9.4533), PressureUPa: at(0.012)}, " 9.453 gauge 0.012", "≥"},
	}
	for _, c := range cases {
		c.event.Kind, c.event.Reference = detect.VentOpening, daq.Gauge
		var out bytes.Buffer
		printEvents(&out, []detect.Event{c.event}, 0, chans)
		row := strings.Join(strings.Fields(strings.SplitN(out.String(), "\n", 3)[1]), " ")
		if !strings.Contains(row, c.has) || strings.Contains(row, c.hasNot) {
			t.Errorf("%s: row %q, want %q and no %q", c.name, row, c.has, c.hasNot)
		}
	}
}
