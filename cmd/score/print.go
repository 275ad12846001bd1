package main

import (
	"fmt"
	"io"
	"math"
	"sort"
	"strings"
	"text/tabwriter"

	"ventward/detect"
)

// score gathers the results.
type score struct {
	results []result
}

func quantile(x []float64, q float64) float64 {
	if len(x) == 0 {
		return math.NaN()
	}
	y := append([]float64(nil), x...)
	sort.Float64s(y)
	return y[int(q*float64(len(y)-1)+0.5)]
}

// interval counts how often a stated interval held the truth.
type interval struct{ n, in int }

func (i *interval) add(err, u float64) bool {
	i.n++
	if math.Abs(err) <= u {
		i.in++
		return true
	}
	return false
}

func (i interval) String() string {
	if i.n == 0 {
		return "-"
	}
	return fmt.Sprintf("%.3f (%d of %d)", float64(i.in)/float64(i.n), i.in, i.n)
}

// figures is everything the table needs.
type figures struct {
	nofit                               bool
	delay                               []reading
	found, broken, silent, apart        map[string]interval // by family: openings, ruptures found; traces without a false call
	pressure, onset, area, sharpP, shpO []reading
	cover                               map[string]map[string]*interval // group -> figure
	kinds                               map[string]map[string]int
	right, slow                         map[string]map[string]interval // kind -> family; slow: leaks and bulges
}

func (s *score) print(out io.Writer, o options) {
	f := figures{nofit: o.nofit, found: map[string]interval{}, broken: map[string]interval{}, silent: map[string]interval{}, apart: map[string]interval{},
		cover: map[string]map[string]*interval{}, kinds: map[string]map[string]int{}, right: map[string]map[string]interval{}, slow: map[string]map[string]interval{}}
	sort.Slice(s.results, func(i, j int) bool {
		a, b := &s.results[i], &s.results[j]
		if a.kind.Name != b.kind.Name {
			return a.kind.Name < b.kind.Name
		}
		if a.seed != b.seed {
			return a.seed < b.seed
		}
		return a.rate < b.rate
	})
	thirds := s.thirds()
	for i := range s.results {
		r := &s.results[i]
		if r.err != nil {
			fmt.Fprintf(out, "%s seed %d %g Hz: %v\n", r.kind.Name, r.seed, r.rate, r.err)
			continue
		}
		f.add(r, thirds)
		if o.verbose {
			for _, n := range r.notes {
				fmt.Fprintf(out, "%-18s seed %d %5g Hz: %s\n", r.kind.Name, r.seed, r.rate, n)
			}
		}
	}
	f.print(out)
}

// thirds are the bounds of the lower, middle and upper third of the
// signal-to-noise ratio.
func (s *score) thirds() [2]float64 {
	var x []float64
	for i := range s.results {
		for _, t := range s.results[i].truths {
			if t.allowed {
				x = append(x, t.snr)
			}
		}
	}
	return [2]float64{quantile(x, 1.0/3), quantile(x, 2.0/3)}
}

// count adds a trial of a family that went well or not.
func count(by map[string]interval, family string, well bool) {
	i := by[family]
	i.n++
	if well {
		i.in++
	}
	by[family] = i
}

// countOf does that for trials of a kind.
func countOf(by map[string]map[string]interval, kind, family string, well bool) {
	if by[kind] == nil {
		by[kind] = map[string]interval{}
	}
	count(by[kind], family, well)
}

func (f *figures) add(r *result, thirds [2]float64) {
	if r.kind.Openings == 0 {
		count(f.silent, r.kind.Name, len(r.wrong) == 0)
		for _, e := range r.wrong {
			f.confuse("nothing ("+r.kind.Name+")", string(e.Kind))
		}
	} else {
		count(f.apart, r.kind.Name, len(r.wrong) == 0)
	}
	for _, x := range r.slow {
		countOf(f.slow, x.Event, r.kind.Name, x.found)
	}
	for i := range r.truths {
		t := &r.truths[i]
		called := "missed"
		if t.event != nil {
			called = string(t.event.Kind)
			if t.event.Has(detect.FlagKindUncertain) {
				called += " (uncertain)"
			}
		}
		if t.allowed {
			f.confuse(t.Event, called)
			f.detect(r.kind.Name, t)
		}
		if t.event != nil && t.allowed {
			f.measure(r, t, thirds)
		}
	}
}

func (f *figures) confuse(truth, called string) {
	if f.kinds[truth] == nil {
		f.kinds[truth] = map[string]int{}
	}
	f.kinds[truth][called]++
}

func (f *figures) detect(family string, t *opening) {
	count(f.found, family, t.event != nil)
	if t.Event == "rupture" {
		count(f.broken, family, t.event != nil)
	}
	if t.event != nil && t.resolved {
		countOf(f.right, t.Event, family, string(t.event.Kind) == t.Event)
	}
}

// measure compares the event's figures with the truth.
func (f *figures) measure(r *result, t *opening, thirds [2]float64) {
	n := float64(t.late)
	if t.nLim > 0 {
		late := n / math.Max(float64(t.nLim), 4)
		f.delay = append(f.delay, reading{r.kind.Name, late})
		if late > 2 {
			r.notes = append(r.notes, fmt.Sprintf("late: opening at %.4f s decided after %.0f samples, N_lim %d", float64(t.OnsetNS)*1e-9, n, t.nLim))
		}
	}
	third := "SNR upper third"
	if t.snr < thirds[0] {
		third = "SNR lower third"
	} else if t.snr < thirds[1] {
		third = "SNR middle third"
	}
	groups := []string{"all", third, "family " + r.kind.Name}
	hit := func(name string, err, u float64) {
		ok := true
		for _, g := range groups {
			if f.cover[g] == nil {
				f.cover[g] = map[string]*interval{}
			}
			if f.cover[g][name] == nil {
				f.cover[g][name] = &interval{}
			}
			ok = f.cover[g][name].add(err, u)
		}
		if !ok {
			r.notes = append(r.notes, fmt.Sprintf("%s of opening at %.5f s off by %.3g with stated u %.3g; flags %v, resolved %v, w %.3g ms", name, float64(t.OnsetNS)*1e-9, err, u, t.event.Flags, t.resolved, t.WidthS*1e3))
		}
	}
	e := t.event
	if e.OnsetU != nil {
		err := float64(e.Onset-t.OnsetNS) * 1e-9
		u := float64(*e.OnsetU) * 1e-9
		hit("onset", err, u)
		if t.resolved && t.onsetSD > 0 {
			f.onset = append(f.onset, reading{r.kind.Name, math.Abs(err) / t.onsetSD})
			f.shpO = append(f.shpO, reading{r.kind.Name, u / 2 / t.onsetSD})
		}
	}
	if e.PressurePa != nil && e.PressureUPa != nil && !e.Has(detect.FlagLowerBound) {
		err := *e.PressurePa - t.level
		hit("pressure", err, *e.PressureUPa)
		if t.resolved && t.alone {
			// The limit knows noise only: take the calibration's part out of both.
			f.pressure = append(f.pressure, reading{r.kind.Name, math.Abs(*e.PressurePa-t.shown) / math.Hypot(t.pressureU, t.RampPaS*t.onsetSD)})
			f.sharpP = append(f.sharpP, reading{r.kind.Name, t.statistical / math.Hypot(2*t.pressureU, t.RampPaS*t.onsetSD)})
		}
	}
	if e.AreaM2 != nil && e.AreaUM2 != nil {
		err := *e.AreaM2 - t.AreaM2
		hit("area", err, *e.AreaUM2)
		if t.resolved {
			f.area = append(f.area, reading{r.kind.Name, math.Abs(err) / t.AreaM2})
		}
	}
}

// goals are the figures against what is asked of them. Without a fit there are
// none of the figures that only a fit gives.
func (f *figures) goals() []goal {
	goals := []goal{
		most("delay / max(N_lim,4), p50, p95", "<= 1.3, <= 2", "%.2f", f.delay, ceiling{0.5, 1.3}, ceiling{0.95, 2}),
		least("allowed openings detected", 0.99, f.found),
		least("allowed ruptures detected", 1, f.broken),
		none("nuisance traces with a false opening", f.silent),
		none("traces with openings and a false one beside", f.apart),
	}
	if !f.nofit {
		goals = append(goals,
			most("pressure error / limit, p50, p90, resolved, one sensor", "<= 1.5, <= 3", "%.2f", f.pressure, ceiling{0.5, 1.5}, ceiling{0.9, 3}),
			most("onset error / Cramer-Rao, p50, resolved", "<= 2", "%.2f", f.onset, ceiling{0.5, 2}),
			most("area, relative error, p50, p90, resolved", "<= 0.02, <= 0.05", "%.4f", f.area, ceiling{0.5, 0.02}, ceiling{0.9, 0.05}),
			most("sharpness: pressure's u / (2 x the limit's sd), p50", "<= 3", "%.2f", f.sharpP, ceiling{0.5, 3}),
			most("sharpness: onset's u / (2 x the limit's sd), p50", "<= 3", "%.2f", f.shpO, ceiling{0.5, 3}))
		for _, figure := range []string{"onset", "pressure", "area"} {
			if i := f.cover["all"][figure]; i != nil {
				goals = append(goals, within("coverage of the stated "+figure, *i, f.families(figure)))
			}
		}
	}
	for _, k := range sorted(f.slow) {
		goals = append(goals, least("allowed found: "+k, 0.9, f.slow[k]))
	}
	for _, k := range sorted(f.right) {
		goals = append(goals, least("right kind, resolved: "+k, 0.95, f.right[k]))
	}
	return goals
}

// families are the coverages of one figure by family.
func (f *figures) families(figure string) map[string]interval {
	by := map[string]interval{}
	for group, c := range f.cover {
		if family, ok := strings.CutPrefix(group, "family "); ok && c[figure] != nil {
			by[family] = *c[figure]
		}
	}
	return by
}

func (f *figures) print(out io.Writer) {
	printGoals(out, f.goals())
	w := tabwriter.NewWriter(out, 0, 4, 2, ' ', 0)
	fmt.Fprintln(out, "\ncoverage of stated intervals (goal 0.90 to 0.98)")
	fmt.Fprintln(w, "group\tonset\tpressure\tarea")
	for _, g := range sorted(f.cover) {
		c := f.cover[g]
		get := func(n string) interval {
			if c[n] == nil {
				return interval{}
			}
			return *c[n]
		}
		fmt.Fprintf(w, "%s\t%s\t%s\t%s\n", g, get("onset"), get("pressure"), get("area"))
	}
	w.Flush()
	fmt.Fprintln(out, "\ntruth -> called (allowed openings, and what was called on nuisance traces)")
	for _, k := range sorted(f.kinds) {
		for _, c := range sorted(f.kinds[k]) {
			fmt.Fprintf(w, "%s\t-> %s\t%d\n", k, c, f.kinds[k][c])
		}
	}
	w.Flush()
}

func sorted[V any](m map[string]V) []string {
	var s []string
	for k := range m {
		s = append(s, k)
	}
	sort.Strings(s)
	return s
}
