package main

import (
	"bufio"
	"encoding/json"
	"fmt"
	"io"
	"iter"
	"slices"
	"strings"
	"text/tabwriter"

	"github.com/spf13/cobra"

	"ventward/analysis"
	"ventward/config"
	"ventward/daq"
	"ventward/daq/trace"
	"ventward/detect"
	"ventward/report"
)

func analyzeCommand() *cobra.Command {
	var o traceOptions
	var asJSON, budgets bool
	c := &cobra.Command{
		Use:   "analyze TRACE.csv",
		Short: "Detect and measure openings in a recorded trace",
		Long: `Reads a trace (CSV: t_s and columns NAME_UNIT), runs the same detection and
measurement as the live daemon, and prints what happened. "-" reads standard input.
Notes below the events say what to look at before believing them: a fall that no event
explains, a transducer at the end of its range, a gauge named absolute.
--budget adds where the uncertainty of each result comes from.`,
		Example: `  ventward analyze shot.csv --volume-ml 50 --lag-ms 0.3 --features features.toml
  ventward analyze shot.csv --bench bench.toml --json`,
		Args: cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			if err := o.check(); err != nil {
				return err
			}
			t, err := o.read(args[0])
			if err != nil {
				return err
			}
			b, err := o.describe(t)
			if err != nil {
				return err
			}
			a, err := analyze(b, entries(t))
			if err != nil {
				return wrongUse{err}
			}
			if note := o.overruled(c); note != "" {
				a.remarks = append(a.remarks, note)
			}
			if budgets {
				if a.budgets, err = a.evaluate(); err != nil {
					return err
				}
			}
			return a.print(c.OutOrStdout(), t, asJSON)
		},
	}
	o.flags(c)
	c.Flags().BoolVar(&asJSON, "json", false, "JSON lines on standard output")
	c.Flags().BoolVar(&budgets, "budget", false, "the uncertainty budget of each result")
	return c
}

// analysed is what a trace led to.
type analysed struct {
	bench  *config.Bench
	events []detect.Event // last revisions, in the order of their ids
	start  int64
	noise  float64 // Pa, of the first specimen pressure
	lost   uint64
	gas    *analysis.Runaway // of a runaway rig; nil: a burst bench

	budgets []report.BudgetLine // where they are asked for
	remarks []string            // notes on what was asked for
}

// evaluate evaluates the budgets of what was measured.
func (a *analysed) evaluate() ([]report.BudgetLine, error) {
	r := report.Run{Events: a.events, Channels: a.bench.Channels, Options: a.bench.Detect}
	if a.gas != nil {
		x := a.gas.Result()
		r.Gas = &x
	}
	var out []report.BudgetLine
	for _, b := range r.Budgets() {
		l, err := report.EvaluateBudget(&b)
		if err != nil {
			return nil, err
		}
		out = append(out, l)
	}
	return out, nil
}

// analyze runs entries through an engine; windows are fitted on the spot, and
// their findings are further entries.
func analyze(b *config.Bench, ens iter.Seq[daq.Entry]) (*analysed, error) {
	e, err := newEngine(setup{Bench: b})
	if err != nil {
		return nil, err
	}
	a := &analysed{bench: b, start: traceStart, gas: gatherRunaway(b, traceStart)}
	last := map[int]detect.Event{}
	end := daq.Entry{At: traceStart, Kind: daq.EntryCommand, Command: &daq.Command{Verb: "end", Who: "program"}}
	for en := range ens {
		a.take(e, &en, last)
		if bt := en.Batch; bt != nil {
			a.lost += uint64(bt.Lost)
		}
		end.At = en.At
	}
	a.take(e, &end, last)
	for _, ev := range last {
		a.events = append(a.events, ev)
	}
	slices.SortFunc(a.events, func(x, y detect.Event) int { return x.ID - y.ID })
	if e.main >= 0 {
		a.noise = e.watch.NoisePa(daq.ChannelID(e.main))
	}
	return a, nil
}

// take gives one entry and then the findings of the windows it completed.
func (a *analysed) take(e *engine, en *daq.Entry, last map[int]detect.Event) {
	out := e.take(en)
	gather(a.gas, e, out)
	for _, ev := range out.Events {
		last[ev.ID] = ev
	}
	windows := append([]detect.Window(nil), out.Windows...)
	for _, w := range windows {
		f := daq.Entry{At: en.At, Kind: daq.EntryFinding, Body: findingBody(fit(a.bench, w))}
		a.take(e, &f, last)
	}
}

// summary is the last line of analyze --json.
type summary struct {
	Samples  int            `json:"samples"`
	Channels int            `json:"channels"`
	RateHz   float64        `json:"rate_hz"`
	NoiseBar *float64       `json:"noise_bar,omitempty"`
	Events   int            `json:"events"`
	Lost     uint64         `json:"lost"`
	Ignored  []string       `json:"ignored"`
	Results  map[string]any `json:"results"`
	// Absent says why a result was not computed.
	Absent map[string]string `json:"absent,omitempty"`
	// Notes are what a person should look at before believing the rest.
	Notes []string `json:"notes,omitempty"`
}

func (a *analysed) print(w io.Writer, t *trace.Trace, asJSON bool) error {
	s := summary{Samples: len(t.T), Channels: len(t.Columns), RateHz: t.RateHz, Events: len(a.events), Lost: a.lost, Ignored: append([]string{}, t.Ignored...), Results: map[string]any{},
		Notes: a.notes(t)}
	if a.noise > 0 {
		n := a.noise / report.PaPerBar
		s.NoiseBar = &n
	}
	if a.gas != nil {
		s.Results, s.Absent = results(a.gas.Result(), a.start)
	}
	out := bufio.NewWriter(w)
	if asJSON {
		enc := json.NewEncoder(out)
		for i := range a.events {
			if err := enc.Encode(report.EventLine(a.events[i], a.start, a.bench.Channels)); err != nil {
				return err
			}
		}
		for i := range a.budgets {
			if err := enc.Encode(a.budgets[i]); err != nil {
				return err
			}
		}
		if err := enc.Encode(map[string]summary{"summary": s}); err != nil {
			return err
		}
		return out.Flush()
	}
	fmt.Fprintf(out, "%s: %d samples, %d channels, %.6g Hz", t.Name, s.Samples, s.Channels, s.RateHz)
	if s.NoiseBar != nil {
		fmt.Fprintf(out, ", noise %.3g bar", *s.NoiseBar)
	}
	fmt.Fprintln(out)
	printEvents(out, a.events, a.start, a.bench.Channels)
	if a.gas != nil {
		printResults(out, s.Results, s.Absent)
	}
	for i := range a.budgets {
		printTable(out, a.budgets[i].Table())
	}
	if a.bench.Detect.Fixture.VolumeM3 == 0 {
		fmt.Fprintln(out, "No volume given: no area is computed. Give --volume-ml.")
	}
	for _, n := range report.FlagNotes(a.events) {
		fmt.Fprintln(out, n)
	}
	for _, n := range s.Notes {
		fmt.Fprintln(out, n)
	}
	if len(s.Ignored) > 0 {
		fmt.Fprintf(out, "Stored and shown, not analysed: %v\n", s.Ignored)
	}
	fmt.Fprintln(out, "No drop seen does not mean not opened. A zero in the trace is no proof of zero pressure.")
	return out.Flush()
}

// printTable prints a table of a report as text.
func printTable(w io.Writer, t *report.Table) {
	tw := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(tw)
	for _, c := range t.Columns {
		fmt.Fprintf(tw, "%s\t", c.Title)
	}
	for _, r := range t.Rows {
		fmt.Fprintf(tw, "\n%s\t", strings.Join(r.Cells, "\t"))
	}
	fmt.Fprintln(tw)
	tw.Flush()
	fmt.Fprintln(w, t.Note)
}
