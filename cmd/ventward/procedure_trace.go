package main

import (
	"fmt"
	"math"
	"time"

	"github.com/spf13/cobra"

	"ventward/analysis"
	"ventward/config"
	"ventward/daq"
	"ventward/daq/calib"
	"ventward/daq/trace"
)

// leakFlags describe a hold; uncertainties are expanded (k = 2).
type leakFlags struct {
	traceFlags
	volumeML, volumeU, temperatureC, driftC, gainPercent, limit float64
}

func leakCommand() *cobra.Command {
	f := &leakFlags{}
	c := &cobra.Command{
		Use:   "leak TRACE.csv",
		Short: "Leak rate of the shut fixture from the trace of a hold",
		Long: `Fits how the pressure of the shut fixture falls, at constant temperature: a column
t_gas (or t_ambient) is counted; without one --drift-C says how much the gas may have
drifted. Let the gas come to rest after filling: it cools, which looks like a leak.
With --limit-mbar-s the answer is yes only if the rate and its uncertainty are within
the limit (exit 1 otherwise).`,
		Example: "  ventward procedure leak hold.csv --from 30 --to 90 --volume-ml 50.3 --limit-mbar-s 0.05",
		Args:    cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			o, err := f.check(args[0])
			if err != nil {
				return err
			}
			return o.print(c.OutOrStdout(), f.json)
		},
	}
	f.add(c)
	fl := c.Flags()
	fl.Float64Var(&f.volumeML, "volume-ml", 0, "volume of the fixture, mL (none: no flow in Pa m3/s)")
	fl.Float64Var(&f.volumeU, "volume-u-ml", 0, "its expanded uncertainty, mL")
	fl.Float64Var(&f.temperatureC, "temperature-C", 23, "gas temperature, °C, where the trace has none")
	fl.Float64Var(&f.driftC, "drift-C", 0.2, "how much it may have drifted over the hold, expanded, °C")
	fl.Float64Var(&f.gainPercent, "gain-u-percent", 0.1, "expanded uncertainty of the transducer's gain, %")
	fl.Float64Var(&f.limit, "limit-mbar-s", 0, "highest leak rate allowed, mbar/s (0: none)")
	return c
}

func (f *leakFlags) check(path string) (*procedureResult, error) {
	for name, v := range map[string]float64{"volume-ml": f.volumeML, "volume-u-ml": f.volumeU, "drift-C": f.driftC, "gain-u-percent": f.gainPercent, "limit-mbar-s": f.limit} {
		if v < 0 || math.IsNaN(v) || math.IsInf(v, 0) {
			return nil, badUse("--%s %v: give a number that is zero or more", name, v)
		}
	}
	t, err := f.read(path)
	if err != nil {
		return nil, err
	}
	col, err := t.one(daq.Pressure, daq.RoleSpecimen)
	if err != nil {
		return nil, err
	}
	h := analysis.Hold{T: t.seconds(), P: append([]float64(nil), t.values(col)...), Temperature: analysis.Measured{Value: f.temperatureC + 273.15, U: f.driftC / 2},
		GainU: f.gainPercent / 200, Volume: analysis.Measured{Value: f.volumeML * 1e-6, U: f.volumeU * 1e-6 / 2}}
	if col.Reference == daq.Gauge {
		for i := range h.P {
			h.P[i] += t.ambient()
		}
	}
	for i := range t.Columns {
		if k := &t.Columns[i]; k.Role == daq.RoleGas || k.Role == daq.RoleRoom && h.TK == nil {
			h.TK = make([]float64, 0, len(h.T))
			for _, c := range t.values(k) {
				h.TK = append(h.TK, c+273.15)
			}
		}
	}
	l, err := h.Check()
	if err != nil {
		return nil, wrongUse{err}
	}
	return f.tell(l, col.Name), nil
}

func (f *leakFlags) tell(l analysis.Leak, channel string) *procedureResult {
	o := &procedureResult{Table: "[test]"}
	rate, u := l.Rate.Value/100, 2*l.Rate.U/100 // mbar/s
	data := map[string]any{"channel": channel, "rate_bar_s": l.Rate.Value / 1e5, "rate_u_bar_s": 2 * l.Rate.U / 1e5, "hold_s": l.HoldS, "mean_bara": l.MeanPa / 1e5,
		"samples": l.Samples, "temperature_counted": l.Corrected, "parts": l.Rate.Parts}
	o.say("%s: leak rate %.5g mbar/s +- %.2g mbar/s (k = 2), over %.1f s at %.4g bar absolute", channel, rate, u, l.HoldS, l.MeanPa/1e5)
	for _, p := range l.Rate.Parts {
		if p.U > 0.05*l.Rate.U {
			o.say("  %-32s %.2g mbar/s", p.Input, 2*p.U/100)
		}
	}
	if l.Flow != nil {
		o.say("leak flow %.4g Pa m3/s +- %.2g Pa m3/s (k = 2)", l.Flow.Value, 2*l.Flow.U)
		data["flow_Pa_m3_s"], data["flow_u_Pa_m3_s"] = l.Flow.Value, 2*l.Flow.U
	} else {
		data["absent"] = map[string]string{"flow_Pa_m3_s": "no volume given"}
	}
	if !l.Corrected {
		o.say("The gas temperature was not measured: its drift is in the uncertainty only.")
	}
	o.line("leak_mbar_s = %.6g", rate)
	o.line("leak_u_mbar_s = %.3g", u)
	o.line("leak_date = %s", time.Now().Format(time.DateOnly))
	if f.limit > 0 {
		v := l.Rate.Against(f.limit * 100)
		data["limit_mbar_s"], data["verdict"] = f.limit, v
		o.say("%s the limit of %g mbar/s", v, f.limit)
		if v == analysis.Undecided {
			o.say("The uncertainty spans the limit: hold longer, or measure the gas temperature.")
		}
		o.line("leak_max_mbar_s = %g", f.limit)
		o.Bad = v != analysis.Within
	}
	o.Data = data
	return o
}

func zeroCommand() *cobra.Command {
	f := &traceFlags{}
	var bench string
	c := &cobra.Command{
		Use:   "zero TRACE.csv --bench bench.toml",
		Short: "Zeros of the pressure transducers with the line open to air",
		Long: `Takes the zero of every pressure channel of the bench that the trace holds, with the
line open to air, within the limits that the bench description sets. A zero that is
too large, drifts, or is not known well enough is refused: the line may be under
pressure. The trace is one that this bench recorded (its present zeros subtracted).
Redundant transducers are compared.`,
		Example: "  ventward procedure zero open-to-air.csv --bench bench.toml",
		Args:    cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			b, err := loadBench(bench)
			if err != nil {
				return err
			}
			t, err := f.read(args[0])
			if err != nil {
				return err
			}
			o, err := takeZeros(t, b)
			if err != nil {
				return err
			}
			return o.print(c.OutOrStdout(), f.json)
		},
	}
	f.add(c)
	c.Flags().StringVar(&bench, "bench", "", "bench description (TOML)")
	c.MarkFlagRequired("bench")
	return c
}

// zeroResult is one channel's zero.
type zeroResult struct {
	Channel string     `json:"channel"`
	Pa      calib.Zero `json:"zero_Pa"`
	Refused string     `json:"refused,omitempty"`
	channel *daq.Channel
}

func takeZeros(t *cut, b *config.Bench) (*procedureResult, error) {
	cols, err := t.find(daq.Pressure, daq.RoleSpecimen, daq.RoleSupply)
	if err != nil {
		return nil, err
	}
	o := &procedureResult{Table: "[channel.calibration]  # of each channel named"}
	var all []zeroResult
	for _, col := range cols {
		ch := channelNamed(b, col.Name)
		if ch == nil || ch.Quantity != daq.Pressure || ch.Role == daq.RoleBarometer {
			continue
		}
		if ch.Reference != col.Reference {
			return nil, badUse("%s: column %s is %s, the bench's channel %s: use a trace that this bench recorded", t.Name, col.Header, col.Reference, ch.Reference)
		}
		want := 0.0
		if ch.Reference == daq.Absolute {
			want = t.ambient()
		}
		r := zeroResult{Channel: ch.Name, channel: ch}
		if r.Pa, err = ch.Curve.TakeZero(t.seconds(), t.values(col), want); err != nil {
			r.Refused, o.Bad = err.Error(), true
			o.say("%s: refused: %v", ch.Name, err)
		} else {
			o.say("%s: zero %.3g mbar +- %.2g mbar (k = 2), drift %.2g mbar/s, noise %.2g mbar, %d readings", ch.Name, r.Pa.Value/100, 2*r.Pa.U/100, r.Pa.Slope/100, r.Pa.Noise/100, r.Pa.N)
			o.line("zero_mbar = %.4g            # %s", r.Pa.Value/100, ch.Name)
			o.line("zero_verified = true")
		}
		all = append(all, r)
	}
	if len(all) == 0 {
		return nil, badUse("%s: no column is a pressure channel of the bench: name the columns as the channels are named", t.Name)
	}
	agree(o, all)
	o.Data = all
	return o, nil
}

// agree compares redundant transducers as they read before the new zeros: at
// ambient their difference is to be within their combined uncertainties.
func agree(o *procedureResult, all []zeroResult) {
	for i := range all {
		for k := range i {
			a, b := &all[k], &all[i]
			if a.channel.Role != daq.RoleSpecimen || b.channel.Role != daq.RoleSpecimen || a.channel.Reference != b.channel.Reference || a.Pa.N == 0 || b.Pa.N == 0 {
				continue
			}
			d := math.Abs((a.Pa.Value - a.channel.Curve.Zero) - (b.Pa.Value - b.channel.Curve.Zero))
			u := 2 * math.Hypot(math.Hypot(a.channel.Curve.U(0), b.channel.Curve.U(0)), math.Hypot(a.Pa.U, b.Pa.U))
			word := "agree"
			if d > u {
				word = "do not agree"
				if u > 0 {
					o.Bad = true
				}
			}
			o.say("%s and %s %s: %.3g mbar apart, their uncertainties allow %.3g mbar", a.Channel, b.Channel, word, d/100, u/100)
		}
	}
}

func channelNamed(b *config.Bench, name string) *daq.Channel {
	for i := range b.Channels {
		if b.Channels[i].Name == name {
			return &b.Channels[i]
		}
	}
	return nil
}

func lagCommand() *cobra.Command {
	f := &traceFlags{}
	c := &cobra.Command{
		Use:   "lag TRACE.csv",
		Short: "Time constant of a transducer and resonance of its line, from a step",
		Long: `Fits a first-order response to the largest step of pressure in the trace (the dump
valve opening, a burst disc) and looks for the ringing of the line after it. A step
that is itself slow makes the time constant an upper bound.`,
		Example: "  ventward procedure lag dump.csv --channel p1 --from 12 --to 13",
		Args:    cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			t, err := f.read(args[0])
			if err != nil {
				return err
			}
			o, err := identifyLags(t)
			if err != nil {
				return err
			}
			return o.print(c.OutOrStdout(), f.json)
		},
	}
	f.add(c)
	return c
}

func identifyLags(t *cut) (*procedureResult, error) {
	cols, err := t.find(daq.Pressure, daq.RoleSpecimen)
	if err != nil {
		return nil, err
	}
	o := &procedureResult{Table: "[[channel]]  # of each channel named"}
	data := []map[string]any{}
	for _, col := range cols {
		l, err := analysis.IdentifyLag(t.seconds(), t.values(col))
		if err != nil {
			return nil, wrongUse{fmt.Errorf("channel %s: %w", col.Name, err)}
		}
		data = append(data, map[string]any{"channel": col.Name, "lag_ms": 1e3 * l.TauS.Value, "lag_u_ms": 2e3 * l.TauS.U, "onset_s": l.OnsetS, "upper_bound": l.Coarse,
			"from_bar": l.FromPa / 1e5, "to_bar": l.ToPa / 1e5, "noise_bar": l.NoisePa / 1e5, "misfit_bar": l.MisfitPa / 1e5, "ring": l.Ring})
		o.say("%s: time constant %.4g ms +- %.2g ms (k = 2), step from %.4g to %.4g bar at %.4f s", col.Name, 1e3*l.TauS.Value, 2e3*l.TauS.U, l.FromPa/1e5, l.ToPa/1e5, l.OnsetS)
		if l.Coarse {
			o.say("  an upper bound: it is shorter than two readings are apart")
		}
		if l.MisfitPa > 5*l.NoisePa {
			o.say("  the trace misses the model by %.3g bar (noise %.2g bar): the step may be slow itself, then this is an upper bound", l.MisfitPa/1e5, l.NoisePa/1e5)
		}
		o.line("lag_ms = %.4g            # %s", 1e3*l.TauS.Value, col.Name)
		o.line("lag_u_ms = %.2g", 2e3*l.TauS.U)
		if r := l.Ring; r != nil {
			o.say("  the line rings at %.4g Hz +- %.2g Hz (k = 2), damping ratio %.2g, %.3g bar at first", r.Hz.Value, 2*r.Hz.U, r.Damping, r.AmplitudePa/1e5)
			o.line("line_resonance_Hz = %.4g", r.Hz.Value)
			o.line("line_damping = %.2g", r.Damping)
		}
	}
	o.Data = data
	return o, nil
}

func fingerCommand() *cobra.Command {
	f := &traceFlags{}
	c := &cobra.Command{
		Use:   "finger TRACE.csv",
		Short: "Warm-finger check of thermocouples: open, reversed, exchanged",
		Long: `Judges a trace in which each thermocouple was held between two warm fingers in turn:
one that falls has reversed wires, one that stays was not the one touched (or is
shorted before its tip), one without readings is open. Exit 1 unless all are good.`,
		Example: "  ventward procedure finger warm.csv",
		Args:    cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			t, err := f.read(args[0])
			if err != nil {
				return err
			}
			cols, err := t.find(daq.Temperature, daq.RoleSkin, daq.RoleGas)
			if err != nil {
				return err
			}
			o, err := judgeFingers(t, cols)
			if err != nil {
				return err
			}
			return o.print(c.OutOrStdout(), f.json)
		},
	}
	f.add(c)
	return c
}

func judgeFingers(t *cut, cols []*trace.Column) (*procedureResult, error) {
	o := &procedureResult{}
	var all []analysis.Finger
	for _, col := range cols {
		f, err := analysis.WarmFinger(col.Name, t.seconds(), t.values(col))
		if err != nil {
			return nil, wrongUse{err}
		}
		all = append(all, f)
		o.say("%s: %s (from %.1f °C up %.1f K, down %.1f K, at %.1f s)", f.Channel, f.Verdict, f.BaseC, f.RiseC, f.FallC, f.PeakS)
		o.Bad = o.Bad || f.Verdict != analysis.FingerGood
	}
	o.say("Compare the times with the order in which you touched them: exchanged channels answer in the wrong order.")
	o.Data = all
	return o, nil
}
