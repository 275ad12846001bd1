package main

import (
	"bufio"
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"strings"
)

// A column is one named series of a trace.
type column struct {
	name   string
	values []float64
	digits int
}

// A unit is a spelling of pressure and its size in Pa.
type unit struct {
	name string
	pa   float64
}

var units = []unit{{"bar", 1e5}, {"kPa", 1e3}, {"MPa", 1e6}, {"mbar", 100}, {"psi", 6894.757293168}, {"Pa", 1}}

// A truth is what a trace is scored against; it is written beside the trace.
type truth struct {
	Case      string     `json:"case"`
	Seed      uint64     `json:"seed"`
	RateHz    float64    `json:"rate_hz"`
	Reference string     `json:"reference"`
	SigmaBar  float64    `json:"sigma_bar"`
	Options   []string   `json:"options"`
	Nuisance  bool       `json:"nuisance"`
	Plain     bool       `json:"plain"`
	Spikes    int        `json:"spikes"`
	LagS      float64    `json:"lag_s"`
	Openings  []opened   `json:"openings"`
	Expected  []expected `json:"expected"`
	Cell      *cellTruth `json:"cell,omitempty"`
	StartS    float64    `json:"start_s"`
	EndS      float64    `json:"end_s"`
	world     *bench     // for the verdict
	course    *course    // for the verdict
	clean     []float64  // for the verdict
}

// An opened is one opening's truth with its limit.
type opened struct {
	Kind     string  `json:"kind"`
	StartS   float64 `json:"start_s"`
	OnsetS   float64 `json:"onset_s"`
	PressBar float64 `json:"pressure_bar"`
	AreaMm2  float64 `json:"area_mm2"`
	TauS     float64 `json:"tau_s"`
	Samples  float64 `json:"n_lim"`
	Allowed  bool    `json:"allowed"`
	Resolved bool    `json:"resolved"`
	BoundBar float64 `json:"pressure_bound_bar"`
	OnsetSD  float64 `json:"onset_sd_s"`
	NextS    float64 `json:"next_s"`
	Liquid   bool    `json:"liquid"`
	Signal   float64 `json:"snr"`
}

type expected struct {
	Event    string  `json:"event"`
	AtS      float64 `json:"at_s"`
	Feasible bool    `json:"feasible"`
}

// A cellTruth is the runaway rig's truth; absent: it didn't happen.
type cellTruth struct {
	VentS    *float64 `json:"first_venting_s,omitempty"`
	RapidS   *float64 `json:"rapid_s,omitempty"`
	RunawayS *float64 `json:"runaway_s,omitempty"`
	GasMol   float64  `json:"gas_mol"`
	PeakBar  float64  `json:"peak_bar"`
	PeakC    float64  `json:"peak_C"`
	StepBar  float64  `json:"step_bar"`
	DipC     float64  `json:"dip_C"`
}

func some(x float64) *float64 {
	if math.IsNaN(x) {
		return nil
	}
	return &x
}

// look is one sensor's view of a noise-free reading, in Pa.
func (b *bench) look(rng *rand.Rand, clean []float64, c converter, faults []fault) []float64 {
	x := append([]float64(nil), clean...)
	c.noise(rng, b.times, x)
	for i := range faults {
		if f := &faults[i]; f.what == "spike" || f.what == "thermal" {
			f.spoil(&c, b.times, x)
		}
	}
	c.count(x)
	for i := range faults {
		if f := &faults[i]; f.what != "spike" && f.what != "thermal" {
			f.spoil(&c, b.times, x)
		}
	}
	return x
}

// express writes a series of Pa in some unit and reference and names it.
func (b *bench) express(rng *rand.Rand, role string, x []float64, gauge bool) (column, []string) {
	u := units[rng.IntN(len(units))]
	off, suffix := 0.0, "a"
	if gauge {
		off, suffix = b.vessel.back, "g"
	}
	var options []string
	if chance(rng, 0.25) {
		suffix = ""
		options = []string{"--reference", map[bool]string{true: "gauge", false: "absolute"}[gauge]}
	}
	digits := max(0, int(math.Ceil(math.Log10(u.pa/b.converter.lsb())))+1)
	out := make([]float64, len(x))
	for i := range x {
		out[i] = (x[i] - off) / u.pa
	}
	return column{role + "_" + u.name + suffix, out, digits}, options
}

// number formats with as few digits as will do.
func number(x float64) string { return strconv.FormatFloat(x, 'g', 6, 64) }

// common are the options that every trace needs, with the errors of what the
// operator was told.
func (b *bench) common(rng *rand.Rand) []string {
	v := &b.vessel
	told := func(x, relative float64) (string, string) {
		u := x * relative
		return number(x + u/2*rng.NormFloat64()), number(u)
	}
	volume, volumeU := told(v.volume/ml, logUniform(rng, 0.003, 0.03))
	vague := logUniform(rng, 0.02, 0.2)
	b.lagSD = vague / 2 * b.transducer.lag
	lag, lagU := told(b.transducer.lag/ms, vague)
	warmU := logUniform(rng, 0.3, 3)
	o := []string{"--volume-ml", volume, "--volume-u-ml", volumeU, "--lag-ms", lag, "--lag-u-ms", lagU,
		"--temperature-C", number(v.temperature - tWarm + warmU/2*rng.NormFloat64()), "--temperature-u-C", number(warmU),
		"--ambient-bar", number(v.back / bar), "--gas", v.gas.name}
	if v.liquid {
		o = append(o, "--medium", "liquid")
	}
	return o
}

// make plays the bench and returns its columns and its truth.
func (b *bench) make(rng *rand.Rand) ([]column, *truth) {
	gauge := chance(rng, 0.6)
	name := "p"
	if b.second {
		name = "p1"
	}
	w := &truth{Case: b.name, Seed: b.seed, RateHz: b.rate, Reference: "absolute", SigmaBar: b.sigma / bar, Nuisance: b.nuisance,
		Plain: b.plain, Spikes: b.spikes, LagS: b.transducer.lag, world: b, Options: b.common(rng)}
	if gauge {
		w.Reference = "gauge"
	}
	stamps := make([]float64, len(b.times))
	for i, t := range b.times {
		stamps[i] = t + b.offset
	}
	w.StartS, w.EndS = stamps[0], stamps[len(stamps)-1]
	columns := []column{{"t_s", stamps, 7}}
	var clean []float64
	if b.thermal != nil {
		w.course = b.runs()
		clean = w.course.p
	} else {
		_, clean = b.vessel.play(b.transducer, b.times, -1)
	}
	col, options := b.express(rng, name, b.look(rng, clean, b.converter, b.faults), gauge)
	columns = append(columns, col)
	if b.second {
		other := b.converter
		other.white *= between(rng, 0.7, 1.4)
		x := b.look(rng, clean, other, b.faults2)
		col, more := b.express(rng, "p2", x, gauge)
		columns, options = append(columns, col), append(options, more...)
	}
	if len(options) > 2 {
		options = options[:2]
	}
	w.Options = append(w.Options, options...)
	if b.thermal != nil {
		columns = append(columns, b.couples(rng, w.course)...)
		w.Options = append(w.Options, "--rig", "runaway", "--capacity-Ah", number(b.thermal.capacity))
		w.cell(b, gauge)
	}
	for _, in := range b.inputs {
		columns = append(columns, in.column(b.times))
	}
	w.clean = clean
	w.openings(b, clean, gauge)
	for _, n := range b.also {
		w.Expected = append(w.Expected, expected{n.event, n.at + b.offset, n.feasible})
	}
	return columns, w
}

// couples are the columns of a runaway rig beside its pressure.
func (b *bench) couples(rng *rand.Rand, o *course) []column {
	c := b.thermal
	skin, gas, volts := make([]float64, len(b.times)), make([]float64, len(b.times)), make([]float64, len(b.times))
	for i, t := range b.times {
		s := o.skin[i] - tWarm
		if c.reversed {
			s = 2*(b.vessel.temperature-tWarm) - s
		}
		skin[i] = s + c.tcNoise*rng.NormFloat64()
		gas[i] = o.gas[i] - tWarm + c.tcNoise*rng.NormFloat64()
		volts[i] = o.volts[i] + 0.002*rng.NormFloat64()
		for _, g := range c.glitches {
			if t >= g.from && t < g.to {
				volts[i] = 0
			}
		}
	}
	k := converter{full: 1372, bits: 16}
	for i := range c.faults {
		c.faults[i].spoil(&k, b.times, skin)
	}
	return []column{{"t_skin_C", skin, 2}, {"t_gas_C", gas, 2}, {"u_cell_V", volts, 4}}
}

// column is the input's levels.
func (in *input) column(times []float64) column {
	x := make([]float64, len(times))
	for i, t := range times {
		level := in.first
		for _, at := range in.at {
			if t >= at {
				level = 1 - level
			}
		}
		x[i] = float64(level)
	}
	return column{in.name, x, 0}
}

// openings writes the truth and the limits of each opening.
func (w *truth) openings(b *bench, clean []float64, gauge bool) {
	off := 0.0
	if gauge {
		off = b.vessel.back
	}
	for k := range b.vessel.holes {
		h := &b.vessel.holes[k]
		if h.kind == "" {
			continue
		}
		p, _ := b.vessel.play(transducer{}, b.times, k)
		l := b.limits(k, clean)
		_, to := b.span(k)
		o := opened{Kind: h.kind, StartS: h.t0 + b.offset, OnsetS: h.effective() + b.offset, AreaMm2: h.area / mm2,
			PressBar: (b.pressureAt(p, h.effective()) - off) / bar, TauS: l.tau, Samples: l.samples, Allowed: l.allowed,
			Resolved: l.resolved && b.plain, BoundBar: l.pressure / bar, OnsetSD: l.onset, NextS: to + b.offset, Liquid: b.vessel.liquid}
		o.Signal = (b.pressureAt(p, h.effective()) - b.vessel.back) / l.tau / b.rate / b.sigma
		if w.Case == "saturated" { // what can't be seen isn't asked for
			o.Allowed, o.Resolved = false, false
		}
		if math.IsInf(o.Samples, 1) {
			o.Samples = 0
		}
		if math.IsNaN(o.OnsetSD) {
			o.OnsetSD = 0
		}
		w.Openings = append(w.Openings, o)
	}
}

// cell writes the truth of a runaway rig.
func (w *truth) cell(b *bench, gauge bool) {
	o := w.course
	off := 0.0
	if gauge {
		off = b.vessel.back
	}
	c := &cellTruth{VentS: some(o.vent), RapidS: some(o.rapid), RunawayS: some(o.runaway), GasMol: o.settled,
		PeakBar: (o.peak - off) / bar, PeakC: o.peakC, DipC: o.dip}
	if !math.IsNaN(o.vent) {
		i := index(b.times, o.vent)
		j := min(len(b.times)-1, i+int(5*(b.thermal.ventTime+b.transducer.lag)*b.rate)+1)
		c.StepBar = (o.p[j] - o.p[max(i-1, 0)]) / bar
	}
	w.Cell = c
}

// write puts a trace and its truth into a folder.
func write(folder, name string, columns []column, w *truth) (path string, err error) {
	path = filepath.Join(folder, name+".csv")
	f, err := os.Create(path)
	if err != nil {
		return "", err
	}
	defer f.Close()
	out := bufio.NewWriterSize(f, 1<<20)
	names := make([]string, len(columns))
	for i, c := range columns {
		names[i] = c.name
	}
	fmt.Fprintln(out, strings.Join(names, ","))
	var line []byte
	for i := range columns[0].values {
		line = line[:0]
		for j, c := range columns {
			if j > 0 {
				line = append(line, ',')
			}
			if x := c.values[i]; !math.IsNaN(x) {
				line = strconv.AppendFloat(line, x, 'f', c.digits, 64)
			}
		}
		if _, err := out.Write(append(line, '\n')); err != nil {
			return "", err
		}
	}
	if err := out.Flush(); err != nil {
		return "", err
	}
	text, err := json.MarshalIndent(w, "", " ")
	if err != nil {
		return "", err
	}
	return path, os.WriteFile(filepath.Join(folder, name+".json"), append(text, '\n'), 0o644)
}
