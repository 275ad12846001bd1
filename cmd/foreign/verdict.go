package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"os/exec"
	"strings"
)

// An event is a line that analyze printed; absent figures are NaN.
type event struct {
	kind, fault                  string
	onset, onsetU, start, startU float64
	decided, pressure, pressureU float64
	area, areaU, areaLower       float64
	step, dip                    float64
	flags                        []string
	used                         bool
}

func (e *event) has(flag string) bool {
	for _, f := range e.flags {
		if f == flag {
			return true
		}
	}
	return false
}

// figure is a number of a JSON object, NaN if it isn't there.
func figure(m map[string]any, name string) float64 {
	if x, ok := m[name].(float64); ok {
		return x
	}
	return math.NaN()
}

func text(m map[string]any, name string) string {
	s, _ := m[name].(string)
	return s
}

// analyze runs the program on a trace and reads what it prints.
func analyze(binary, path string, options []string) ([]*event, map[string]any, error) {
	cmd := exec.Command(binary, append([]string{"analyze", path, "--json", "--log", "error"}, options...)...)
	var out, bad bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &bad
	if err := cmd.Run(); err != nil {
		return nil, nil, fmt.Errorf("%v: %s", err, strings.TrimSpace(bad.String()))
	}
	var events []*event
	var results map[string]any
	for _, line := range bytes.Split(out.Bytes(), []byte("\n")) {
		if len(bytes.TrimSpace(line)) == 0 {
			continue
		}
		var m map[string]any
		if err := json.Unmarshal(line, &m); err != nil {
			return nil, nil, fmt.Errorf("no JSON: %q", line)
		}
		if s, ok := m["summary"].(map[string]any); ok {
			results, _ = s["results"].(map[string]any)
			continue
		}
		e := &event{kind: text(m, "event"), fault: text(m, "fault"), onset: figure(m, "onset_s"), onsetU: figure(m, "onset_u_s"),
			start: figure(m, "start_s"), startU: figure(m, "start_u_s"), decided: figure(m, "decided_s"),
			pressure: figure(m, "pressure_bar"), pressureU: figure(m, "pressure_u_bar"), area: figure(m, "area_mm2"),
			areaU: figure(m, "area_u_mm2"), areaLower: figure(m, "area_lower_mm2"), step: figure(m, "step_bar"), dip: figure(m, "dip_C")}
		list, _ := m["flags"].([]any)
		for _, f := range list {
			s, _ := f.(string)
			e.flags = append(e.flags, s)
		}
		events = append(events, e)
	}
	return events, results, nil
}

// A tally collects what was seen over all traces.
type tally struct {
	traces, nuisance  int
	failed            []string
	allowed, found    int
	ruptures, rupture int
	early             int
	ratio             []float64
	falseCalls        []string
	falseTraces       int
	extra             []string
	missed            []string
	pressure, onset   []float64 // errors over the bounds, resolved
	area              []float64 // relative errors, resolved
	sharp             []float64
	kinds             [2][2]int // resolved: opening, rupture; of, right
	silent            []string  // unresolved, wrong and not flagged
	covers            map[string]*cover
	expect            map[string]*[2]int
	byCase            map[string]*[4]int // traces, openings allowed, found, false or extra calls
	vents, ventFound  int
	ventDelay         []float64
	stepError, dips   []float64
	runs, runFound    int
	runDelay          []float64
	gasError          []float64
	peakError, rates  []float64
}

// A cover counts intervals that hold the truth; wide is how long the stated
// ones are beside the error.
type cover struct {
	of, in, unstated int
	byCase           map[string]*[2]int
	out              []string
}

func newTally() *tally {
	return &tally{covers: map[string]*cover{}, expect: map[string]*[2]int{}, byCase: map[string]*[4]int{}}
}

// cover counts one stated interval.
func (t *tally) cover(w *truth, name string, value, u, true_ float64) {
	c := t.covers[name]
	if c == nil {
		c = &cover{byCase: map[string]*[2]int{}}
		t.covers[name] = c
	}
	if math.IsNaN(value) || math.IsNaN(u) || u <= 0 {
		c.unstated++
		return
	}
	by := c.byCase[w.Case]
	if by == nil {
		by = new([2]int)
		c.byCase[w.Case] = by
	}
	c.of++
	by[0]++
	if math.Abs(value-true_) <= u {
		c.in++
		by[1]++
		return
	}
	c.out = append(c.out, fmt.Sprintf("%s: %.6g +- %.3g, true %.6g (%.1f u)", w.label(), value, u, true_, (value-true_)/u))
}

func (w *truth) label() string { return fmt.Sprintf("%s seed %d %g Hz", w.Case, w.Seed, w.RateHz) }

// isCall tells the calls that cost a specimen if they are wrong.
func isCall(kind string) bool {
	return kind == "vent-opening" || kind == "rupture" || kind == "first-venting" || kind == "runaway"
}

// add scores one trace.
func (t *tally) add(w *truth, events []*event, results map[string]any) {
	t.traces++
	by := t.byCase[w.Case]
	if by == nil {
		by = new([4]int)
		t.byCase[w.Case] = by
	}
	by[0]++
	for i := range w.Openings {
		t.opening(w, &w.Openings[i], events, by)
	}
	for _, x := range w.Expected {
		t.expected(x, w, events)
	}
	if w.Cell != nil {
		t.cell(w, events, results)
	}
	wrong := false
	for _, e := range events {
		if !isCall(e.kind) || e.used {
			continue
		}
		wrong = true
		by[3]++
		s := fmt.Sprintf("%s: %s decided %.6g s, onset %.6g s, flags %v", w.label(), e.kind, e.decided, e.onset, e.flags)
		if w.Nuisance {
			t.falseCalls = append(t.falseCalls, s)
		} else {
			t.extra = append(t.extra, s)
		}
	}
	if w.Nuisance {
		t.nuisance++
		if wrong {
			t.falseTraces++
		}
	}
}

// match finds the call that belongs to an opening.
func match(w *truth, o *opened, events []*event) *event {
	most := math.Max(50*math.Max(o.Samples, 4)/w.RateHz, 0.3)
	var best *event
	for _, e := range events {
		if e.used || e.kind != "vent-opening" && e.kind != "rupture" {
			continue
		}
		if e.decided < o.StartS-5/w.RateHz || e.decided > math.Min(o.StartS+most, math.Max(o.NextS, o.StartS+20/w.RateHz)) {
			continue
		}
		if best == nil || math.Abs(e.onset-o.OnsetS) < math.Abs(best.onset-o.OnsetS) {
			best = e
		}
	}
	return best
}

// opening scores one opening.
func (t *tally) opening(w *truth, o *opened, events []*event, by *[4]int) {
	e := match(w, o, events)
	if e != nil {
		e.used = true
	}
	if !o.Allowed {
		return
	}
	t.allowed++
	by[1]++
	if o.Kind == "rupture" {
		t.ruptures++
	}
	if e == nil {
		t.missed = append(t.missed, fmt.Sprintf("%s: %s at %.6g s, N_lim %.0f, tau %.3g s", w.label(), o.Kind, o.StartS, o.Samples, o.TauS))
		return
	}
	t.found++
	by[2]++
	if o.Kind == "rupture" {
		t.rupture++
	}
	late := float64(w.samplesUpTo(o.StartS, e.decided))
	if late < 1 {
		t.early++
	}
	ratio := math.Max(late, 1) / math.Max(o.Samples, 4)
	t.ratio = append(t.ratio, ratio)
	if ratio > 2 {
		t.missed = append(t.missed, fmt.Sprintf("%s: late, %.0f samples for N_lim %.0f (ratio %.2f)", w.label(), late, o.Samples, ratio))
	}
	t.figures(w, o, e)
}

// samplesUpTo counts the samples from an opening's start to its decision, both
// counted, as N_lim does; less than 1: it was told before anything could show.
func (w *truth) samplesUpTo(start, decided float64) int {
	b := w.world
	return index(b.times, decided-b.offset+0.5/w.RateHz) - index(b.times, start-b.offset)
}

// figures scores what was measured of an opening that was found.
func (t *tally) figures(w *truth, o *opened, e *event) {
	if w.Plain && !e.has("lower-bound") {
		t.cover(w, "pressure", e.pressure, e.pressureU, o.PressBar)
		t.cover(w, "onset", e.onset, e.onsetU, o.OnsetS)
		t.cover(w, "start", e.start, e.startU, o.StartS)
		if !o.Liquid && !math.IsNaN(e.area) {
			t.cover(w, "area", e.area, e.areaU, o.AreaMm2)
		}
		if e.areaLower > o.AreaMm2*1.02 {
			t.silent = append(t.silent, fmt.Sprintf("%s: area at least %.4g mm2, true %.4g", w.label(), e.areaLower, o.AreaMm2))
		}
	}
	if !o.Resolved {
		if w.Plain && !o.Liquid && e.kind != o.Kind && !e.has("kind-uncertain") {
			t.silent = append(t.silent, fmt.Sprintf("%s: %s called %s without kind-uncertain, tau %.3g s, area %.3g mm2", w.label(), o.Kind, e.kind, o.TauS, o.AreaMm2))
		}
		return
	}
	k := 0
	if o.Kind == "rupture" {
		k = 1
	}
	t.kinds[k][0]++
	if e.kind == o.Kind {
		t.kinds[k][1]++
	} else {
		t.silent = append(t.silent, fmt.Sprintf("%s: resolved %s called %s, flags %v", w.label(), o.Kind, e.kind, e.flags))
	}
	t.pressure = append(t.pressure, math.Abs(e.pressure-o.PressBar)/o.BoundBar)
	if o.OnsetSD > 0 {
		t.onset = append(t.onset, math.Abs(e.onset-o.OnsetS)/o.OnsetSD)
		if !math.IsNaN(e.onsetU) {
			t.sharp = append(t.sharp, e.onsetU/(2*o.OnsetSD))
		}
	}
	if o.Liquid {
		return
	}
	if math.IsNaN(e.area) {
		t.silent = append(t.silent, fmt.Sprintf("%s: resolved, but no area (at least %.3g mm2, true %.3g), tau %.3g s, lag %.3g s", w.label(), e.areaLower, o.AreaMm2, o.TauS, w.LagS))
		return
	}
	t.area = append(t.area, math.Abs(e.area/o.AreaMm2-1))
}

// expected looks for an event beside the openings.
func (t *tally) expected(x expected, w *truth, events []*event) {
	if !x.Feasible {
		return
	}
	n := t.expect[x.Event]
	if n == nil {
		n = new([2]int)
		t.expect[x.Event] = n
	}
	n[0]++
	for _, e := range events {
		if e.kind == x.Event && e.onset > x.AtS-1 && e.onset < x.AtS+2 {
			n[1]++
			return
		}
	}
	t.missed = append(t.missed, fmt.Sprintf("%s: no %s at %.6g s", w.label(), x.Event, x.AtS))
}

// cell scores a runaway rig.
func (t *tally) cell(w *truth, events []*event, results map[string]any) {
	c := w.Cell
	off := w.StartS
	if c.VentS != nil {
		t.vents++
		if e := nearest(events, "first-venting", *c.VentS+off, 3); e != nil {
			t.ventFound++
			t.ventDelay = append(t.ventDelay, e.decided-*c.VentS-off)
			t.stepError = append(t.stepError, math.Abs(e.step/c.StepBar-1))
			if !math.IsNaN(e.dip) {
				t.dips = append(t.dips, math.Abs(e.dip)-c.DipC)
			}
			t.cover(w, "first venting", e.onset, e.onsetU, *c.VentS+off)
		} else {
			t.missed = append(t.missed, fmt.Sprintf("%s: no first venting at %.6g s, step %.3g bar, dip %.3g K", w.label(), *c.VentS, c.StepBar, c.DipC))
		}
	}
	if c.RunawayS != nil {
		t.runs++
		if e := nearest(events, "runaway", *c.RapidS+off, 15); e != nil {
			t.runFound++
			t.runDelay = append(t.runDelay, e.decided-*c.RunawayS-off)
		} else {
			t.missed = append(t.missed, fmt.Sprintf("%s: no runaway at %.6g s", w.label(), *c.RunawayS))
		}
	}
	if w.Nuisance {
		return
	}
	t.cover(w, "gas", figure(results, "gas_mol"), figure(results, "gas_u_mol"), c.GasMol)
	t.gasError = append(t.gasError, math.Abs(figure(results, "gas_mol")/c.GasMol-1))
	t.peakError = append(t.peakError, math.Abs(figure(results, "peak_bar")-c.PeakBar))
	if window := figure(results, "dpdt_window_ms"); window > 0 {
		t.rates = append(t.rates, math.Abs(figure(results, "dpdt_max_bar_s")/(steepest(w.clean, w.RateHz, window*ms)/bar)-1))
	}
}

// nearest takes the event of a kind that is nearest to a time.
func nearest(events []*event, kind string, at, within float64) *event {
	var best *event
	for _, e := range events {
		if e.kind == kind && !e.used && math.Abs(e.onset-at) <= within && (best == nil || math.Abs(e.onset-at) < math.Abs(best.onset-at)) {
			best = e
		}
	}
	if best != nil {
		best.used = true
	}
	return best
}

// steepest is the largest least-squares slope over a window, a second.
func steepest(x []float64, rate, window float64) float64 {
	n := max(2, int(math.Round(window*rate))+1) // the window is from its first sample to its last
	most, mid := 0.0, float64(n-1)/2
	for i := 0; i+n <= len(x); i++ {
		sum, square := 0.0, 0.0
		for j := range n {
			d := float64(j) - mid
			sum, square = sum+d*(x[i+j]-x[i]), square+d*d
		}
		most = math.Max(most, sum/square*rate)
	}
	return most
}
