package influx

import (
	"strings"

	"ventward/daq"
	"ventward/detect"
	"ventward/guard"
)

// Place tells what a mark needs to know of its run.
type Place struct {
	Run      string
	EpochUTC int64 // UTC of bench time 0, ns since 1970
	Channels []daq.Channel
}

func (p Place) channel(id daq.ChannelID) string {
	if int(id) < len(p.Channels) {
		return p.Channels[id].Name
	}
	return ""
}

// apart adds the id to a stamp, so that two marks of one channel never meet.
func apart(t int64, id int) int64 { return t + int64(id%1000) }

// EventMark is an event's revision as a mark: a later one overwrites it.
func EventMark(p Place, e detect.Event) Mark {
	flags := make([]string, len(e.Flags))
	for i, f := range e.Flags {
		flags[i] = string(f)
	}
	fields := []Field{
		{"run", p.Run}, {"id", e.ID}, {"rev", e.Rev}, {"kind", string(e.Kind)}, {"fault", string(e.Fault)}, {"feature", e.Feature},
		{"onset_ns", p.EpochUTC + e.Onset},
		{"pressure_Pa", e.PressurePa}, {"pressure_u_Pa", e.PressureUPa}, {"peak_Pa", e.PeakPa}, {"drop_Pa", e.DropPa},
		{"area_m2", e.AreaM2}, {"area_u_m2", e.AreaUM2}, {"area_lower_m2", e.AreaLowerM2},
		{"flags", strings.Join(flags, " ")},
	}
	if u := e.OnBench(e.OnsetU); u != nil {
		fields = append(fields, Field{"onset_u_ns", *u})
	}
	return Mark{Measurement: "event", Channel: p.channel(e.Channel), T: apart(p.EpochUTC+e.Decided, e.ID), Fields: fields}
}

// AlarmMark is one state of an alarm as a mark.
func AlarmMark(p Place, a guard.Alarm) Mark {
	return Mark{Measurement: "alarm", Channel: p.channel(a.Channel), T: apart(p.EpochUTC+a.Changed, a.ID), Fields: []Field{
		{"run", p.Run}, {"id", a.ID}, {"rule", a.Rule}, {"priority", string(a.Priority)}, {"state", string(a.State)},
		{"value", a.Value}, {"message", a.Message}, {"who", a.Who},
	}}
}

// Run is what the database is told of a run.
type Run struct {
	Kind     string // run, idle, import
	Specimen string
	Lot      string
	Shot     int
	Feature  string
	State    string // open, closed, interrupted
	Start    int64  // bench time, ns
	End      int64  // bench time, ns; 0: not ended
}

// RunMark is a run as a mark: sent again when it ends, it overwrites itself.
func RunMark(p Place, r Run) Mark {
	fields := []Field{
		{"run", p.Run}, {"kind", r.Kind}, {"specimen", r.Specimen}, {"lot", r.Lot}, {"shot", r.Shot}, {"feature", r.Feature}, {"state", r.State},
	}
	if r.End != 0 {
		fields = append(fields, Field{"end_ns", p.EpochUTC + r.End})
	}
	return Mark{Measurement: "run", T: p.EpochUTC + r.Start, Fields: fields}
}
