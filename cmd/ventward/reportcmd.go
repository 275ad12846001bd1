package main

import (
	"context"
	"fmt"
	"io"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"ventward/analysis"
	"ventward/config"
	"ventward/daq"
	"ventward/detect"
	"ventward/guard"
	"ventward/report"
	"ventward/store"
)

func reportCommand(g *global) *cobra.Command {
	var o lotOptions
	var venting adequacyOptions
	var lots []string
	var out string
	var whole bool
	c := &cobra.Command{
		Use:   "report RUN | --lot LOT | --from shots.csv",
		Short: "Write the report of a run or a lot, as PDF or HTML",
		Long: `Writes what a run or a lot came to as a document: verdict sentence, plots, tables
with every excluded shot and its reason, uncertainty budget, equipment and
calibration, cautions. The ending of -o chooses the form: .pdf or .html.

The report of a run shows the time round its openings; --whole shows all that
was recorded. The report of a lot takes the options of ventward lot.

With --case the report adds whether the cell's vents suffice: with the gas of a
runaway run, or with the openings of the lots, instead of the case's.`,
		Example: `  ventward report 20261125-093012-114-5b1d2c3e -o shot.pdf
  ventward report --lot B-0410 -o lot.pdf
  ventward report --lot B-0410,B-0412,B-0414 -o lots.pdf
  ventward report --from shots.csv --limits limits.csv -o lots.html
  ventward report RUN --case case.toml --compare -o runaway.pdf`,
		Args: cobra.MaximumNArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			given := 0
			for _, yes := range []bool{len(args) == 1, len(lots) > 0, o.from != ""} {
				if yes {
					given++
				}
			}
			if given != 1 {
				return badUse("report: give one of RUN, --lot LOT and --from shots.csv (see ventward runs and ventward lots)")
			}
			write, err := formOf(out)
			if err != nil {
				return err
			}
			venting.confidence = o.confidence
			if err := venting.needCase(c.Flags().Changed); err != nil {
				return err
			}
			var d *report.Document
			if len(args) == 1 {
				d, err = runDocument(g.data, args[0], whole, &venting)
			} else {
				d, err = o.document(g, lots, &venting, c.ErrOrStderr())
			}
			if err != nil {
				return err
			}
			if err := writeReport(out, d, write); err != nil {
				return err
			}
			fmt.Fprintln(c.ErrOrStderr(), "ventward: wrote", out)
			return nil
		},
	}
	o.flags(c)
	venting.flags(c)
	c.Flags().StringSliceVar(&lots, "lot", nil, "a lot of the stored runs; several with commas stand side by side")
	c.Flags().StringVarP(&out, "output", "o", "", "file to write: .pdf or .html (required)")
	c.Flags().BoolVar(&whole, "whole", false, "show all that was recorded, not only the time round the openings")
	return c
}

type writer func(io.Writer, *report.Document) error

// formOf chooses the form by the file's ending.
func formOf(out string) (writer, error) {
	switch strings.ToLower(filepath.Ext(out)) {
	case ".pdf":
		return report.WritePDF, nil
	case ".html", ".htm":
		return report.WriteHTML, nil
	}
	return nil, badUse("-o %q: name a file that ends in .pdf or .html", out)
}

func writeReport(out string, d *report.Document, write writer) error {
	return writeWhole(out, func(w io.Writer) error { return write(w, d) })
}

// document is the report of lots.
func (o *lotOptions) document(g *global, names []string, venting *adequacyOptions, stderr io.Writer) (*report.Document, error) {
	r, err := o.run(g, names, stderr)
	if err != nil {
		return nil, err
	}
	d := &report.LotReport{Statement: r.statement, Sums: r.sums, Pairs: r.pairs, Made: time.Now(), Program: version}
	if venting.file != "" {
		k, err := venting.read()
		if err != nil {
			return nil, err
		}
		if err := withLots(k, r.sums); err != nil {
			return nil, err
		}
		if d.Venting, err = venting.section(k); err != nil {
			return nil, err
		}
	}
	if o.from != "" {
		d.Source = filepath.Base(o.from)
		return report.LotDocument(d), nil
	}
	d.Source = "stored runs"
	withBench(d, r.stored)
	return report.LotDocument(d), nil
}

// withBench adds the transducers of the first lot's runs, and whether any bench
// was simulated.
func withBench(d *report.LotReport, stored []*gathered) {
	for _, g := range stored {
		d.Simulated = d.Simulated || g.row.Simulated > 0
		if d.Channels == nil {
			d.Channels, d.Start = g.channels, g.start
		}
	}
}

// Bins of a plot over its width: a vector page holds them all.
const (
	plotBins    = 1400
	zoomsShown  = 4
	leadShown   = 40.0 // s before the first opening that are shown
	trailShown  = 8.0  // and after the last
	alarmsShown = 60
)

// runDocument is the report of a run in a data folder.
func runDocument(data, id string, whole bool, venting *adequacyOptions) (*report.Document, error) {
	st, err := store.Open(data, store.Options{Access: store.Read})
	if err != nil {
		return nil, err
	}
	defer st.Close()
	return documentOfRun(st, id, whole, venting)
}

// documentOfRun gathers what the report of a run needs: its description and
// events, and two more passes over its record for span and plots.
func documentOfRun(st *store.Store, id string, whole bool, venting *adequacyOptions) (*report.Document, error) {
	rd, err := st.Reader(id)
	if err != nil {
		return nil, wrongUse{err}
	}
	defer rd.Close()
	m := rd.Meta()
	r := &report.Run{ID: m.ID, Bench: m.Bench, Specimen: m.Specimen, Lot: m.Lot, Feature: m.Feature, Operator: m.Operator, Shot: m.Shot, Start: m.StartUTC(), DurationS: lasts(&m),
		State: string(m.State), EndNote: m.EndNote, Source: m.Source, Hash: m.Hash, Recorder: m.Program, Algorithm: m.Algorithm, Simulated: m.Simulated, Lost: m.Lost, Gaps: m.Gaps,
		Zero: m.Start, Made: time.Now(), Program: version}
	p, err := papers(st, &m)
	if err != nil {
		return nil, err
	}
	r.Outcome, r.Review = p.words()
	r.Found = p.outcome
	if r.Events, err = lastRevisions(rd); err != nil {
		return nil, err
	}
	if err := runAlarms(rd, r); err != nil {
		return nil, err
	}
	b, err := benchOf(rd)
	if err != nil {
		return nil, err
	}
	r.Options, r.Channels, r.RampPaS = b.Detect, b.Channels, b.RampPaS
	if err := runSpan(st, r, whole); err != nil {
		return nil, err
	}
	if err := runTraces(st, r, b); err != nil {
		return nil, err
	}
	if m := mainPressure(b.Channels); m >= 0 && r.Gas != nil && r.Gas.RatePaS != nil {
		r.LossPa = peakLoss(&b.Channels[m], b.Instruments[b.Channels[m].Instrument].RateHz, *r.Gas.RatePaS)
	}
	if venting.file != "" {
		if r.Gas == nil {
			return nil, badUse("--case: run %s is of a burst bench, which gives no gas of a runaway: use report --lot, or estimate venting", id)
		}
		k, err := venting.read()
		if err != nil {
			return nil, err
		}
		if err := generationOf(k, st, id, r.Gas); err != nil {
			return nil, err
		}
		if r.Venting, err = venting.section(k); err != nil {
			return nil, err
		}
	}
	return report.RunDocument(r), nil
}

// runAlarms lists the alarms as they came and went.
func runAlarms(rd *store.Reader, r *report.Run) error {
	rows, err := rd.Alarms()
	if err != nil {
		return err
	}
	for i := range rows {
		a := &rows[i].Alarm
		if a.State == guard.Normal || len(r.Alarms) == alarmsShown {
			continue
		}
		r.Alarms = append(r.Alarms, report.Alarm{AtS: seconds(a.Changed - r.Zero), Priority: string(a.Priority), State: string(a.State), Message: a.Message})
	}
	return nil
}

// runSpan finds the time to show: round the openings, or all that was recorded.
func runSpan(st *store.Store, r *report.Run, whole bool) error {
	all, err := recordedSpan(context.Background(), st, r.ID)
	if err != nil {
		return err
	}
	r.From, r.To = all.first, all.last
	if whole || r.Options.Rig == detect.RunawayRig {
		return nil
	}
	var opens []float64
	for i := range r.Events {
		if r.Events[i].Opens() {
			opens = append(opens, seconds(r.Events[i].Onset-r.Zero))
		}
	}
	if len(opens) > 0 {
		r.From, r.To = max(r.From, slices.Min(opens)-leadShown), min(r.To, slices.Max(opens)+trailShown)
	}
	return nil
}

// runTraces plays the run and keeps the least and greatest values to draw.
func runTraces(st *store.Store, r *report.Run, b *config.Bench) error {
	r.Traces = envelopes(b.Channels, r.From, r.To, plotBins)
	for i := range r.Events {
		e := &r.Events[i]
		if e.Opens() && len(r.Zooms) < zoomsShown {
			z := report.Zoom{Event: e.ID}
			z.From, z.To = report.ZoomAround(e, r.Zero)
			z.Traces = envelopes(b.Channels, z.From, z.To, plotBins)
			r.Zooms = append(r.Zooms, z)
		}
	}
	rd, err := st.Reader(r.ID)
	if err != nil {
		return err
	}
	defer rd.Close()
	var run *analysis.Runaway
	begun := false
	_, err = play(rd, nil, func(_ *daq.Entry, out *outcome, e *engine) error {
		if !begun {
			begun, run = true, gatherRunaway(e.bench, r.Zero)
		}
		gather(run, e, out)
		for _, ch := range e.touched {
			addSamples(r, int(ch), e.samples[ch])
		}
		return nil
	})
	if err != nil {
		return err
	}
	if run != nil {
		x := run.Result()
		r.Gas = &x
	}
	return nil
}

// envelopes makes one for each channel that is plotted.
func envelopes(chans []daq.Channel, from, to float64, bins int) []*report.Envelope {
	out := make([]*report.Envelope, len(chans))
	for i := range chans {
		if c := &chans[i]; c.Quantity == daq.Pressure && c.Role != daq.RoleBarometer || c.Quantity == daq.Temperature {
			out[i] = report.NewEnvelope(from, to, bins)
		}
	}
	return out
}

func addSamples(r *report.Run, ch int, samples []daq.Sample) {
	addTo(r.Traces[ch], samples, r.Zero)
	for j := range r.Zooms {
		addTo(r.Zooms[j].Traces[ch], samples, r.Zero)
	}
}

// addTo adds the good samples to an envelope (nil: none) whose time zero is
// zero, bench time in ns.
func addTo(e *report.Envelope, samples []daq.Sample, zero int64) {
	if e == nil {
		return
	}
	for i := range samples {
		if s := &samples[i]; s.Q&daq.Bad == 0 {
			e.Add(seconds(s.T-zero), s.V)
		}
	}
}
