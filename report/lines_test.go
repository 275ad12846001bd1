package report

import (
	"encoding/json"
	"math"
	"reflect"
	"testing"

	"ventward/daq"
	"ventward/detect"
)

func ptr[T any](v T) *T { return &v }

var table = []daq.Channel{{Name: "p1"}, {Name: "p2"}}

// TestEventLineOfTheInterface: the line that the interface document shows
// comes out of an event with the same figures, field for field and in order.
func TestEventLineOfTheInterface(t *testing.T) {
	const start = int64(5e9)
	e := detect.Event{
		ID: 3, Rev: 2, Kind: detect.VentOpening, Feature: "top vent", Channel: 0, Channels: []daq.ChannelID{0, 1},
		Onset: start + 12_345_600_000, OnsetU: ptr(int64(200_000)), Start: start + 12_345_100_000, StartU: ptr(int64(1_100_000)),
		Decided: start + 12_346_100_000, Named: start + 12_410_000_000,
		PressurePa: ptr(18.42e5), PressureUPa: ptr(0.05e5), PeakPa: ptr(18.49e5), Reference: daq.Absolute,
		DropPa: ptr(3.1e5), AreaM2: ptr(4.9e-6), AreaUM2: ptr(0.2e-6),
	}
	want := map[string]any{
		"event": "vent-opening", "id": 3.0, "rev": 2.0, "feature": "top vent", "channel": "p1", "channels": []any{"p1", "p2"},
		"onset_s": 12.3456, "onset_u_s": 0.0002, "start_s": 12.3451, "start_u_s": 0.0011, "decided_s": 12.3461, "named_s": 12.41,
		"pressure_bar": 18.42, "pressure_u_bar": 0.05, "peak_bar": 18.49, "reference": "absolute", "drop_bar": 3.1,
		"area_mm2": 4.9, "area_u_mm2": 0.2, "flags": []any{},
	}
	b, err := AppendLine(nil, EventLine(e, start, table))
	if err != nil {
		t.Fatal(err)
	}
	if b[len(b)-1] != '\n' {
		t.Error("a line does not end in a line feed")
	}
	var got map[string]any
	if err := json.Unmarshal(b, &got); err != nil {
		t.Fatal(err)
	}
	for k, w := range want {
		if f, ok := w.(float64); ok {
			if g, ok := got[k].(float64); !ok || math.Abs(g-f) > 1e-12*math.Abs(f) {
				t.Errorf("%s = %v, want %v", k, got[k], w)
			}
		} else if !reflect.DeepEqual(got[k], w) {
			t.Errorf("%s = %v, want %v", k, got[k], w)
		}
		delete(got, k)
	}
	if len(got) != 0 {
		t.Errorf("more fields than the interface shows: %v", got)
	}
}

func TestAbsent(t *testing.T) {
	cases := []struct {
		name string
		e    detect.Event
		want map[string]string
	}{
		{"an opening at the trigger", detect.Event{Kind: detect.VentOpening}, map[string]string{
			"start_s": "no fit of this event so far", "pressure_bar": "no fit of this event so far", "drop_bar": "no fit of this event so far", "area_mm2": "no fit of this event so far"}},
		{"a reason that is given stays", detect.Event{Kind: detect.VentOpening, Start: 1, PressurePa: ptr(1.0), DropPa: ptr(1.0), Absent: map[string]string{"area_m2": "no volume given", "tau_s": "slow", "peak_loss_Pa": "no ramp"}},
			map[string]string{"area_mm2": "no volume given", "tau_s": "slow", "peak_loss_bar": "no ramp"}},
		{"a fit that was none hides nothing that is there", detect.Event{Kind: detect.VentOpening, PressurePa: ptr(1.0), DropPa: ptr(1.0), Flags: []detect.Flag{detect.FlagLowerBound},
			Absent: map[string]string{"drop_Pa": "at its end", "start": "at its end", "area_m2": "at its end"}}, map[string]string{"start_s": "at its end", "area_mm2": "at its end"}},
		{"a bound on the area is enough", detect.Event{Kind: detect.VentOpening, Start: 1, PressurePa: ptr(1.0), DropPa: ptr(1.0), AreaLowerM2: ptr(1e-4)}, nil},
		{"a rupture has no area to miss", detect.Event{Kind: detect.Rupture, Start: 1, PressurePa: ptr(1.0), DropPa: ptr(1.0)}, nil},
		{"a leak that goes on", detect.Event{Kind: detect.Leak}, map[string]string{"end_s": "it had not ended"}},
		{"a click has no end", detect.Event{Kind: detect.ContinuityLoss}, nil},
		{"a figure that is no number is absent", detect.Event{Kind: detect.Rupture, Start: 1, PressurePa: ptr(math.NaN()), DropPa: ptr(math.Inf(1))},
			map[string]string{"pressure_bar": "no fit of this event so far", "drop_bar": "no fit of this event so far"}},
	}
	for _, c := range cases {
		l := EventLine(c.e, 0, table)
		if !reflect.DeepEqual(l.Absent, c.want) {
			t.Errorf("%s: absent %v, want %v", c.name, l.Absent, c.want)
		}
		if _, err := AppendLine(nil, l); err != nil {
			t.Errorf("%s: %v", c.name, err)
		}
	}
}

func TestAbsentLeavesTheEventAlone(t *testing.T) {
	e := detect.Event{Kind: detect.VentOpening, Absent: map[string]string{"area_m2": "no volume given"}}
	EventLine(e, 0, table)
	if len(e.Absent) != 1 {
		t.Errorf("the event's own map grew to %v", e.Absent)
	}
}

func TestUnknownChannelHasNoName(t *testing.T) {
	if l := EventLine(detect.Event{Channel: 9}, 0, table); l.Channel != "" {
		t.Errorf("channel 9 of 2 is named %q", l.Channel)
	}
}

func TestTimesBeforeZeroAreNegative(t *testing.T) {
	if l := EventLine(detect.Event{Onset: 2e9, Decided: 2.5e9}, 5e9, table); l.OnsetS != -3 || l.DecidedS != -2.5 {
		t.Errorf("onset %v s, decided %v s, want -3 and -2.5", l.OnsetS, l.DecidedS)
	}
}

func TestSummaryLine(t *testing.T) {
	b, err := AppendLine(nil, SummaryLine{Summary{Samples: 10, Channels: 2, RateHz: 1000, Ignored: []string{}, Results: map[string]float64{}}})
	if err != nil {
		t.Fatal(err)
	}
	if got, want := string(b), `{"summary":{"samples":10,"channels":2,"rate_hz":1000,"events":0,"lost":0,"ignored":[],"results":{}}}`+"\n"; got != want {
		t.Errorf("%s, want %s", got, want)
	}
}

func BenchmarkEventLine(b *testing.B) {
	e := detect.Event{Kind: detect.VentOpening, PressurePa: ptr(1e5), Channels: []daq.ChannelID{0, 1}}
	b.ReportAllocs()
	var buf []byte
	for b.Loop() {
		buf, _ = AppendLine(buf[:0], EventLine(e, 0, table))
	}
}
