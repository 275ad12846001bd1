package config

import (
	"fmt"
	"strconv"
	"strings"

	"ventward/daq"
	"ventward/daq/wire"
	"ventward/detect"
	"ventward/guard"
)

// saturation is the part of full scale from which a sample is a lower bound:
// a limit beyond it can't be seen.
const saturation = 0.98

// crossCheck judges what only the whole description can tell.
func (r *reading) crossCheck() {
	for i := range r.bench.Instruments {
		r.lineLoad(i)
	}
	for i := range r.bench.Guard.Rules {
		r.reachable(i)
	}
	r.specimen()
	r.tooSlow()
}

// report adds a problem of list entry i at the key written for one of stems;
// value, in unit, stands in where the file says nothing.
func (r *reading) report(list string, i int, name, stems, value, unit, message, next string) {
	p := r.d.locate(list, i, name, stems, value, unit)
	p.Message, p.Next = message, next
	r.d.problems = append(r.d.problems, p)
}

// locate starts a problem of list entry i at the key written for one of stems
// (separated by blanks). A nil document, that of a bench out of a record, has
// no lines.
func (d *document) locate(list string, i int, name, stems, value, unit string) Problem {
	path, key := element(list, i), stems
	if first, _, several := strings.Cut(stems, " "); several {
		key = first
	}
	p := Problem{Value: value, Unit: unit}
	if d != nil {
		p.File = d.file
		written, text := d.written(path, strings.Fields(stems)...)
		if text != "" {
			p.Value = text
		}
		if key = written; unitOf(key) != "" {
			p.Unit = unitOf(key)
		}
		p.Line = d.line(join(path, key))
	}
	p.Field = fmt.Sprintf("%s %q: %s", list, name, key)
	return p
}

// lineLoad refuses an instrument that says more than its line carries.
func (r *reading) lineLoad(i int) {
	in := &r.bench.Instruments[i]
	used, what := load(in)
	if used > 1 {
		r.report("instrument", i, in.Name, "baud", strconv.Itoa(in.Port.Baud), "Bd",
			fmt.Sprintf("%s needs at least %.0f %% of the line", what, 100*used),
			fmt.Sprintf("raise baud to %.0f or more, or lower rate_hz", float64(in.Port.Baud)*used*1.1))
	}
}

// reachable refuses a limit that the channel's transducer can never show.
func (r *reading) reachable(i int) {
	rule := &r.bench.Guard.Rules[i]
	if rule.Kind != guard.LimitHigh && rule.Kind != guard.LimitLow {
		return
	}
	for _, id := range rule.Channels {
		c := &r.bench.Channels[id]
		if c.Low == 0 && c.High == 0 {
			continue
		}
		edge, u := guard.Edge(c.Quantity, rule.Limit)
		high, _ := guard.Edge(c.Quantity, c.High)
		low, _ := guard.Edge(c.Quantity, c.Low)
		switch {
		case rule.Kind == guard.LimitHigh && rule.Limit >= saturation*c.High:
			r.report("rule", i, rule.Name, "trip alarm", show(edge), u,
				fmt.Sprintf("can't be seen by channel %q, which saturates at 98 %% of its full scale of %s %s", c.Name, show(high), u),
				fmt.Sprintf("set it below %s %s, or fit a transducer of a wider range", show(saturation*high), u))
		case rule.Limit < c.Low || rule.Limit > c.High:
			r.report("rule", i, rule.Name, "trip alarm", show(edge), u,
				fmt.Sprintf("is outside the range of channel %q, %s to %s %s", c.Name, show(low), show(high), u),
				"set it inside the range, or fit another transducer")
		}
	}
}

// specimen refuses a burst bench whose transducers can't show the openings.
func (r *reading) specimen() {
	top := 0.0
	for _, f := range r.bench.Detect.Features {
		if f.HighPa != nil {
			top = max(top, *f.HighPa)
		} else if f.LowPa != nil {
			top = max(top, *f.LowPa)
		}
	}
	ambient := r.bench.Detect.Fixture.AmbientPa
	watching := false
	for i := range r.bench.Channels {
		c := &r.bench.Channels[i]
		if !c.IsPressure() {
			continue
		}
		watching = true
		need := top
		if c.Reference == daq.Absolute {
			need += ambient
		}
		if top > 0 && need >= saturation*c.High {
			r.report("channel", i, c.Name, "range", show(c.High/1e5), "bar",
				fmt.Sprintf("saturates before the features' highest limit of %s bar in its reference", show(need/1e5)),
				"fit a transducer of a wider range, or mend the features")
		}
	}
	if !watching {
		r.d.add("", "channel", "", "", "no channel has role p: nothing watches the specimen's pressure", "give the specimen's transducer role = \"p\"")
	}
}

// own has the packages check their own option structs. What they find is what
// the reading above has no word for: the field then has the package's name for
// it, in its unit.
func (r *reading) own() {
	b := r.bench
	for i := range b.Instruments {
		in := &b.Instruments[i]
		for _, p := range protocolProblems(in) {
			q := r.d.locate("instrument", i, in.Name, p.Field, p.Value, "")
			q.Message, q.Next = p.Message, p.Next
			r.d.problems = append(r.d.problems, q)
		}
	}
	for i := range b.Channels {
		c := &b.Channels[i]
		for _, p := range c.Curve.Check() {
			r.report("channel", i, c.Name, "calibration", "", "", p.Field+" = "+p.Value+": "+p.Message, "")
		}
	}
	for _, p := range b.Guard.Check() {
		r.d.add("", p.Field, p.Value, "", p.Message, "")
	}
	if len(r.d.problems) > 0 {
		return
	}
	if _, err := daq.NewConditioner(b.Channels, b.DaqInstruments()); err != nil {
		r.d.add("", "", "", "", err.Error(), "")
	}
	if _, err := detect.New(b.Detect); err != nil {
		r.d.add("", "", "", "", err.Error(), "")
	}
}

func protocolProblems(in *Instrument) []wire.Problem {
	switch {
	case in.Line != nil:
		return in.Line.Check()
	case in.Frame != nil:
		return in.Frame.Check()
	case in.Modbus != nil:
		return in.Modbus.Check()
	case in.Query != nil:
		return in.Query.Check()
	}
	return nil
}
