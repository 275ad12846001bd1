package main

import (
	"fmt"
	"io"
	"slices"
	"strings"
	"text/tabwriter"

	"gonum.org/v1/gonum/stat/distuv"
)

// A goal is a figure with what is asked of it and what was reached.
type goal struct {
	name, want, reached string
	missed              string              // by how much it isn't reached; empty: it is, or nothing was counted
	from                map[string]interval // families: which of their trials keep it from being reached
}

// A reading is a figure of one trial and the family of traces it comes from.
type reading struct {
	family string
	v      float64
}

// A ceiling is a limit to a quantile of readings.
type ceiling struct{ q, most float64 }

// most judges quantiles of readings against ceilings; format prints one of them.
func most(name, want, format string, x []reading, bounds ...ceiling) goal {
	g := goal{name: name, want: want}
	if len(x) == 0 {
		g.reached = "-"
		return g
	}
	values := make([]float64, len(x))
	for i := range x {
		values[i] = x[i].v
	}
	var got, over []string
	for _, b := range bounds {
		v := quantile(values, b.q)
		got = append(got, fmt.Sprintf(format, v))
		if v > b.most {
			over = append(over, fmt.Sprintf("p%.0f %.2f times it", 100*b.q, v/b.most))
			g.from = beyond(x, b.most)
		}
	}
	g.reached, g.missed = fmt.Sprintf("%s (n %d)", strings.Join(got, ", "), len(x)), strings.Join(over, ", ")
	return g
}

// beyond counts by family the readings over a limit.
func beyond(x []reading, limit float64) map[string]interval {
	from := map[string]interval{}
	for _, r := range x {
		i := from[r.family]
		i.add(r.v, limit)
		from[r.family] = i
	}
	return from
}

// least judges a share of trials against one that is asked for.
func least(name string, want float64, by map[string]interval) goal {
	g := goal{name: name, want: fmt.Sprintf(">= %.2f", want)}
	if want == 1 {
		g.want = "all"
	}
	all := total(by)
	g.reached = all.String()
	if all.n == 0 || float64(all.in)/float64(all.n) >= want {
		return g
	}
	g.missed, g.from = fmt.Sprintf("%.3f short", want-float64(all.in)/float64(all.n)), by
	if upper := clopper(all).Quantile(0.975); upper >= want {
		g.missed += fmt.Sprintf(", within what %d trials can tell (up to %.3f at 95 %%)", all.n, upper)
	}
	return g
}

// clopper gives the distribution whose upper quantiles bound a share that was
// counted and is not the whole (Clopper and Pearson, Biometrika 26, 1934).
func clopper(i interval) distuv.Beta {
	return distuv.Beta{Alpha: float64(i.in + 1), Beta: float64(i.n - i.in)}
}

// none judges a count of which none is allowed.
func none(name string, by map[string]interval) goal {
	g := goal{name: name, want: "0"}
	all := total(by)
	bad := all.n - all.in
	g.reached = fmt.Sprintf("%d of %d", bad, all.n)
	if bad > 0 {
		g.missed, g.from = fmt.Sprintf("%d too many", bad), by
	}
	return g
}

// within judges a coverage.
func within(name string, i interval, by map[string]interval) goal {
	g := goal{name: name, want: "0.90-0.98", reached: i.String()}
	if i.n == 0 {
		return g
	}
	switch share := float64(i.in) / float64(i.n); {
	case share < 0.90:
		g.missed, g.from = fmt.Sprintf("%.3f short", 0.90-share), by
	case share > 0.98:
		g.missed = fmt.Sprintf("%.3f over: intervals wider than they need be", share-0.98)
	}
	return g
}

func total(by map[string]interval) (all interval) {
	for _, i := range by {
		all.n += i.n
		all.in += i.in
	}
	return all
}

// printGoals prints the table and, of each goal that isn't reached, the families
// that keep it from being reached, and why.
func printGoals(out io.Writer, goals []goal) {
	w := tabwriter.NewWriter(out, 0, 4, 2, ' ', 0)
	fmt.Fprintln(w, "figure\tgoal\treached\tmissed by")
	for _, g := range goals {
		fmt.Fprintf(w, "%s\t%s\t%s\t%s\n", g.name, g.want, g.reached, g.missed)
	}
	w.Flush()
	told := map[string]bool{}
	for _, g := range goals {
		if g.missed != "" && len(g.from) > 0 {
			fmt.Fprintf(out, "\nnot reached: %s\n", g.name)
			g.explain(out, told)
		}
	}
}

// explain prints the families with most trials that fell short, and the reason
// of each the first time.
func (g *goal) explain(out io.Writer, told map[string]bool) {
	families := sorted(g.from)
	short := func(f string) int { return g.from[f].n - g.from[f].in }
	slices.SortStableFunc(families, func(a, b string) int { return short(b) - short(a) })
	for i, f := range families {
		if short(f) == 0 || i == mostFamilies {
			return
		}
		fmt.Fprintf(out, "  %-18s %d of %d", f, short(f), g.from[f].n)
		if why := reasons[f]; why != "" && !told[f] {
			fmt.Fprintf(out, ": %s", why)
			told[f] = true
		}
		fmt.Fprintln(out)
	}
}

const mostFamilies = 6 // that are named beside a goal
