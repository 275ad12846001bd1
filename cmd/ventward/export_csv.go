package main

import (
	"cmp"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"

	"ventward/daq"
	"ventward/daq/trace"
	"ventward/report"
	"ventward/store"
)

// csvExport gathers a run as a table whose rows are the readings of the fastest
// instrument that reads the specimen's pressure.
type csvExport struct {
	zero  int64
	bench *engine
	w     io.Writer
	polls []poll      // by instrument
	v     [][]float64 // by channel, one a time of its instrument's poll
	valve []turns
}

// poll is the readings of one instrument: their times, and the channels that
// have a value at each of them.
type poll struct {
	t     []int64
	chans []daq.ChannelID
}

// turns is when a valve that is no channel was seen to open and close.
type turns struct {
	role daq.Role
	t    []int64
	open []float64 // 1 or 0
}

func (x *csvExport) begin(m *store.Meta, e *engine, w io.Writer) error {
	x.zero, x.bench, x.w = m.Start, e, w
	x.polls, x.v = make([]poll, len(e.bench.Instruments)), make([][]float64, len(e.bench.Channels))
	for _, role := range []daq.Role{daq.RoleSupplyValve, daq.RoleDumpValve} {
		if !slices.ContainsFunc(e.bench.Channels, func(c daq.Channel) bool { return c.Role == role }) {
			x.valve = append(x.valve, turns{role: role})
		}
	}
	return nil
}

func (x *csvExport) take(en *daq.Entry, e *engine) error {
	if en.Kind == daq.EntryReadback {
		x.turned(en)
	}
	for _, ch := range e.touched {
		s := e.samples[ch]
		if len(s) == 0 {
			continue
		}
		p := &x.polls[e.bench.Channels[ch].Instrument]
		if !slices.Contains(p.chans, ch) {
			p.chans = append(p.chans, ch)
		}
		if ch == p.chans[0] {
			for i := range s {
				p.t = append(p.t, s[i].T)
			}
		}
		for i := range s {
			v := s[i].V
			if s[i].Q&daq.Missing != 0 {
				v = math.NaN()
			}
			x.v[ch] = append(x.v[ch], v)
		}
	}
	return nil
}

// turned notes a valve's state where its output was read back.
func (x *csvExport) turned(en *daq.Entry) {
	r := en.Readback
	if r.Output < 0 || r.Output >= len(x.bench.bench.Outputs) || r.State == daq.OutputUnknown {
		return
	}
	o := &x.bench.bench.Outputs[r.Output]
	for i := range x.valve {
		if v := &x.valve[i]; v.role == o.Role {
			open := 0.0
			if (r.State == daq.OutputOn) != o.OpenWhenOff {
				open = 1
			}
			v.t, v.open = append(v.t, en.At), append(v.open, open)
		}
	}
}

func (x *csvExport) finish([]report.Line) (rows, leftOut int, err error) {
	lead := x.lead()
	if lead < 0 {
		return 0, 0, badUse("export: nothing was recorded of these channels in that time: choose others, or another time")
	}
	at := x.times(lead)
	t := &trace.Trace{T: at}
	taken := map[string]bool{}
	for i := range x.polls {
		p := &x.polls[i]
		row, out := place(at, p.t)
		leftOut += out * len(p.chans)
		for _, ch := range p.chans {
			t.Columns = append(t.Columns, x.column(ch, row, len(at), taken))
		}
	}
	for i := range x.valve {
		if v := &x.valve[i]; len(v.t) > 0 {
			t.Columns = append(t.Columns, trace.Column{Name: string(v.role), Values: v.rows(at)})
		}
	}
	t.T = make([]int64, len(at))
	for i := range at {
		t.T[i] = at[i] - x.zero
	}
	return len(at), leftOut, trace.Write(x.w, t)
}

// lead is the instrument whose readings are the rows: of those that read the
// specimen's pressure the one with the most readings, else of all. -1: nothing
// was read.
func (x *csvExport) lead() int {
	best, most, pressed := -1, 0, false
	for i := range x.polls {
		p := &x.polls[i]
		reads := slices.ContainsFunc(p.chans, func(ch daq.ChannelID) bool { return x.bench.bench.Channels[ch].IsPressure() })
		if len(p.t) > 0 && (reads && !pressed || reads == pressed && len(p.t) > most) {
			best, most, pressed = i, len(p.t), reads
		}
	}
	return best
}

// silence is for how long the leading instrument must have said nothing before
// the readings of others get rows of their own, ns. In such a row its cells are
// empty, which in a shorter gap would tell of readings that were wrong.
const silence = int64(1e9)

// times are the rows' times: those of the leading instrument, and where it was
// silent those of the others.
func (x *csvExport) times(lead int) []int64 {
	at := rising(x.polls[lead].t)
	far := max(2*trace.MedianStep(at), silence)
	for i := range x.polls {
		for _, t := range x.polls[i].t {
			if i != lead && distance(x.polls[lead].t, t) > far {
				at = append(at, t)
			}
		}
	}
	slices.Sort(at)
	return slices.Compact(at)
}

// rising copies those times that follow all before them: a device's clock may
// begin anew.
func rising(t []int64) []int64 {
	out := make([]int64, 0, len(t))
	for _, x := range t {
		if len(out) == 0 || x > out[len(out)-1] {
			out = append(out, x)
		}
	}
	return out
}

// nearest is the index of the time of sorted ts that is nearest to t.
func nearest(ts []int64, t int64) int {
	i, _ := slices.BinarySearch(ts, t)
	if i == len(ts) || i > 0 && t-ts[i-1] <= ts[i]-t {
		i--
	}
	return i
}

func distance(ts []int64, t int64) int64 {
	d := ts[nearest(ts, t)] - t
	return max(d, -d)
}

// place gives each reading its row, -1 where another reading has it already or
// the reading does not follow the one before.
func place(at, t []int64) (row []int, leftOut int) {
	row = make([]int, len(t))
	last, newest := -1, int64(math.MinInt64)
	for i, x := range t {
		r := nearest(at, x)
		if r <= last || x <= newest {
			row[i] = -1
			leftOut++
			continue
		}
		row[i], last, newest = r, r, x
	}
	return row, leftOut
}

// rows is the state of the valve at each time, unknown before it was first
// seen.
func (v *turns) rows(at []int64) []float64 {
	out := make([]float64, len(at))
	for i, t := range at {
		k, exact := slices.BinarySearch(v.t, t)
		if exact {
			k++
		}
		if k == 0 {
			out[i] = math.NaN()
			continue
		}
		out[i] = v.open[k-1]
	}
	return out
}

// column makes a channel's column: empty where it has no reading.
func (x *csvExport) column(ch daq.ChannelID, row []int, n int, taken map[string]bool) trace.Column {
	c := &x.bench.bench.Channels[ch]
	out := trace.Column{Quantity: c.Quantity, Reference: c.Reference, Unit: csvUnit(c), Values: make([]float64, n)}
	out.Name = csvName(c, out.Unit, taken)
	for i := range out.Values {
		out.Values[i] = math.NaN()
	}
	for i, r := range row {
		if r >= 0 && i < len(x.v[ch]) {
			out.Values[r] = x.v[ch][i]
		}
	}
	return out
}

// csvUnit is the unit of a trace's column that a channel is written in.
func csvUnit(c *daq.Channel) string {
	switch c.Quantity {
	case daq.Pressure:
		return cmp.Or(map[daq.Reference]string{daq.Gauge: "barg", daq.Absolute: "bara"}[c.Reference], "bar")
	case daq.Temperature:
		return "C"
	case daq.Voltage:
		return "V"
	case daq.Current:
		return "A"
	case daq.Force:
		return "N"
	}
	return ""
}

// csvName names a column so that a reader of traces gives it the channel's role
// and no other.
func csvName(c *daq.Channel, unit string, taken map[string]bool) string {
	name := c.Name
	switch got := trace.RoleOf(name, c.Quantity); {
	case c.Role == got:
	case c.Role == daq.RoleSpecimen:
		name = "p1"
	case c.Role != daq.RoleNone:
		name = string(c.Role)
	default:
		name = "other-" + name
	}
	if unit == "" && c.Role == daq.RoleNone { // what follows an underscore would be read as a unit
		name = strings.ReplaceAll(name, "_", "-")
	}
	for i, base := 2, strings.TrimRight(name, "0123456789"); taken[name]; i++ {
		name = base + strconv.Itoa(i)
	}
	taken[name] = true
	return name
}
