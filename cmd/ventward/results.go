package main

import (
	"fmt"
	"io"
	"sort"

	"ventward/analysis"
	"ventward/config"
	"ventward/detect"
	"ventward/report"
	"ventward/store"
)

// gatherRunaway makes a gatherer of a runaway rig's results; nil for another
// rig.
func gatherRunaway(b *config.Bench, start int64) *analysis.Runaway {
	if b.Detect.Rig != detect.RunawayRig {
		return nil
	}
	return analysis.NewRunaway(b.Detect, start)
}

// gather hands a gatherer what an entry led to.
func gather(r *analysis.Runaway, e *engine, out *outcome) {
	if r == nil {
		return
	}
	for _, ch := range e.touched {
		r.Take(ch, e.samples[ch])
	}
	for i := range out.Events {
		r.Event(&out.Events[i])
	}
}

// results are a runaway's figures under the names of the result lines, times in
// s since start, and the reasons of those that are absent.
func results(x analysis.RunawayResult, start int64) (figures map[string]any, absent map[string]string) {
	figures = map[string]any{"gas_reference": x.State.String()}
	put := func(name string, v *float64, unit float64) {
		if v != nil {
			figures[name] = *v / unit
		}
	}
	at := func(name string, t int64) {
		if t != 0 {
			figures[name] = seconds(t - start)
		}
	}
	const litre = 1e-3
	put("gas_mol", x.GasMol, 1)
	put("gas_u_mol", x.GasUMol, 1)
	put("gas_lost_mol", x.LostMol, 1)
	put("gas_L", x.GasM3, litre)
	put("gas_L_per_Ah", x.GasM3PerAh, litre)
	put("dpdt_max_bar_s", x.RatePaS, report.PaPerBar)
	put("dpdt_window_ms", x.RateWindowS, 1e-3)
	put("self_heating_rate_C_s", x.SelfRateCS, 1)
	put("peak_bar", x.PeakPa, report.PaPerBar)
	put("peak_C", x.PeakC, 1)
	at("first_venting_s", x.Venting)
	at("self_heating_s", x.SelfHeating)
	at("runaway_s", x.Runaway)
	if doubts := doubtsOf(x); len(doubts) > 0 {
		figures[uncertain] = doubts
	}
	return figures, x.Absent
}

// uncertain names, among the figures, those that rest on an event whose kind is
// uncertain or on a sensor that was lost, with the reasons.
const uncertain = "uncertain"

func doubtsOf(x analysis.RunawayResult) map[string]string {
	doubts := map[string]string{}
	for name, why := range map[string]string{"first_venting_s": x.VentingDoubt, "runaway_s": x.RunawayDoubt, "gas_mol": x.GasDoubt, "peak_C": x.PeakDoubt} {
		if why != "" {
			doubts[name] = why
		}
	}
	return doubts
}

// runawayOf computes a stored run's results from its record; start is its time
// zero.
func runawayOf(rd *store.Reader, start int64) (map[string]any, map[string]string, error) {
	x, err := runawayResult(rd, start)
	if err != nil {
		return nil, nil, err
	}
	figures, absent := results(*x, start)
	return figures, absent, nil
}

var errNoRunaway = fmt.Errorf("the run is none of a runaway rig: it has no amounts of gas")

// printResults prints figures for people.
func printResults(w io.Writer, figures map[string]any, absent map[string]string) {
	var names []string
	for n := range figures {
		if n != uncertain {
			names = append(names, n)
		}
	}
	sort.Strings(names)
	doubts, _ := figures[uncertain].(map[string]string)
	for _, n := range names {
		doubt := ""
		if why := doubts[n]; why != "" {
			doubt = "  (uncertain: " + why + ")"
		}
		switch v := figures[n].(type) {
		case float64:
			fmt.Fprintf(w, "  %s  %.5g%s\n", n, v, doubt)
		default:
			fmt.Fprintf(w, "  %s  %v\n", n, v)
		}
	}
	names = names[:0]
	for n := range absent {
		names = append(names, n)
	}
	sort.Strings(names)
	for _, n := range names {
		fmt.Fprintf(w, "  %s  absent: %s\n", n, absent[n])
	}
}
