package main

import (
	"flag"
	"fmt"
	"io"
	"os"
	"runtime"
	"strings"
	"sync"
	"time"

	"ventward/sim"
)

// Seeds of development and of scoring start here; a set never reaches from one
// range into the other.
const (
	devSeeds   = 1
	scoreSeeds = 1_000_001
)

type options struct {
	set     string
	scoring bool
	only    string // scenarios, comma-separated; empty: all
	n       int    // traces a scenario and rate; 0: by the set
	verbose bool
	nofit   bool
	rig     string // burst or runaway; empty: both
	clean   bool   // clean openings against their bounds, the fit alone
	first   uint64 // first seed; 0: the start of the range
	law     int    // false alarms on white noise that are waited for; 0: no
	spikes  int    // isolated spikes to play; 0: no
}

func main() {
	var o options
	dev := true
	flag.StringVar(&o.set, "set", "small", "small or full: how many traces a scenario")
	flag.BoolVar(&dev, "dev", true, "development seeds")
	flag.BoolVar(&o.scoring, "score", false, "scoring seeds, never used in development")
	flag.StringVar(&o.only, "only", "", "scenarios to play, comma-separated (default: all)")
	flag.IntVar(&o.n, "n", 0, "traces a scenario and rate (default: by the set)")
	flag.BoolVar(&o.verbose, "v", false, "print every miss, false call and interval that fails")
	flag.BoolVar(&o.nofit, "nofit", false, "detector only")
	flag.BoolVar(&o.clean, "clean", false, "the fit alone, on openings with white noise and a known lag, against the Cramér-Rao bounds")
	flag.StringVar(&o.rig, "rig", "", "burst or runaway (default: both)")
	flag.Uint64Var(&o.first, "first", 0, "first seed, for a range nobody has looked at (default: the start of the development or scoring seeds)")
	flag.IntVar(&o.law, "law", 0, "count false alarms on white noise at 1e4 to 1e7 samples between them, over this many expected ones (20: half a minute)")
	flag.IntVar(&o.spikes, "spikes", 0, "play this many isolated spikes and count the false triggers (30000: seconds)")
	flag.Parse()
	if err := run(o, os.Stdout); err != nil {
		fmt.Fprintln(os.Stderr, "score:", err)
		os.Exit(2)
	}
}

// count is the number of traces a scenario and rate.
func (o *options) count() (int, error) {
	switch {
	case o.n > 0:
		return o.n, nil
	case o.set == "small":
		return 3, nil
	case o.set == "full":
		return 30, nil
	}
	return 0, fmt.Errorf("-set %q: use small or full", o.set)
}

func run(o options, out io.Writer) error {
	n, err := o.count()
	if err != nil {
		return err
	}
	if o.law > 0 || o.spikes > 0 {
		return o.prove(out)
	}
	var kinds []sim.ScenarioKind
	for _, k := range sim.Scenarios() {
		if o.rig != "runaway" && (o.only == "" || contains(splitNames(o.only), k.Name)) {
			kinds = append(kinds, k)
		}
	}
	cells := 0
	for _, k := range sim.CellScenarios() {
		if o.rig != "burst" && (o.only == "" || contains(splitNames(o.only), k.Name)) {
			cells++
		}
	}
	if len(kinds)+cells == 0 {
		return fmt.Errorf("-rig %q -only %q: no such scenario", o.rig, o.only)
	}
	first := uint64(devSeeds)
	name := "development"
	if o.scoring {
		first, name = scoreSeeds, "scoring"
	}
	if o.first > 0 {
		first, name = o.first, rangeOf(o.first, n*max(len(kinds), 1))
	}
	if o.clean {
		fmt.Fprintf(out, "%s seeds %d to %d (development seeds start at %d, scoring seeds at %d)\n\n", name, first, first+uint64(n)-1, devSeeds, scoreSeeds)
		runClean(first, n, o.verbose, out)
		return nil
	}
	if cells > 0 {
		fmt.Fprintf(out, "runaway rig, %s seeds %d to %d, %d scenarios\n\n", name, first, first+uint64(n)-1, cells)
		runCells(o, first, n, out)
		fmt.Fprintln(out)
	}
	if len(kinds) == 0 {
		return nil
	}
	begin := time.Now()
	jobs := make(chan job)
	var s score
	var mu sync.Mutex
	var wg sync.WaitGroup
	for range runtime.GOMAXPROCS(0) {
		wg.Go(func() {
			for j := range jobs {
				r := j.play(o)
				mu.Lock()
				s.results = append(s.results, r)
				mu.Unlock()
			}
		})
	}
	// Each scenario has seeds of its own: one seed draws one bench with its
	// calibration errors, and forty scenarios of it would be one trial.
	for k, kind := range kinds {
		for i := range n {
			for _, rate := range []float64{10000, 1000} {
				jobs <- job{kind: kind, seed: first + uint64(i*len(kinds)+k), rate: rate}
			}
		}
	}
	close(jobs)
	wg.Wait()
	fmt.Fprintf(out, "%s seeds %d to %d, %d scenarios at 10 kHz and 1 kHz: %d traces in %.0f s\n(development seeds start at %d, scoring seeds at %d)\n\n",
		name, first, first+uint64(n*len(kinds))-1, len(kinds), len(s.results), time.Since(begin).Seconds(), devSeeds, scoreSeeds)
	s.print(out, o)
	return nil
}

// prove runs the proofs that were asked for.
func (o *options) prove(out io.Writer) error {
	seed := max(o.first, devSeeds)
	if o.law > 0 {
		if err := runLaw(seed, o.law, out); err != nil {
			return err
		}
	}
	if o.spikes > 0 {
		return runSpikes(seed, o.spikes, out)
	}
	return nil
}

// rangeOf names the range that n seeds from first on belong to.
func rangeOf(first uint64, n int) string {
	switch {
	case first >= scoreSeeds:
		return "scoring"
	case first+uint64(n) <= scoreSeeds:
		return "development"
	}
	return "development and scoring"
}

func splitNames(s string) []string { return strings.Split(s, ",") }

func contains(list []string, s string) bool {
	for _, x := range list {
		if strings.TrimSpace(x) == s {
			return true
		}
	}
	return false
}
