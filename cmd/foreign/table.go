package main

import (
	"fmt"
	"io"
	"maps"
	"math"
	"slices"
	"sort"
)

// quantile of a list; NaN if it is empty.
func quantile(x []float64, q float64) float64 {
	s := slices.DeleteFunc(slices.Clone(x), math.IsNaN)
	if len(s) == 0 {
		return math.NaN()
	}
	sort.Float64s(s)
	return s[min(int(q*float64(len(s))), len(s)-1)]
}

func share(a, b int) float64 { return float64(a) / math.Max(float64(b), 1) }

// print writes the goals table.
func (t *tally) print(out io.Writer, verbose bool) {
	row := func(name, goal, format string, a ...any) {
		fmt.Fprintf(out, "%-58s %-16s %s\n", name, goal, fmt.Sprintf(format, a...))
	}
	row("figure", "goal", "here")
	row("traces that analyze refused", "0", "%d of %d", len(t.failed), t.traces+len(t.failed))
	row("allowed openings found", ">= 0.99", "%.3f (%d of %d)", share(t.found, t.allowed), t.found, t.allowed)
	row("allowed ruptures found", "all", "%d of %d", t.rupture, t.ruptures)
	row("delay / max(N_lim, 4), p50 and p95", "<= 1.3, <= 2", "%.2f, %.2f (%d early)", quantile(t.ratio, 0.5), quantile(t.ratio, 0.95), t.early)
	row("nuisance traces with a false call", "0", "%d of %d (%d calls)", t.falseTraces, t.nuisance, len(t.falseCalls))
	row("calls that belong to no opening, traces with openings", "0", "%d", len(t.extra))
	row("pressure error / (2 sigma/sqrt M), p50 and p90, resolved", "<= 1.5, <= 3", "%.2f, %.2f (%d)", quantile(t.pressure, 0.5), quantile(t.pressure, 0.9), len(t.pressure))
	row("onset error / Cramer-Rao, p50, resolved", "<= 2", "%.2f (%d)", quantile(t.onset, 0.5), len(t.onset))
	row("onset u / (2 x bound), p50, resolved", "<= 3", "%.2f", quantile(t.sharp, 0.5))
	row("area error, p50 and p90, resolved", "<= 2 %, <= 5 %", "%.1f %%, %.1f %% (%d)", 100*quantile(t.area, 0.5), 100*quantile(t.area, 0.9), len(t.area))
	for _, name := range slices.Sorted(maps.Keys(t.covers)) {
		c := t.covers[name]
		row("coverage, "+name, "0.90-0.98", "%.3f (%d of %d; %d without an interval)", share(c.in, c.of), c.in, c.of, c.unstated)
	}
	row("right kind, resolved openings", ">= 0.95", "%.3f (%d)", share(t.kinds[0][1], t.kinds[0][0]), t.kinds[0][0])
	row("right kind, resolved ruptures", ">= 0.95", "%.3f (%d)", share(t.kinds[1][1], t.kinds[1][0]), t.kinds[1][0])
	for _, name := range slices.Sorted(maps.Keys(t.expect)) {
		n := t.expect[name]
		row("found, "+name, ">= 0.9", "%.3f (%d of %d)", share(n[1], n[0]), n[1], n[0])
	}
	if t.vents+t.runs > 0 {
		t.printCells(row)
	}
	fmt.Fprintf(out, "\n%-28s %7s %8s %6s %12s\n", "case", "traces", "allowed", "found", "wrong calls")
	for _, name := range slices.Sorted(maps.Keys(t.byCase)) {
		n := t.byCase[name]
		fmt.Fprintf(out, "%-28s %7d %8d %6d %12d\n", name, n[0], n[1], n[2], n[3])
	}
	t.list(out, "refused", t.failed)
	if verbose {
		t.details(out)
	}
}

func (t *tally) printCells(row func(name, goal, format string, a ...any)) {
	row("first ventings found", ">= 0.99", "%.3f (%d of %d)", share(t.ventFound, t.vents), t.ventFound, t.vents)
	row("first venting, delay p50 and p95", "", "%.3g s, %.3g s", quantile(t.ventDelay, 0.5), quantile(t.ventDelay, 0.95))
	row("first venting, error of the step, p50 and p90", "", "%.1f %%, %.1f %%", 100*quantile(t.stepError, 0.5), 100*quantile(t.stepError, 0.9))
	row("first venting, dip beside the true one, p10 and p90", "", "%.2g K, %.2g K (%d)", quantile(t.dips, 0.1), quantile(t.dips, 0.9), len(t.dips))
	row("runaways found", ">= 0.99", "%.3f (%d of %d)", share(t.runFound, t.runs), t.runFound, t.runs)
	row("runaway, delay after the criterion, p50 and p95", "", "%.3g s, %.3g s", quantile(t.runDelay, 0.5), quantile(t.runDelay, 0.95))
	row("amount of gas, error p50 and p90", "", "%.1f %%, %.1f %%", 100*quantile(t.gasError, 0.5), 100*quantile(t.gasError, 0.9))
	row("peak pressure, error p90", "", "%.3g bar", quantile(t.peakError, 0.9))
	row("(dP/dt)max over the stated window, error p50 and p90", "", "%.1f %%, %.1f %%", 100*quantile(t.rates, 0.5), 100*quantile(t.rates, 0.9))
}

// details lists everything that went wrong.
func (t *tally) details(out io.Writer) {
	t.list(out, "false calls on nuisance traces", t.falseCalls)
	t.list(out, "calls that belong to no opening", t.extra)
	t.list(out, "missed or late", t.missed)
	t.list(out, "kinds and areas", t.silent)
	for _, name := range slices.Sorted(maps.Keys(t.covers)) {
		c := t.covers[name]
		t.list(out, name+" outside its interval", c.out)
		for _, k := range slices.Sorted(maps.Keys(c.byCase)) {
			n := c.byCase[k]
			fmt.Fprintf(out, "  %-28s %d of %d\n", k, n[1], n[0])
		}
	}
}

func (t *tally) list(out io.Writer, title string, lines []string) {
	if len(lines) == 0 {
		return
	}
	fmt.Fprintf(out, "\n%s:\n", title)
	sort.Strings(lines)
	for _, s := range lines {
		fmt.Fprintln(out, "  "+s)
	}
}
