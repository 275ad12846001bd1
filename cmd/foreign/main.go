package main

import (
	"flag"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync"
)

// firstSeed keeps these seeds apart from every other range of the project.
const firstSeed = 9_000_001

type options struct {
	n       int
	first   uint64
	only    string
	rig     string
	binary  string
	keep    string
	verbose bool
}

func main() {
	var o options
	flag.IntVar(&o.n, "n", 2, "traces a case")
	flag.Uint64Var(&o.first, "first", firstSeed, "first seed")
	flag.StringVar(&o.only, "only", "", "cases, comma-separated (default: all)")
	flag.StringVar(&o.rig, "rig", "", "burst or runaway (default: both)")
	flag.StringVar(&o.binary, "bin", "", "the program to score (default: build ./cmd/ventward)")
	flag.StringVar(&o.keep, "keep", "", "folder that keeps the traces and their truth")
	flag.BoolVar(&o.verbose, "v", false, "list everything that went wrong")
	flag.Parse()
	if err := run(o, os.Stdout); err != nil {
		fmt.Fprintln(os.Stderr, "foreign:", err)
		os.Exit(2)
	}
}

// A task is one trace to make.
type task struct {
	story story
	make  func(*rand.Rand, float64) *bench
	rates []float64
	seed  uint64
}

var (
	burstRates   = []float64{500, 1000, 2000, 5000, 10000, 20000}
	runawayRates = []float64{10, 50, 100, 500, 1000}
)

// tasks are the traces that the options ask for.
func (o *options) tasks() ([]task, error) {
	var list []task
	names := strings.Split(o.only, ",")
	add := func(rig string, stories []story, build func(*rand.Rand, float64) *bench, rates []float64) {
		for _, s := range stories {
			if o.rig != "" && o.rig != rig || o.only != "" && !slices.Contains(names, s.name) {
				continue
			}
			for i := range o.n {
				list = append(list, task{s, build, rates, o.first + uint64(i)})
			}
		}
	}
	add("burst", openings, burst, burstRates)
	add("burst", nuisances, burst, burstRates)
	add("runaway", failures, runaway, runawayRates)
	add("runaway", harmless, runaway, runawayRates)
	if len(list) == 0 {
		return nil, fmt.Errorf("-only %q -rig %q: no such case", o.only, o.rig)
	}
	return list, nil
}

// run makes the traces, has the program analyse them, and prints the table.
func run(o options, out io.Writer) error {
	tasks, err := o.tasks()
	if err != nil {
		return err
	}
	folder := o.keep
	if folder == "" {
		if folder, err = os.MkdirTemp("", "foreign"); err != nil {
			return err
		}
		defer os.RemoveAll(folder)
	} else if err := os.MkdirAll(folder, 0o755); err != nil {
		return err
	}
	if o.binary == "" {
		o.binary = filepath.Join(folder, "ventward")
		if text, err := exec.Command("go", "build", "-o", o.binary, "./cmd/ventward").CombinedOutput(); err != nil {
			return fmt.Errorf("building the program: %v: %s", err, text)
		}
	}
	t := newTally()
	var mu sync.Mutex
	var wg sync.WaitGroup
	work := make(chan task)
	for range runtime.GOMAXPROCS(0) {
		wg.Go(func() {
			for k := range work {
				w, events, results, err := k.play(folder, &o)
				mu.Lock()
				if err != nil {
					t.failed = append(t.failed, fmt.Sprintf("%s seed %d: %v", k.story.name, k.seed, err))
				} else {
					t.add(w, events, results)
				}
				mu.Unlock()
			}
		})
	}
	for _, k := range tasks {
		work <- k
	}
	close(work)
	wg.Wait()
	fmt.Fprintf(out, "a generator that shares nothing with the program; seeds %d to %d, %d traces\n\n", o.first, o.first+uint64(o.n)-1, len(tasks))
	t.print(out, o.verbose)
	return nil
}

// build makes one trace.
func (k task) build() ([]column, *truth) {
	var name uint64
	for _, c := range k.story.name {
		name = name*131 + uint64(c)
	}
	rng := rand.New(rand.NewPCG(k.seed, name))
	b := k.make(rng, k.rates[rng.IntN(len(k.rates))])
	b.name, b.seed = k.story.name, k.seed
	k.story.tell(b, rng)
	b.clock(rng)
	b.mark()
	return b.make(rng)
}

// play makes one trace and has it analysed.
func (k task) play(folder string, o *options) (*truth, []*event, map[string]any, error) {
	columns, w := k.build()
	path, err := write(folder, fmt.Sprintf("%s-%d", k.story.name, k.seed), columns, w)
	if err != nil {
		return nil, nil, nil, err
	}
	events, results, err := analyze(o.binary, path, w.Options)
	if o.keep == "" {
		os.Remove(path)
	}
	return w, events, results, err
}
