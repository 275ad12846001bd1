package report

import (
	"encoding/json"
	"math"
	"slices"

	"ventward/daq"
	"ventward/detect"
)

// Units of the edge in SI units.
const (
	PaPerBar = 1e5
	M2PerMM2 = 1e-6
)

// A Line is an event as users' scripts read it: one JSON object, pressures in
// bar in the channel's own reference, times in s since the run's time zero,
// areas in mm², uncertainties expanded with k = 2. A nil field was not
// computed; Absent says why.
type Line struct {
	Event    string   `json:"event"`
	ID       int      `json:"id"`
	Rev      int      `json:"rev"`
	Run      string   `json:"run,omitempty"`
	Shot     int      `json:"shot,omitempty"`
	Fault    string   `json:"fault,omitempty"`
	Feature  string   `json:"feature,omitempty"`
	Channel  string   `json:"channel,omitempty"`
	Channels []string `json:"channels,omitempty"`

	OnsetS   float64  `json:"onset_s"`
	OnsetUS  *float64 `json:"onset_u_s,omitempty"`
	StartS   *float64 `json:"start_s,omitempty"`
	StartUS  *float64 `json:"start_u_s,omitempty"`
	EndS     *float64 `json:"end_s,omitempty"`
	ClockUS  *float64 `json:"clock_u_s,omitempty"` // share of onset_u_s and start_u_s that all times of the instrument have in common
	DecidedS float64  `json:"decided_s"`
	NamedS   *float64 `json:"named_s,omitempty"`

	PressureBar  *float64 `json:"pressure_bar,omitempty"`
	PressureUBar *float64 `json:"pressure_u_bar,omitempty"`
	FitDof       *float64 `json:"fit_dof,omitempty"` // of the fit's part of the uncertainties
	PeakBar      *float64 `json:"peak_bar,omitempty"`
	PeakLossBar  *float64 `json:"peak_loss_bar,omitempty"`
	Reference    string   `json:"reference,omitempty"`
	DropBar      *float64 `json:"drop_bar,omitempty"`
	RampBarS     *float64 `json:"ramp_bar_s,omitempty"`
	TauS         *float64 `json:"tau_s,omitempty"`
	AreaMM2      *float64 `json:"area_mm2,omitempty"`
	AreaUMM2     *float64 `json:"area_u_mm2,omitempty"`
	AreaLowerMM2 *float64 `json:"area_lower_mm2,omitempty"`

	RateBarS  *float64 `json:"rate_bar_s,omitempty"`
	StepBar   *float64 `json:"step_bar,omitempty"`
	DipC      *float64 `json:"dip_C,omitempty"`
	Criterion string   `json:"criterion,omitempty"`

	Flags  []string          `json:"flags"`
	Absent map[string]string `json:"absent,omitempty"`
}

// EventLine turns an event into its line. start is the bench time of the run's
// time zero in ns; channels is the table that the event's channel ids index.
func EventLine(e detect.Event, start int64, channels []daq.Channel) Line {
	l := Line{
		Event:   string(e.Kind),
		ID:      e.ID,
		Rev:     e.Rev,
		Fault:   string(e.Fault),
		Feature: e.Feature,
		Channel: channelName(e.Channel, channels),

		OnsetS:   runSeconds(e.Onset, start),
		OnsetUS:  scaledNs(e.OnBench(e.OnsetU)),
		StartUS:  scaledNs(e.OnBench(e.StartU)),
		ClockUS:  clockSeconds(e.ClockU),
		DecidedS: runSeconds(e.Decided, start),

		PressureBar:  scaled(e.PressurePa, PaPerBar),
		PressureUBar: scaled(e.PressureUPa, PaPerBar),
		FitDof:       scaled(e.FitDof, 1),
		PeakBar:      scaled(e.PeakPa, PaPerBar),
		PeakLossBar:  scaled(e.PeakLossPa, PaPerBar),
		Reference:    string(e.Reference),
		DropBar:      scaled(e.DropPa, PaPerBar),
		RampBarS:     scaled(e.RampPaS, PaPerBar),
		TauS:         scaled(e.TauS, 1),
		AreaMM2:      scaled(e.AreaM2, M2PerMM2),
		AreaUMM2:     scaled(e.AreaUM2, M2PerMM2),
		AreaLowerMM2: scaled(e.AreaLowerM2, M2PerMM2),

		RateBarS:  scaled(e.RatePaS, PaPerBar),
		StepBar:   scaled(e.StepPa, PaPerBar),
		DipC:      scaled(e.DipC, 1),
		Criterion: e.Criterion,
		Flags:     make([]string, 0, len(e.Flags)),
	}
	for _, c := range e.Channels {
		l.Channels = append(l.Channels, channelName(c, channels))
	}
	for _, f := range e.Flags {
		l.Flags = append(l.Flags, string(f))
	}
	l.StartS = optionalSeconds(e.Start, start)
	l.EndS = optionalSeconds(e.End, start)
	l.NamedS = optionalSeconds(e.Named, start)
	l.Absent = absent(e, &l)
	return l
}

// Bound tells whether the line's pressure and drop are lower bounds.
func (l *Line) Bound() bool { return slices.Contains(l.Flags, string(detect.FlagLowerBound)) }

// edge names a line's fields by the names they have inside the program.
var edge = map[string]string{
	"onset_u": "onset_u_s", "start": "start_s", "start_u": "start_u_s", "end": "end_s", "pressure_Pa": "pressure_bar", "pressure_u_Pa": "pressure_u_bar", "peak_Pa": "peak_bar",
	"peak_loss_Pa": "peak_loss_bar", "drop_Pa": "drop_bar", "ramp_Pa_s": "ramp_bar_s", "rate_Pa_s": "rate_bar_s", "step_Pa": "step_bar", "area_m2": "area_mm2", "area_u_m2": "area_u_mm2",
}

// edgeNames turns reasons under the program's inner names into reasons under
// the line's.
func edgeNames(in map[string]string) map[string]string {
	if in == nil {
		return nil
	}
	out := make(map[string]string, len(in))
	for k, v := range in {
		if n := edge[k]; n != "" {
			k = n
		}
		out[k] = v
	}
	return out
}

// absent names what a reader may expect of the event's kind and doesn't find. A
// fit that was none says why its figures are missing; those that the event has
// had from the monitor are not.
func absent(e detect.Event, l *Line) map[string]string {
	out := edgeNames(e.Absent)
	for field, have := range map[string]bool{"start_s": l.StartS != nil, "pressure_bar": l.PressureBar != nil, "pressure_u_bar": l.PressureUBar != nil,
		"peak_loss_bar": l.PeakLossBar != nil, "drop_bar": l.DropBar != nil, "ramp_bar_s": l.RampBarS != nil, "tau_s": l.TauS != nil, "onset_u_s": l.OnsetUS != nil} {
		if have {
			delete(out, field)
		}
	}
	if len(out) == 0 {
		out = nil
	}
	want := func(field string, have bool, reason string) {
		if have || out[field] != "" {
			return
		}
		if out == nil {
			out = map[string]string{}
		}
		out[field] = reason
	}
	const unfitted = "no fit of this event so far"
	switch e.Kind {
	case detect.VentOpening, detect.Rupture:
		want("start_s", l.StartS != nil, unfitted)
		want("pressure_bar", l.PressureBar != nil, unfitted)
		want("drop_bar", l.DropBar != nil, unfitted)
		if e.Kind == detect.VentOpening {
			want("area_mm2", l.AreaMM2 != nil || l.AreaLowerMM2 != nil, unfitted)
		}
	case detect.Leak, detect.SupplyStep, detect.Dump, detect.SensorFault:
		want("end_s", l.EndS != nil, "it had not ended")
	}
	return out
}

// channelName names a channel; an id outside the table gives an empty name.
func channelName(id daq.ChannelID, channels []daq.Channel) string {
	if int(id) >= len(channels) {
		return ""
	}
	return channels[id].Name
}

func runSeconds(t, start int64) float64 { return float64(t-start) / 1e9 }

// optionalSeconds is nil for time 0, which means "not known" in an event.
func optionalSeconds(t, start int64) *float64 {
	if t == 0 {
		return nil
	}
	s := runSeconds(t, start)
	return &s
}

// scaled is nil also for what is no number, which JSON can't say.
func scaled(v *float64, unit float64) *float64 {
	if v == nil || math.IsNaN(*v) || math.IsInf(*v, 0) {
		return nil
	}
	s := *v / unit
	return &s
}

func scaledNs(v *int64) *float64 {
	if v == nil {
		return nil
	}
	s := float64(*v) / 1e9
	return &s
}

// clockSeconds gives a clock's bound in s; nil for a trace that brought its times.
func clockSeconds(ns int64) *float64 {
	if ns == 0 {
		return nil
	}
	return scaledNs(&ns)
}

// A Summary is the last line of a trace or run.
type Summary struct {
	Samples  uint64             `json:"samples"`
	Channels int                `json:"channels"`
	RateHz   float64            `json:"rate_hz"`
	NoiseBar *float64           `json:"noise_bar,omitempty"`
	Events   int                `json:"events"`
	Lost     uint64             `json:"lost"`
	Ignored  []string           `json:"ignored"`
	Results  map[string]float64 `json:"results"`
	Absent   map[string]string  `json:"absent,omitempty"`
}

// SummaryLine wraps a summary as the interfaces name it.
type SummaryLine struct {
	Summary Summary `json:"summary"`
}

// A Truth is what a simulator did, beside the run it did it in.
type Truth struct {
	Shot      int          `json:"shot"`
	Run       string       `json:"run"`
	Specimen  string       `json:"specimen"`
	Reference string       `json:"reference"`
	Truth     []TruthEvent `json:"truth"`
}

// TruthEvent is one thing that a simulator let happen, in run time and in the
// run's own reference.
type TruthEvent struct {
	Event       string   `json:"event"`
	Feature     string   `json:"feature,omitempty"`
	StartS      float64  `json:"start_s"`
	OnsetS      float64  `json:"onset_s"`
	PressureBar float64  `json:"pressure_bar"`
	AreaMM2     *float64 `json:"area_mm2,omitempty"`
}

// AppendLine appends v as one line of JSON.
func AppendLine(dst []byte, v any) ([]byte, error) {
	b, err := json.Marshal(v)
	if err != nil {
		return dst, err
	}
	return append(append(dst, b...), '\n'), nil
}
