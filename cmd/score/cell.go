package main

import (
	"fmt"
	"io"
	"math"
	"runtime"
	"sync"
	"text/tabwriter"

	"ventward/analysis"
	"ventward/daq"
	"ventward/detect"
	"ventward/sim"
)

// A cellJob is one trace of a runaway rig.
type cellJob struct {
	kind       sim.CellKind
	seed       uint64
	rate, slow float64
}

// cellRates are the rates of pressure and of the slow channels that are scored.
var cellRates = [][2]float64{{10000, 10}, {1000, 1000}, {1000, 10}, {100, 10}}

// A cellResult is what came of a job.
type cellResult struct {
	cellJob
	err                     error
	events                  []detect.Event
	result                  analysis.RunawayResult
	mol, molU, true_        float64 // gas; NaN: not stated
	vent, ran, self         seen
	stepError, rateError    float64 // relative; NaN: not told
	wrong                   []detect.Event
	ventEvent, runawayEvent *detect.Event
	notes                   []string
}

// A seen is a true event and when it was found, s; NaN: not.
type seen struct {
	is          bool
	error, late float64
}

// options turns the trace into what a bench description would say.
func cellOptions(tr *sim.CellTrace) detect.Options {
	o := detect.Options{Rig: detect.RunawayRig, Medium: detect.Gas, FalseAlarmS: falseAlarmS,
		Fixture: detect.Fixture{VolumeM3: tr.Fixture.VolumeM3, VolumeUM3: tr.Fixture.VolumeUM3, Gas: tr.Fixture.Gas,
			TemperatureK: tr.Fixture.RoomC + 273.15, AmbientPa: tr.Fixture.AmbientPa},
		Cell: detect.Cell{CapacityAh: tr.Results.CapacityAh}}
	for _, s := range tr.Series {
		o.Channels = append(o.Channels, s.Channel)
		o.RateHz = append(o.RateHz, s.RateHz)
	}
	return o
}

func (j cellJob) play() cellResult {
	r := cellResult{cellJob: j, stepError: math.NaN(), rateError: math.NaN(), mol: math.NaN(), molU: math.NaN()}
	tr, err := sim.PlayCell(sim.CellScenario{Kind: j.kind.Name, Seed: j.seed, Rate: j.rate, Slow: j.slow})
	if err == nil {
		err = r.watch(tr)
	}
	if err != nil {
		r.err = err
		return r
	}
	r.match(tr)
	return r
}

// watch runs monitor and gatherer over the trace, 50 ms at a time.
func (r *cellResult) watch(tr *sim.CellTrace) error {
	opt := cellOptions(tr)
	m, err := detect.New(opt)
	if err != nil {
		return err
	}
	g := analysis.NewRunaway(opt, 0)
	take := func() {
		ready := m.Take()
		for i := range ready.Events {
			e := ready.Events[i]
			g.Event(&e)
			keep := len(r.events)
			for k := range r.events {
				if r.events[k].ID == e.ID {
					keep = k
				}
			}
			r.events = append(r.events[:keep], append([]detect.Event{e}, r.events[min(keep+1, len(r.events)):]...)...)
		}
	}
	at := make([]int, len(tr.Series))
	var batch []daq.Sample
	for now := int64(50e6); now <= tr.Span+int64(50e6); now += 50e6 {
		for c := range tr.Series {
			s := &tr.Series[c]
			batch = batch[:0]
			for ; at[c] < len(s.T) && s.T[at[c]] <= now; at[c]++ {
				x := daq.Sample{T: s.T[at[c]], V: s.V[at[c]], Raw: s.V[at[c]]}
				if x.V != x.V {
					x.Q = daq.Missing
				}
				batch = append(batch, x)
			}
			m.Step(daq.ChannelID(c), batch)
			g.Take(daq.ChannelID(c), batch)
		}
		m.Tick(now)
		take()
	}
	m.Close()
	take()
	r.result = g.Result()
	return nil
}

// match compares what was told with what happened.
func (r *cellResult) match(tr *sim.CellTrace) {
	var vent, ran, self int64
	for _, x := range tr.Truth {
		switch {
		case (x.Event == "first-venting" || x.Event == "breach") && vent == 0:
			vent = x.OnsetNS
		case x.Event == "runaway":
			ran = x.OnsetNS
		case x.Event == "self-heating":
			self = x.OnsetNS
		}
	}
	if r.kind.Nuisance {
		vent, ran, self = 0, 0, 0
	}
	r.vent = r.find(detect.FirstVenting, vent, 2)
	r.ran = r.find(detect.Runaway, ran, 20)
	if self != 0 && r.result.SelfHeating != 0 {
		r.self = seen{is: true, error: float64(r.result.SelfHeating-self) * 1e-9}
	}
	for i := range r.events {
		e := &r.events[i]
		call := e.Opens() || e.Kind == detect.FirstVenting || e.Kind == detect.Runaway
		if call && e != r.ventEvent && e != r.runawayEvent {
			r.wrong = append(r.wrong, *e)
			r.notes = append(r.notes, fmt.Sprintf("false %s at %.3f s (decided %.3f) %s", e.Kind, float64(e.Onset)*1e-9, float64(e.Decided)*1e-9, e.Criterion))
		}
	}
	if r.kind.Nuisance {
		return
	}
	r.true_ = tr.Results.GasMol
	if x := r.result.GasMol; x != nil {
		r.mol = *x
	}
	if x := r.result.GasUMol; x != nil {
		r.molU = *x
	}
	if r.mol != r.mol || r.molU != r.molU {
		r.notes = append(r.notes, "no amount of gas: "+r.result.Absent["gas_mol"]+r.result.Absent["gas_u_mol"])
	} else if math.Abs(r.mol-r.true_) > r.molU {
		r.notes = append(r.notes, fmt.Sprintf("gas %.5g +- %.2g mol, true %.5g", r.mol, r.molU, r.true_))
	}
	p := &tr.Series[0]
	if r.ventEvent != nil && r.ventEvent.StepPa != nil {
		r.stepError = *r.ventEvent.StepPa/risen(p, vent) - 1
	}
	if r.result.RatePaS != nil {
		r.rateError = *r.result.RatePaS/steepestRise(p, *r.result.RateWindowS) - 1
	}
}

// find looks for the event of a kind that belongs to a truth at onset ns (0:
// there is none), within some s.
func (r *cellResult) find(k detect.Kind, onset int64, within float64) seen {
	s := seen{is: onset != 0, error: math.NaN(), late: math.NaN()}
	if onset == 0 {
		return s
	}
	for i := range r.events {
		e := &r.events[i]
		if d := float64(e.Onset-onset) * 1e-9; e.Kind == k && math.Abs(d) <= within {
			s.error, s.late = d, float64(e.Decided-onset)*1e-9
			if k == detect.FirstVenting {
				r.ventEvent = e
			} else {
				r.runawayEvent = e
			}
			return s
		}
	}
	r.notes = append(r.notes, fmt.Sprintf("no %s at %.3f s", k, float64(onset)*1e-9))
	return s
}

// risen is the true step half a second after a venting at onset.
func risen(p *sim.CellSeries, onset int64) float64 {
	before, after := math.NaN(), math.NaN()
	for i, t := range p.T {
		if t < onset {
			before = p.Clean[i]
		}
		if t <= onset+int64(0.5e9) {
			after = p.Clean[i]
		}
	}
	return after - before
}

// steepestRise is the largest least-squares slope of the noise-free pressure
// over a window in s, Pa/s.
func steepestRise(p *sim.CellSeries, window float64) float64 {
	n := max(2, int(math.Round(window*p.RateHz))+1)
	mid := float64(n-1) / 2
	step := max(1, n/32)
	most := 0.0
	for i := 0; i+n <= len(p.Clean); i += step {
		sum, square := 0.0, 0.0
		for k := range n {
			d := float64(k) - mid
			sum, square = sum+d*(p.Clean[i+k]-p.Clean[i]), square+d*d
		}
		most = math.Max(most, sum/square*p.RateHz)
	}
	return most
}

// runCells scores the runaway rig.
func runCells(o options, first uint64, n int, out io.Writer) {
	jobs := make(chan cellJob)
	var results []cellResult
	var mu sync.Mutex
	var wg sync.WaitGroup
	for range runtime.GOMAXPROCS(0) {
		wg.Go(func() {
			for j := range jobs {
				r := j.play()
				mu.Lock()
				results = append(results, r)
				mu.Unlock()
			}
		})
	}
	for _, k := range sim.CellScenarios() {
		if o.only != "" && !contains(splitNames(o.only), k.Name) {
			continue
		}
		for i := range n {
			for _, r := range cellRates {
				jobs <- cellJob{k, first + uint64(i), r[0], r[1]}
			}
		}
	}
	close(jobs)
	wg.Wait()
	printCells(results, o, out)
}

// printCells writes the runaway rig's table.
func printCells(results []cellResult, o options, out io.Writer) {
	var ventN, ventFound, ranN, ranFound, nuisance, wrong, extra int
	var ventLate, ventErr, ranLate, ranErr, selfErr, step, rate, gas, gasU []float64
	all, by := &interval{}, map[string]*interval{}
	for i := range results {
		r := &results[i]
		if r.err != nil {
			fmt.Fprintf(out, "%s seed %d: %v\n", r.kind.Name, r.seed, r.err)
			continue
		}
		if r.kind.Nuisance {
			nuisance++
			wrong += min(1, len(r.wrong))
		} else {
			extra += len(r.wrong)
			if r.mol == r.mol && r.molU == r.molU {
				if by[r.kind.Name] == nil {
					by[r.kind.Name] = &interval{}
				}
				all.add(r.mol-r.true_, r.molU)
				by[r.kind.Name].add(r.mol-r.true_, r.molU)
				gas, gasU = append(gas, math.Abs(r.mol/r.true_-1)), append(gasU, r.molU/r.true_)
			}
			step, rate = append(step, math.Abs(r.stepError)), append(rate, math.Abs(r.rateError))
		}
		tally := func(s seen, n, found *int, late, err *[]float64) {
			if s.is {
				*n++
				if s.late == s.late {
					*found++
					*late, *err = append(*late, s.late), append(*err, math.Abs(s.error))
				}
			}
		}
		tally(r.vent, &ventN, &ventFound, &ventLate, &ventErr)
		tally(r.ran, &ranN, &ranFound, &ranLate, &ranErr)
		if r.self.is {
			selfErr = append(selfErr, math.Abs(r.self.error))
		}
		if o.verbose {
			for _, n := range r.notes {
				fmt.Fprintf(out, "%-18s seed %d %g/%g Hz: %s\n", r.kind.Name, r.seed, r.rate, r.slow, n)
			}
		}
	}
	w := tabwriter.NewWriter(out, 0, 4, 2, ' ', 0)
	row := func(name, goal, format string, args ...any) {
		fmt.Fprintf(w, "%s\t%s\t%s\n", name, goal, fmt.Sprintf(format, args...))
	}
	row("runaway rig, figure", "goal", "reached")
	row("first ventings found", ">= 0.99", "%d of %d", ventFound, ventN)
	row("first venting: decided after, p50, p95; onset off by, p95", "-", "%.3f s, %.3f s; %.3f s", quantile(ventLate, 0.5), quantile(ventLate, 0.95), quantile(ventErr, 0.95))
	row("first venting: step off by, p50, p90", "-", "%.3f, %.3f", quantile(finite(step), 0.5), quantile(finite(step), 0.9))
	row("runaways found", ">= 0.99", "%d of %d", ranFound, ranN)
	row("runaway: decided after its onset, p50, p95; onset off by, p95", "-", "%.2f s, %.2f s; %.2f s", quantile(ranLate, 0.5), quantile(ranLate, 0.95), quantile(ranErr, 0.95))
	row("self-heating onset off by, p50, p95", "-", "%.1f s, %.1f s (n %d)", quantile(selfErr, 0.5), quantile(selfErr, 0.95), len(selfErr))
	row("nuisance traces with a false call", "0", "%d of %d", wrong, nuisance)
	row("false calls on traces with a failing cell", "0", "%d", extra)
	row("coverage of the stated u of the gas", "0.90-0.98", "%s", *all)
	for _, k := range sorted(by) {
		row("  "+k, "", "%s", *by[k])
	}
	row("amount of gas: off by, p50, p90; stated u, p50", "-", "%.4f, %.4f; %.4f", quantile(gas, 0.5), quantile(gas, 0.9), quantile(gasU, 0.5))
	row("(dP/dt)max over the stated window: off by, p50, p90", "-", "%.3f, %.3f", quantile(finite(rate), 0.5), quantile(finite(rate), 0.9))
	w.Flush()
}

// finite are the numbers of a list.
func finite(x []float64) []float64 {
	var y []float64
	for _, v := range x {
		if v == v {
			y = append(y, v)
		}
	}
	return y
}
