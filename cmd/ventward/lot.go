package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"text/tabwriter"

	"github.com/spf13/cobra"

	"ventward/analysis/lot"
	"ventward/report"
	"ventward/store"
)

// lotOptions are what lot and report --lot share.
type lotOptions struct {
	from       string
	limits     string
	confidence float64
	coverage   float64
	pool       []string
	order      []string
}

func (o *lotOptions) flags(c *cobra.Command) {
	f := c.Flags()
	f.StringVar(&o.from, "from", "", "a spreadsheet export: lot,shot,feature,pressure_barg and optional columns")
	f.StringVar(&o.limits, "limits", "", "acceptance limits: feature,low_barg,high_barg, either limit may be empty (default with stored runs: those of their bench description)")
	f.Float64Var(&o.confidence, "confidence", 0.95, "confidence of the statements")
	f.Float64Var(&o.coverage, "coverage", 0.99, "share of the lot that a statement covers")
	f.StringSliceVar(&o.pool, "pool", nil, "conditions to pool although they differ: die, medium, ramp, temperature, trigger, surrounding, or all")
	f.StringSliceVar(&o.order, "order", nil, "lots whose features belong to one cell, for the opening order across them: T-031,B-0410,H-007")
}

// conditions reads --pool.
func (o *lotOptions) conditions() ([]lot.Condition, error) {
	var out []lot.Condition
	for _, p := range o.pool {
		c := lot.Condition(p)
		switch {
		case p == "all":
			return lot.Conditions, nil
		case !slices.Contains(lot.Conditions, c):
			return nil, badUse("--pool %q: use die, medium, ramp, temperature, trigger, surrounding or all", p)
		}
		out = append(out, c)
	}
	return out, nil
}

// lotResult is what was computed of a list of shots.
type lotResult struct {
	stored    []*gathered // the lots whose runs gave the shots; none: a spreadsheet
	statement lot.Statement
	sums      []lot.Summary
	pairs     []lot.Pair
}

func lotCommand(g *global) *cobra.Command {
	var o lotOptions
	var asJSON, strict bool
	c := &cobra.Command{
		Use:   "lot [LOT...]",
		Short: "Statistics and verdict of a lot, from stored runs or from a spreadsheet",
		Long: `Describes each lot and feature: mean, spread, exact tolerance limits, normality,
outliers (flagged, never deleted), capability, fits that use shots which only held
"at least" a pressure, and the verdict in words. Then the opening order of
neighbouring features.

With --from no run is needed. The columns are lot, shot, feature, pressure_barg and
optionally status (valid, invalid, saturated, aborted), reason, residual_um, die,
strokes, medium, ramp_bar_s, temperature_C, trigger, surrounding and
measurement_s_bar (the measurement's own standard deviation). Shots under
different conditions are described apart unless --pool names the condition.

With LOT the openings of the stored runs of that lot, or of several, are taken, and
the limits of the bench description that they were shot under, unless --limits
names others. The answer says whose limits it used.

The verdict: with two limits the two-sided tolerance interval must lie inside
them, with one limit the one-sided bound. none: no limits were given. undecided:
the shots don't allow the statement.`,
		Example: `  ventward lot --from shots.csv --limits limits.csv
  ventward lot --from shots.csv --confidence 0.95 --coverage 0.99 --json
  ventward lot B-0410 --strict
  ventward lot B-0410 --limits tighter.csv
  ventward lot T-031 B-0410 H-007 --order T-031,B-0410,H-007`,
		Args: cobra.ArbitraryArgs,
		RunE: func(c *cobra.Command, args []string) error {
			r, err := o.run(g, args, c.ErrOrStderr())
			if err != nil {
				return err
			}
			if asJSON {
				err = r.writeJSON(c.OutOrStdout())
			} else {
				err = r.writeText(c.OutOrStdout())
			}
			if err == nil && strict && !r.allPass() {
				return errNo
			}
			return err
		},
	}
	o.flags(c)
	c.Flags().BoolVar(&asJSON, "json", false, "JSON lines on standard output")
	c.Flags().BoolVar(&strict, "strict", false, "exit 1 when a verdict is fail or undecided")
	return c
}

// run gathers the shots and describes them.
func (o *lotOptions) run(g *global, args []string, stderr io.Writer) (*lotResult, error) {
	st := lot.Statement{Confidence: o.confidence, Coverage: o.coverage}
	if err := st.Check(); err != nil {
		return nil, wrongUse{err}
	}
	pool, err := o.conditions()
	if err != nil {
		return nil, err
	}
	limits, err := o.readLimits()
	if err != nil {
		return nil, err
	}
	var stored []*gathered
	var shots []lot.Shot
	switch {
	case (len(args) > 0) == (o.from != ""):
		return nil, badUse("lot: give either a LOT of the stored runs or --from shots.csv (see ventward lots for what is stored)")
	case o.from != "":
		shots, err = o.readShots(stderr)
	default:
		stored, err = storedLots(g.data, args)
		for _, g := range stored {
			shots = append(shots, g.shots...)
		}
	}
	if err != nil {
		return nil, err
	}
	r, err := describeLots(shots, o.limitsOf(limits, stored), st, pool, o.order)
	if err != nil {
		return nil, err
	}
	r.stored = stored
	return r, nil
}

// A limitsOfLot gives the acceptance limits of a lot, by feature.
type limitsOfLot func(name string) map[string]lot.Limits

// limitsOf are those named on the command line, or else those of each lot's own
// bench description.
func (o *lotOptions) limitsOf(named map[string]lot.Limits, stored []*gathered) limitsOfLot {
	if o.limits != "" || len(stored) == 0 {
		return func(string) map[string]lot.Limits { return named }
	}
	return limitsOfStored(stored)
}

func limitsOfStored(stored []*gathered) limitsOfLot {
	return func(name string) map[string]lot.Limits {
		for _, g := range stored {
			if g.row.Lot == name {
				return g.bounds()
			}
		}
		return nil
	}
}

// describeLots describes every group and sets neighbouring features against
// each other: those of one lot, or of the lots named together.
func describeLots(shots []lot.Shot, limits limitsOfLot, st lot.Statement, pool []lot.Condition, together []string) (*lotResult, error) {
	r := &lotResult{statement: st}
	for _, group := range lot.Split(shots, pool) {
		r.sums = append(r.sums, lot.Describe(group, limits(group.Lot)[group.Feature], st))
	}
	if len(together) > 0 {
		var named []lot.Summary
		for _, name := range together {
			before := len(named)
			for i := range r.sums {
				if r.sums[i].Group.Lot == name {
					named = append(named, r.sums[i])
				}
			}
			if len(named) == before {
				return nil, badUse("--order %s: there is no lot %q among the shots", strings.Join(together, ","), name)
			}
		}
		r.pairs = lot.Pairs(named, st.Confidence)
		return r, nil
	}
	for from := 0; from < len(r.sums); {
		to := from
		for to < len(r.sums) && r.sums[to].Group.Lot == r.sums[from].Group.Lot {
			to++
		}
		r.pairs = append(r.pairs, lot.Pairs(r.sums[from:to], st.Confidence)...)
		from = to
	}
	return r, nil
}

func (o *lotOptions) readLimits() (map[string]lot.Limits, error) {
	if o.limits == "" {
		return nil, nil
	}
	f, err := os.Open(o.limits)
	if err != nil {
		return nil, badUse("--limits: %w", err)
	}
	defer f.Close()
	l, err := lot.ReadLimits(f, filepath.Base(o.limits))
	if err != nil {
		return nil, wrongUse{err}
	}
	for f, x := range l {
		x.From = filepath.Base(o.limits)
		l[f] = x
	}
	return l, nil
}

func (o *lotOptions) readShots(stderr io.Writer) ([]lot.Shot, error) {
	f, err := os.Open(o.from)
	if err != nil {
		return nil, badUse("--from: %w", err)
	}
	defer f.Close()
	shots, ignored, err := lot.ReadShots(f, filepath.Base(o.from))
	if len(ignored) > 0 && stderr != nil {
		fmt.Fprintf(stderr, "ventward: %s: columns not used: %s\n", filepath.Base(o.from), strings.Join(ignored, ", "))
	}
	if err != nil {
		return nil, wrongUse{err}
	}
	return shots, nil
}

// allPass tells whether every verdict that was asked for is "pass".
func (r *lotResult) allPass() bool {
	return !slices.ContainsFunc(r.sums, func(s lot.Summary) bool { return s.Verdict == lot.Fail || s.Verdict == lot.Undecided })
}

func (r *lotResult) writeJSON(w io.Writer) error {
	enc := json.NewEncoder(w)
	enc.SetEscapeHTML(false)
	for i := range r.sums {
		if err := enc.Encode(report.LotSummary(&r.sums[i])); err != nil {
			return err
		}
	}
	for i := range r.pairs {
		if err := enc.Encode(report.OrderSummary(&r.pairs[i], r.statement.Confidence)); err != nil {
			return err
		}
	}
	return nil
}

func (r *lotResult) writeText(w io.Writer) error {
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "lot\tfeature\tn\tat least\texcluded\tmean\ts\tmin\tmax\ttolerance barg\tlimits barg\tCpk\tA-D p\tverdict")
	for i := range r.sums {
		l := report.LotSummary(&r.sums[i])
		fmt.Fprintf(t, "%s\t%s\t%d\t%d\t%d\t%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\n", l.Lot, l.Feature, l.N, l.Censored, l.Excluded, figure(l.Mean, "%.2f"), figure(l.S, "%.3f"),
			figure(l.Min, "%.2f"), figure(l.Max, "%.2f"), report.ClaimCell(&l), limitCell(&l), figure(l.Cpk, "%.2f"), figure(l.ADP, "%.3f"), l.Verdict)
	}
	if err := t.Flush(); err != nil {
		return err
	}
	for i := range r.sums {
		l := report.LotSummary(&r.sums[i])
		fmt.Fprintf(w, "\n%s\n", l.Sentence)
		if l.LimitsFrom != "" {
			fmt.Fprintf(w, "  Limits from %s.\n", l.LimitsFrom)
		}
		for _, left := range l.Left {
			fmt.Fprintf(w, "  shot %s, %s: %s\n", left.Shot, left.Status, left.Reason)
		}
		for _, c := range l.Cautions {
			fmt.Fprintf(w, "  Caution: %s\n", c)
		}
	}
	for i := range r.pairs {
		fmt.Fprintf(w, "\n%s\n", report.OrderSummary(&r.pairs[i], r.statement.Confidence).Sentence)
	}
	return nil
}

func limitCell(l *report.LotLine) string {
	switch {
	case l.Low != nil && l.High != nil:
		return fmt.Sprintf("%.1f to %.1f", *l.Low, *l.High)
	case l.Low != nil:
		return fmt.Sprintf("≥ %.1f", *l.Low)
	case l.High != nil:
		return fmt.Sprintf("≤ %.1f", *l.High)
	}
	return "-"
}

// storedLots gathers the stored runs of lots as the page does.
func storedLots(data string, names []string) ([]*gathered, error) {
	st, err := store.Open(data, store.Options{Access: store.Read})
	if err != nil {
		return nil, err
	}
	defer st.Close()
	all, err := newLotsDesk(st, nil).gather(context.Background(), names)
	if err != nil {
		return nil, err
	}
	for _, name := range names {
		if !slices.ContainsFunc(all, func(g *gathered) bool { return g.row.Lot == name && len(g.shots) > 0 }) {
			return nil, noLot(st, data, name)
		}
	}
	return all, nil
}

// noLot refuses a lot of which no run is stored, and names those there are.
func noLot(st *store.Store, data, name string) error {
	ms, err := st.Runs(store.Filter{})
	if err != nil {
		return err
	}
	rows := lotRows(ms)
	if len(rows) == 0 {
		return badUse("lot %q: no stored run in %s names a lot: choose the lot when a run starts, or use --from shots.csv", name, data)
	}
	known := make([]string, 0, len(rows))
	for i := range rows {
		known = append(known, rows[i].Lot)
	}
	return badUse("lot %q: no stored run of it; there are %s", name, strings.Join(known, ", "))
}

// distinct gives shots of the same number, as happens when a shot is repeated
// under its number, names of their own: none replaces another.
func distinct(shots []lot.Shot) []lot.Shot {
	seen := map[[2]string]int{}
	for i := range shots {
		k := [2]string{shots[i].ID, shots[i].Feature}
		seen[k]++
		if n := seen[k]; n > 1 {
			shots[i].ID = fmt.Sprintf("%s (%d)", shots[i].ID, n)
		}
	}
	return shots
}

// notAPressure marks a shot without one.
func notAPressure() float64 { return math.NaN() }
