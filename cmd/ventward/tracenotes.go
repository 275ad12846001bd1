package main

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"ventward/daq"
	"ventward/daq/trace"
	"ventward/detect"
	"ventward/report"
)

// What makes a note. Judgements, no source.
const (
	noteBlockS  = 0.02       // s of readings whose median stands for them
	noteFall    = 0.3        // part of the absolute pressure that may not vanish untold
	noteStays   = int64(1e9) // ns that a fall has to last
	noteSlowHz  = 10.0
	noteAmbient = 0.05 // bar about what open air reads
	noteFewest  = 130  // readings from which the noise is known
)

// notes say what a person should look at in a trace before believing what is
// told of it: a fall that no event explains, a transducer at its end, a
// reference that can't be right. They are no events: nothing is decided by them.
func (a *analysed) notes(t *trace.Trace) []string {
	burst := a.bench.Detect.Rig != detect.RunawayRig
	out := slices.Clone(a.remarks)
	if burst && !slices.ContainsFunc(t.Columns, isSpecimen) {
		out = append(out, "No column is a specimen's pressure: nothing was looked for. Name it p_barg or p_bara, or give --map COLUMN=p1.")
	}
	if burst && t.RateHz > 0 && t.RateHz < noteSlowHz {
		out = append(out, fmt.Sprintf("The rows are %.3g s apart: too far to see an opening. If t_s counts milliseconds, divide it by 1000.", 1/t.RateHz))
	}
	if n := readings(t); slices.ContainsFunc(t.Columns, isSpecimen) && n < noteFewest {
		out = append(out, fmt.Sprintf("%d readings of a pressure are too few to know its noise: nothing was looked for. Give a trace that begins earlier.", n))
	}
	for i := range t.Columns {
		c := &t.Columns[i]
		if !isSpecimen(*c) {
			continue
		}
		b := medians(t, c.Values)
		if burst {
			out = append(out, a.untold(c, b)...)
		}
		out = append(out, a.atItsEnd(t, c, &a.bench.Channels[i])...)
		out = append(out, a.reference(c, b)...)
	}
	return out
}

// readings is the largest number of readings that a specimen's pressure has.
func readings(t *trace.Trace) (most int) {
	for i := range t.Columns {
		if !isSpecimen(t.Columns[i]) {
			continue
		}
		n := 0
		for _, v := range t.Columns[i].Values {
			if !math.IsNaN(v) {
				n++
			}
		}
		most = max(most, n)
	}
	return most
}

func isSpecimen(c trace.Column) bool {
	return c.Role == daq.RoleSpecimen && c.Quantity == daq.Pressure
}

// block is the median of some readings of one pressure.
type block struct {
	t int64   // ns of the trace, of the first
	v float64 // Pa, in the column's reference
}

// medians cuts a column into blocks: a spike has no say.
func medians(t *trace.Trace, v []float64) []block {
	n := max(5, int(t.RateHz*noteBlockS))
	var out []block
	buf := make([]float64, 0, n)
	from := int64(0)
	for i, x := range v {
		if math.IsNaN(x) {
			continue
		}
		if len(buf) == 0 {
			from = t.T[i]
		}
		if buf = append(buf, x); len(buf) == n {
			slices.Sort(buf)
			out = append(out, block{from, buf[n/2]})
			buf = buf[:0]
		}
	}
	return out
}

// untold notes the largest fall of a pressure that no event explains.
func (a *analysed) untold(c *trace.Column, b []block) []string {
	zero := 0.0
	if c.Reference == daq.Gauge {
		zero = a.bench.Detect.Fixture.AmbientPa
	}
	var high, from, to block
	for i, x := range b {
		if i == 0 || x.v > high.v {
			high = x
		}
		x.v = highestFor(b[i:], noteStays)
		if high.v-x.v > from.v-to.v {
			from, to = high, x
		}
	}
	if !(from.v-to.v > noteFall*(from.v+zero)) || a.explained(from.t, to.t) {
		return nil
	}
	return []string{fmt.Sprintf("%s fell from %.4g to %.4g bar between %.6g and %.6g s, and no opening, leak or dump was told of there. Look at the trace: no opening "+
		"can be told that its first moments, a gap or a transducer at its end hide.", c.Header, from.v/report.PaPerBar, to.v/report.PaPerBar, seconds(from.t), seconds(to.t))}
}

// highestFor is the highest of the blocks of the next ns: a dropout comes back.
func highestFor(b []block, ns int64) float64 {
	top := b[0].v
	for _, x := range b {
		if x.t > b[0].t+ns {
			break
		}
		top = max(top, x.v)
	}
	return top
}

// explained tells whether an event between two times of the trace, ns, lets
// pressure out.
func (a *analysed) explained(from, to int64) bool {
	const around = int64(1e9) // the highest block may lie after a small opening, the onset be uncertain
	return slices.ContainsFunc(a.events, func(e detect.Event) bool {
		at := e.Onset - a.start
		switch e.Kind {
		case detect.VentOpening, detect.Rupture, detect.Leak, detect.Dump:
			return at >= from-around && at <= to+around
		}
		return false
	})
}

// atItsEnd notes a transducer that a trace's course shows to have been at the
// end of its range.
func (a *analysed) atItsEnd(t *trace.Trace, c *trace.Column, ch *daq.Channel) []string {
	top, at, ok := clipped(t, c)
	if !ok || ch.High != endOfRange(top) { // a stated full scale needs no note
		return nil
	}
	return []string{fmt.Sprintf("%s rests at its highest reading, %.5g bar, from %.6g s on: its transducer was at its end, and what opens from there is told as a "+
		"lower bound.", c.Header, top/report.PaPerBar, seconds(at))}
}

// reference notes a lowest reading that open air gives to the other reference.
func (a *analysed) reference(c *trace.Column, b []block) []string {
	if len(b) == 0 {
		return nil
	}
	low := slices.MinFunc(b, func(x, y block) int { return cmp.Compare(x.v, y.v) }).v / report.PaPerBar
	ambient := a.bench.Detect.Fixture.AmbientPa / report.PaPerBar
	switch {
	case c.Reference == daq.Gauge && math.Abs(low-ambient) < noteAmbient:
		return []string{fmt.Sprintf("%s reads %.3g bar gauge at its lowest, what an absolute transducer reads in open air. If it is absolute, name it so.", c.Header, low)}
	case c.Reference == daq.Absolute && low < 0.2*ambient:
		return []string{fmt.Sprintf("%s reads %.3g bar absolute at its lowest, as a gauge does in open air. If it is a gauge, name it so: areas and amounts of gas depend on it.", c.Header, low)}
	}
	return nil
}
