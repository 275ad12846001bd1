package main

import (
	"fmt"
	"iter"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"ventward/config"
	"ventward/daq"
	"ventward/daq/trace"
	"ventward/detect"
)

// traceStart is the bench time that a trace's t_s = 0 gets, so that times
// before it stay positive.
const traceStart = int64(1000e9)

// traceOptions are the options of analyze and import.
type traceOptions struct {
	rig, medium, gas, reference string
	volumeML, temperatureC      float64
	ambientBar, lagMS           float64
	volumeU, temperatureU, lagU float64 // expanded, k = 2
	falseAlarmH                 float64
	capacityAh, maxC            float64 // of a runaway rig's cell; 0: not given
	fullScaleBar                float64 // of the specimen's transducers; 0: not known
	features, bench             string
	maps                        []string
}

func (o *traceOptions) flags(c *cobra.Command) {
	f := c.Flags()
	f.StringVar(&o.rig, "rig", "burst", "burst or runaway")
	f.StringVar(&o.medium, "medium", "gas", "gas or liquid")
	f.StringVar(&o.gas, "gas", "N2", "N2, air, Ar or CO2")
	f.Float64Var(&o.volumeML, "volume-ml", 0, "free volume, mL (none: no area or amount of gas is computed)")
	f.Float64Var(&o.temperatureC, "temperature-C", 23, "gas temperature before the opening, °C")
	f.StringVar(&o.reference, "reference", "", "absolute or gauge, for pressures whose unit does not say")
	f.Float64Var(&o.ambientBar, "ambient-bar", 1.01325, "ambient pressure, bar absolute")
	f.Float64Var(&o.lagMS, "lag-ms", 0, "time constant of the pressure transducer, ms (0: not known)")
	f.Float64Var(&o.fullScaleBar, "full-scale-bar", 0, "full scale of the specimen's pressure transducers, bar in their own reference (0: not known, saturation is not told)")
	f.Float64Var(&o.volumeU, "volume-u-ml", 0, "expanded uncertainty (k = 2) of the volume, mL")
	f.Float64Var(&o.temperatureU, "temperature-u-C", 0, "expanded uncertainty (k = 2) of the temperature, °C")
	f.Float64Var(&o.lagU, "lag-u-ms", 0, "expanded uncertainty (k = 2) of the lag, ms")
	f.Float64Var(&o.falseAlarmH, "false-alarm-hours", 1000, "mean time between false alarms of the whole bench, h")
	f.Float64Var(&o.capacityAh, "capacity-Ah", 0, "nominal capacity of the cell of a runaway rig, Ah (none: no amount an Ah)")
	f.Float64Var(&o.maxC, "max-operating-C", 0, "maker's maximum operating temperature of that cell, °C (criterion b of a runaway)")
	f.StringVar(&o.features, "features", "", "features.toml with the features' nominal ranges")
	f.StringVar(&o.bench, "bench", "", "bench description that gives all of these at once")
	f.StringArrayVar(&o.maps, "map", nil, "COLUMN=role, overriding the role by name (repeatable)")
}

// check returns what is wrong with the options, as a wrong use.
func (o *traceOptions) check() error {
	one := func(name, v string, allowed ...string) error {
		if slices.Contains(allowed, v) {
			return nil
		}
		return badUse("--%s %q: use one of %s", name, v, strings.Join(allowed, ", "))
	}
	for _, err := range []error{one("rig", o.rig, "burst", "runaway"), one("medium", o.medium, "gas", "liquid"), one("gas", o.gas, "N2", "air", "Ar", "CO2")} {
		if err != nil {
			return err
		}
	}
	if o.reference != "" {
		if err := one("reference", o.reference, "absolute", "gauge"); err != nil {
			return err
		}
	}
	for name, v := range map[string]float64{"volume-ml": o.volumeML, "lag-ms": o.lagMS, "volume-u-ml": o.volumeU, "temperature-u-C": o.temperatureU, "lag-u-ms": o.lagU,
		"capacity-Ah": o.capacityAh, "max-operating-C": o.maxC, "full-scale-bar": o.fullScaleBar} {
		if v < 0 || math.IsNaN(v) || math.IsInf(v, 0) {
			return badUse("--%s %v: give a number that is zero or more", name, v)
		}
	}
	switch {
	case !(o.ambientBar > 0) || math.IsInf(o.ambientBar, 0):
		return badUse("--ambient-bar %v: give the absolute pressure round the bench, more than zero", o.ambientBar)
	case !(o.falseAlarmH > 0) || math.IsInf(o.falseAlarmH, 0):
		return badUse("--false-alarm-hours %v: give a time that is more than zero", o.falseAlarmH)
	case !(o.temperatureC > -273.15) || math.IsInf(o.temperatureC, 0):
		return badUse("--temperature-C %v: give a temperature above -273.15 °C", o.temperatureC)
	}
	return nil
}

// benchGives are the options that a bench description gives.
var benchGives = []string{"rig", "medium", "gas", "volume-ml", "volume-u-ml", "temperature-C", "temperature-u-C", "ambient-bar", "false-alarm-hours", "capacity-Ah", "max-operating-C"}

// overruled names the options given beside a bench description that gives them
// too, in a sentence; empty: none is.
func (o *traceOptions) overruled(c *cobra.Command) string {
	var given []string
	for _, name := range benchGives {
		if o.bench != "" && c.Flags().Changed(name) {
			given = append(given, "--"+name)
		}
	}
	if given == nil {
		return ""
	}
	return fmt.Sprintf("Not used, since %s gives it: %s. Change it there, or leave --bench out.", filepath.Base(o.bench), strings.Join(given, " "))
}

// read reads the trace at path ("-": standard input).
func (o *traceOptions) read(path string) (*trace.Trace, error) {
	in := os.Stdin
	if path != "-" {
		f, err := os.Open(path)
		if err != nil {
			return nil, wrongUse{fmt.Errorf("%w; give the path of a readable CSV file", err)}
		}
		defer f.Close()
		in = f
	}
	t := trace.Options{Name: filepath.Base(path), Reference: daq.Reference(o.reference), Map: map[string]string{}}
	if at, err := in.Stat(); err == nil && at.Mode().IsRegular() {
		t.Bytes = at.Size()
	}
	for _, m := range o.maps {
		col, role, ok := strings.Cut(m, "=")
		if !ok || col == "" {
			return nil, badUse("--map %q: write COLUMN=role", m)
		}
		t.Map[col] = role
	}
	tr, err := trace.Read(in, t)
	if err != nil {
		return nil, wrongUse{err}
	}
	return tr, nil
}

// describe makes the bench description under which a trace is looked at.
func (o *traceOptions) describe(t *trace.Trace) (*config.Bench, error) {
	b := &config.Bench{Name: "trace " + t.Name, Source: t.Name}
	b.Channels = t.Channels()
	for _, in := range t.Instruments() {
		b.Instruments = append(b.Instruments, config.Instrument{Instrument: in})
	}
	b.Detect = detect.Options{Rig: detect.Rig(o.rig), Medium: detect.Medium(o.medium), FalseAlarmS: o.falseAlarmH * 3600,
		Fixture: detect.Fixture{VolumeM3: o.volumeML * 1e-6, VolumeUM3: o.volumeU / 2 * 1e-6, Gas: o.gas, TemperatureK: o.temperatureC + 273.15,
			TemperatureU: o.temperatureU / 2, AmbientPa: o.ambientBar * 1e5},
		Cell: detect.Cell{CapacityAh: o.capacityAh, MaxC: o.maxC}}
	for i := range b.Channels {
		if c := &b.Channels[i]; c.Quantity == daq.Pressure {
			c.LagS, c.LagUS = o.lagMS/1e3, o.lagU/2e3
			if c.Role == daq.RoleSpecimen {
				c.High = o.fullScale(t, &t.Columns[i])
			}
		}
	}
	if o.bench != "" {
		if err := o.adopt(b); err != nil {
			return nil, err
		}
	}
	if o.features != "" {
		fs, err := config.Features(o.features)
		if err != nil {
			return nil, wrongUse{err}
		}
		b.Detect.Features = fs
	}
	b.Detect.Channels = b.Channels
	b.Detect.RateHz = make([]float64, len(b.Channels))
	for i := range b.Detect.RateHz {
		b.Detect.RateHz[i] = b.Instruments[b.Channels[i].Instrument].RateHz
	}
	b.Guard.Channels = b.Channels
	return b, nil
}

// fullScale returns where a specimen's transducer ends, Pa: as stated, or as its
// course shows; 0: not known.
func (o *traceOptions) fullScale(t *trace.Trace, c *trace.Column) float64 {
	if o.fullScaleBar > 0 {
		return o.fullScaleBar * 1e5
	}
	top, _, ok := clipped(t, c)
	if !ok {
		return 0
	}
	return endOfRange(top)
}

// adopt takes detection, fixture, features and the channels' lag and
// calibration uncertainty from a bench description, by channel name.
func (o *traceOptions) adopt(b *config.Bench) error {
	bench, err := config.Load(o.bench)
	if err != nil {
		return wrongUse{err}
	}
	b.Name = bench.Name
	b.Detect = bench.Detect
	for i := range b.Channels {
		c := &b.Channels[i]
		for k := range bench.Channels {
			d := &bench.Channels[k]
			if d.Name != c.Name || d.Quantity != c.Quantity {
				continue
			}
			c.LagS, c.LagUS, c.DelayS, c.Low, c.High = d.LagS, d.LagUS, d.DelayS, d.Low, d.High
			c.Zeroed, c.Certificate, c.CalDue = d.Zeroed, d.Certificate, d.CalDue
			// The trace's values are converted already: what their curve says of its
			// uncertainty stands for all parts of it.
			c.Curve.UOffset, c.Curve.UGain = d.Curve.UOffsetAt(d.High/2), d.Curve.UGainAt(1)
		}
	}
	return nil
}

// batchNS is how much time of a trace is one batch, as a line would give it: what
// its channels say of one moment comes together, whatever the rate.
const batchNS = int64(20e6)

// rowsAtOnce is how many rows of a trace are one batch.
func rowsAtOnce(t *trace.Trace) int {
	n := len(t.T)
	if n < 2 {
		return 1
	}
	return int(min(max(1, batchNS*int64(n-1)/max(1, t.T[n-1]-t.T[0])), 256))
}

// entries turns a trace into the entries of a loop that saw it live.
func entries(t *trace.Trace) iter.Seq[daq.Entry] {
	return func(yield func(daq.Entry) bool) {
		lastTick := int64(0)
		for b := range t.Batches(rowsAtOnce(t)) {
			b.Times = shifted(b.Times)
			b.Arrived += traceStart
			if !yield(daq.Entry{At: b.Arrived, Kind: daq.EntryBatch, Batch: b}) {
				return
			}
			if b.Arrived-lastTick < tickNS {
				continue
			}
			lastTick = b.Arrived
			if !yield(daq.Entry{At: b.Arrived, Kind: daq.EntryTick, Wall: b.Arrived}) {
				return
			}
		}
	}
}

func shifted(ts []int64) []int64 {
	out := make([]int64, len(ts))
	for i, t := range ts {
		out[i] = t + traceStart
	}
	return out
}
