package main

import (
	"context"
	"errors"
	"fmt"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"ventward/analysis/flow"
	"ventward/config"
	"ventward/dashboard"
	"ventward/report"
)

// estimatesDesk answers what the calculators page asks, with the code of
// ventward estimate. An estimate of venting takes a while: it is a job of the
// backroom, which waits before each simulated cell while the loop is late.
type estimatesDesk struct {
	room *backroom
	late func() bool // the loop is

	mu     sync.Mutex
	jobs   []*ventingJob // the newest last
	issued int
}

var _ dashboard.Estimates = (*estimatesDesk)(nil)

const (
	// jobsKept bounds the jobs that are remembered.
	jobsKept = 8
	// longestHold bounds one wait for the loop: a job goes on slowly rather
	// than never where a bench is always late.
	longestHold = time.Second
	holdStep    = 20 * time.Millisecond
)

func (d *estimatesDesk) Energy(_ context.Context, in map[string]any) (any, error) {
	i := &inputs{in: in}
	missing := math.NaN()
	o := energyOptions{gas: "N2", barg: i.number("pressure_barg", missing, 1e-3, 1e4), ml: i.number("volume_ml", missing, 1e-3, 1e9),
		barU: i.number("pressure_u_bar", 0, 0, 1e4), mlU: i.number("volume_u_ml", 0, 0, 1e9), bulk: i.number("bulk_modulus_gpa", 0, 0, 1000)}
	if g := i.text("gas"); g != "" {
		o.gas = g
	}
	if _, err := flow.Lookup(o.gas); err != nil && o.bulk == 0 {
		i.bad("gas", o.gas, "is not known: use "+strings.Join(flow.Names(), ", "))
	}
	if err := i.done(); err != nil {
		return nil, err
	}
	a, err := o.energy()
	if err != nil {
		return nil, &dashboard.Refusal{Reason: err.Error(), Next: "mend the figures"}
	}
	return a, nil
}

func (d *estimatesDesk) Area(_ context.Context, in map[string]any) (any, error) {
	i := &inputs{in: in}
	missing := math.NaN()
	o := areaOptions{rate: i.number("rate_mol_s", missing, 1e-9, 1e6), barg: i.number("pressure_barg", missing, 1e-3, 1e4), kelvin: i.number("temperature_K", missing, 50, 5000),
		gram: i.number("molar_mass_g", missing, 1, 500), gamma: i.number("gamma", missing, 1.001, 1.7), back: i.number("back_pressure_bara", atmosphereBar, 0, 1e4), cd: i.number("cd", 1, 0.01, 1)}
	if len(i.wrong) == 0 && o.back >= o.barg+atmosphereBar {
		i.bad("back_pressure_bara", fmt.Sprint(o.back), fmt.Sprintf("nothing flows out against it: give less than the pressure inside, %.6g bar absolute", o.barg+atmosphereBar))
	}
	if err := i.done(); err != nil {
		return nil, err
	}
	a, err := o.area()
	if err != nil {
		return nil, &dashboard.Refusal{Reason: err.Error(), Next: "mend the figures"}
	}
	return a, nil
}

func (d *estimatesDesk) Mechanics(_ context.Context, in map[string]any) (any, error) {
	i := &inputs{in: in}
	missing := math.NaN()
	o := mechanicsOptions{barg: i.number("pressure_barg", missing, 1e-3, 1e4), diameter: i.number("diameter_mm", missing, 0.1, 1e4), wall: i.number("wall_mm", missing, 1e-3, 1e3),
		yield: i.number("yield_mpa", 0, 0, 1e4), tensile: i.number("tensile_mpa", 0, 0, 1e4), hardening: i.number("hardening", 0, 0, 0.99), hot: i.number("hot_factor", 1, 0.01, 1),
		header: i.number("header_mm", 0, 0, 1e4), crimp: i.number("crimp_n_per_mm", 0, 0, 1e6), baseRadius: i.number("base_radius_mm", 0, 0, 1e4), baseThick: i.number("base_mm", 0, 0, 1e3),
		modulus: 205, poisson: 0.3, scoreRadius: i.number("score_radius_mm", 0, 0, 1e4), residual: i.number("residual_um", 0, 0, 1e5)}
	if err := i.done(); err != nil {
		return nil, err
	}
	a, err := o.answer()
	if err != nil {
		return nil, inFields(err)
	}
	return a, nil
}

// inFields says of an estimate's inputs what is said of flags: the first that is
// named is the field that is wrong.
func inFields(err error) error {
	names := flagName.FindAllString(err.Error(), -1)
	if len(names) == 0 {
		return &dashboard.Refusal{Reason: err.Error(), Next: "mend the figures"}
	}
	field := func(flag string) string { return strings.ReplaceAll(strings.TrimPrefix(flag, "--"), "-", "_") }
	return dashboard.FieldProblems{{Field: field(names[0]), Next: flagName.ReplaceAllStringFunc(err.Error(), field)}}
}

var flagName = regexp.MustCompile(`--[a-z]+(-[a-z]+)*`)

func (d *estimatesDesk) Example() string { return string(config.ExampleCase()) }

// A ventingJob is one estimate of venting.
type ventingJob struct {
	id        string
	ask       dashboard.VentingAsk
	k         *config.Case
	total     int64 // trials, and one for each design
	done      atomic.Int64
	held      atomic.Bool
	cancelled atomic.Bool

	mu    sync.Mutex
	state string
	why   string
	doc   *report.Document
}

func (j *ventingJob) set(state, why string, doc *report.Document) {
	j.mu.Lock()
	defer j.mu.Unlock()
	j.state, j.why, j.doc = state, why, doc
}

func (j *ventingJob) look() dashboard.Job {
	j.mu.Lock()
	defer j.mu.Unlock()
	out := dashboard.Job{ID: j.id, State: j.state, Why: j.why, Held: j.held.Load(), Document: j.doc}
	out.Part = math.Min(1, float64(j.done.Load())/float64(max(j.total, 1)))
	if j.state == dashboard.JobDone {
		out.Part = 1
	}
	return out
}

// ended tells whether nothing more comes of the job.
func (j *ventingJob) ended() bool {
	s := j.look().State
	return s == dashboard.JobDone || s == dashboard.JobFailed || s == dashboard.JobCancelled
}

// caseProblems turns what is wrong with a case into fields; each says its line.
func caseProblems(err error) error {
	var all config.Problems
	if !errors.As(err, &all) {
		return dashboard.FieldProblems{{Field: "case", Next: err.Error()}}
	}
	var out dashboard.FieldProblems
	for _, p := range all {
		field := p.Field
		if field == "" {
			field = "case"
		}
		next := p.Message
		if p.Next != "" {
			next += "; " + p.Next
		}
		if p.Line > 0 {
			field = fmt.Sprintf("line %d: %s", p.Line, field)
		}
		out = append(out, dashboard.FieldProblem{Field: field, Value: p.Value, Next: next})
	}
	return out
}

func (d *estimatesDesk) Start(_ context.Context, a dashboard.VentingAsk) (dashboard.Job, error) {
	k, err := config.ParseVentingCase("case", []byte(a.Case))
	if err != nil {
		return dashboard.Job{}, caseProblems(err)
	}
	if a.Compare && len(k.Options) == 0 {
		k.Options = usualOptions(&k.Venting)
	}
	j := &ventingJob{ask: a, k: k, state: dashboard.JobWaiting}
	designs := 1
	if k.Venting.Bottom != nil {
		designs++
	}
	if a.Compare {
		rows, err := k.Venting.Designs(k.Options)
		if err != nil {
			return dashboard.Job{}, dashboard.FieldProblems{{Field: "option", Next: err.Error()}}
		}
		designs += len(rows)
	}
	j.total = int64(designs) * int64(max(a.Trials, 1))
	d.mu.Lock()
	defer d.mu.Unlock()
	if len(d.jobs) == jobsKept && !d.forget() {
		return dashboard.Job{}, errFull
	}
	if err := d.room.post(func() { d.work(j) }); err != nil {
		return dashboard.Job{}, err
	}
	d.issued++
	j.id = strconv.Itoa(d.issued)
	d.jobs = append(d.jobs, j)
	return j.look(), nil
}

// forget drops the oldest job that has ended, and tells whether there was one:
// nobody's work is stopped because others ask.
func (d *estimatesDesk) forget() bool {
	i := slices.IndexFunc(d.jobs, func(j *ventingJob) bool { return j.ended() })
	if i < 0 {
		return false
	}
	d.jobs = slices.Delete(d.jobs, i, i+1)
	return true
}

// work is the job itself, in the backroom.
func (d *estimatesDesk) work(j *ventingJob) {
	if j.cancelled.Load() {
		j.set(dashboard.JobCancelled, "", nil)
		return
	}
	j.set(dashboard.JobRunning, "", nil)
	k := j.k
	k.Spread.Before = func() bool { return d.before(j) }
	o := adequacyOptions{trials: j.ask.Trials, seed: j.ask.Seed, confidence: j.ask.Confidence}
	a, err := k.Venting.Adequacy(k.Spread, o.trials, o.confidence, o.chance)
	if err == nil && j.ask.Compare {
		a.Options, err = k.Venting.Compare(k.Options, k.Spread, o.trials, o.confidence, o.chance)
	}
	switch {
	case j.cancelled.Load():
		j.set(dashboard.JobCancelled, "", nil)
	case err != nil:
		j.set(dashboard.JobFailed, err.Error(), nil)
	default:
		v := &report.Venting{Name: k.Name, Source: k.Source, Adequacy: &a, Inputs: report.SpreadFacts(&k.Venting, k.Spread)}
		j.set(dashboard.JobDone, "", report.VentingDocument(v, time.Now(), version))
	}
}

// before is asked before each simulated cell: it lets the bench go first, and
// tells whether the job is still wanted.
func (d *estimatesDesk) before(j *ventingJob) bool {
	for held := time.Duration(0); held < longestHold && d.late() && !j.cancelled.Load(); held += holdStep {
		j.held.Store(true)
		time.Sleep(holdStep)
	}
	j.held.Store(false)
	j.done.Add(1)
	return !j.cancelled.Load()
}

func (d *estimatesDesk) find(id string) *ventingJob {
	d.mu.Lock()
	defer d.mu.Unlock()
	for _, j := range d.jobs {
		if j.id == id {
			return j
		}
	}
	return nil
}

func (d *estimatesDesk) Job(id string) (dashboard.Job, bool) {
	j := d.find(id)
	if j == nil {
		return dashboard.Job{}, false
	}
	return j.look(), true
}

func (d *estimatesDesk) Cancel(id string) (dashboard.Job, bool) {
	j := d.find(id)
	if j == nil {
		return dashboard.Job{}, false
	}
	j.cancelled.Store(true)
	j.mu.Lock()
	if j.state == dashboard.JobWaiting {
		j.state = dashboard.JobCancelled
	}
	j.mu.Unlock()
	return j.look(), true
}

// stop gives up all jobs.
func (d *estimatesDesk) stop() {
	d.mu.Lock()
	defer d.mu.Unlock()
	for _, j := range d.jobs {
		j.cancelled.Store(true)
	}
}
