package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"time"

	"github.com/rs/zerolog"
	"github.com/spf13/cobra"

	"ventward/config"
	"ventward/daq"
	"ventward/dashboard"
	"ventward/detect"
	"ventward/guard"
	"ventward/record"
	"ventward/report"
	"ventward/sim"
	"ventward/store"
	"ventward/stream"
)

// demoOptions are the flags of the demo.
type demoOptions struct {
	rig, medium, speed, listen string
	shots                      int
	seed                       uint64
	headless, json             bool
	fault                      string
	lots                       []string
}

func demoCommand(g *global) *cobra.Command {
	var o demoOptions
	c := &cobra.Command{
		Use:   "demo",
		Short: "Run the whole chain on a simulated bench",
		Long: `Starts a simulated bench as a process of its own, opens its pseudo-terminals as
serial ports, and runs burst tests on it: watch them on the page whose address
is printed. With --headless it ends by itself, as fast as the chain keeps up.

The simulated world has ten lots of 280 pieces in all, which --shots 280 uses up;
--lots names those to shoot. B-0420 and H-007 fail their statement, and ventward
lot says why.

Faults for --fault: ` + faultNames() + `
"list" says where each leads; several, or "all", are suffered by one shot after the other.`,
		Example: "  ventward demo\n  ventward demo --headless --shots 20 --seed 7 --json\n  ventward demo --fault list\n  ventward demo --headless --lots B-0420,H-007 --shots 40",
		Args:    cobra.NoArgs,
		RunE: func(c *cobra.Command, args []string) error {
			if err := o.check(); err != nil {
				return err
			}
			if o.fault == listFaults {
				return tellFaults(c.OutOrStdout(), o.json)
			}
			ctx, stop := signal.NotifyContext(c.Context(), os.Interrupt, syscall.SIGTERM)
			defer stop()
			return runDemo(ctx, g, &o, c.OutOrStdout())
		},
	}
	f := c.Flags()
	f.StringVar(&o.rig, "rig", "burst", "burst or runaway")
	f.StringVar(&o.medium, "medium", "gas", "gas or liquid (burst only)")
	f.IntVar(&o.shots, "shots", 0, "shots to run (0: 20 when headless, 12 cells on the runaway rig, else go on until stopped)")
	f.Uint64Var(&o.seed, "seed", 1, "seed of the specimens and of all noise")
	f.StringVar(&o.speed, "speed", "", "simulated seconds a second, or max (default: max when headless, else 1x)")
	f.StringVar(&o.listen, "listen", "127.0.0.1:8437", "address of the page")
	f.BoolVar(&o.headless, "headless", false, "no page; end by itself")
	f.BoolVar(&o.json, "json", false, "JSON lines on standard output: truth and events of each shot")
	f.StringSliceVar(&o.lots, "lots", nil, "lots of the simulated world to take the pieces from (default: all; burst only)")
	f.StringVar(&o.fault, "fault", "", "a fault that each shot suffers at its opening; list, all, or several with commas")
	return c
}

func (o *demoOptions) check() error {
	if o.rig != string(detect.BurstRig) && o.rig != string(detect.RunawayRig) {
		return badUse("--rig %q: use burst or runaway", o.rig)
	}
	if o.medium != string(detect.Gas) && o.medium != string(detect.Liquid) {
		return badUse("--medium %q: use gas or liquid", o.medium)
	}
	if o.runaway() && o.medium != string(detect.Gas) {
		return badUse("--medium %q: a runaway rig's vessel holds gas", o.medium)
	}
	if o.shots < 0 || o.shots > 100000 {
		return badUse("--shots %d: give a number from 0 to 100000", o.shots)
	}
	if err := o.checkLots(); err != nil {
		return err
	}
	if o.shots == 0 && o.headless {
		o.shots = 20
		if o.runaway() {
			o.shots = cellSet
		}
	}
	if o.speed == "" {
		o.speed = "1x"
		if o.headless {
			o.speed = "max"
		}
	}
	if _, err := parseSpeed(o.speed); err != nil {
		return err
	}
	return o.checkFault()
}

// checkLots refuses lots that the simulated world hasn't.
func (o *demoOptions) checkLots() error {
	if len(o.lots) > 0 && o.runaway() {
		return badUse("--lots: the runaway rig takes its cells in turn: leave it out")
	}
	var known []string
	for _, l := range sim.DefaultWorld(o.seed).Lots {
		known = append(known, l.Name)
	}
	for _, name := range o.lots {
		if !slices.Contains(known, name) {
			return badUse("--lots %q: the simulated lots are %s", name, strings.Join(known, ", "))
		}
	}
	return nil
}

// demo runs shots on a simulated bench.
type demo struct {
	o      *demoOptions
	bench  *config.Bench
	store  *store.Store
	daemon *daemon
	sim    *simProcess
	time   *timebase
	out    io.Writer
	log    zerolog.Logger
	closed chan string
	stop   context.CancelFunc
	day    string // on which the operator last entered what the bench asks for
}

// runDemo starts simulator and daemon and runs the shots beside the loop.
func runDemo(ctx context.Context, g *global, o *demoOptions, out io.Writer) (err error) {
	d := &demo{o: o, out: out, closed: make(chan string, 64)}
	if o.headless && g.level == "info" {
		g.level = "warn"
	}
	if d.log, err = g.logger(); err != nil {
		return err
	}
	dir, err := os.MkdirTemp("", "ventward-demo-")
	if err != nil {
		return err
	}
	defer os.RemoveAll(dir)
	if err := d.startBench(dir); err != nil {
		return err
	}
	defer d.sim.stop()
	if d.store, err = openStore(g.data, d.bench, store.Daemon); err != nil {
		return err
	}
	defer func() { err = errors.Join(err, d.store.Close()) }()
	listen := o.listen
	if o.headless {
		listen = ""
	}
	d.daemon, err = newDaemon(daemonOptions{Bench: d.bench, Store: d.store, Time: d.time, Listen: listen, Simulated: true, Log: d.log,
		Closed: func(run string, _ error) { d.closed <- run }})
	if err != nil {
		return err
	}
	if d.daemon.addr != "" {
		fmt.Fprintf(d.words(), "Simulated bench %q. Page: http://%s/   (Ctrl-C ends the demo)\n", d.bench.Name, d.daemon.addr)
	}
	loopCtx, stop := context.WithCancel(ctx)
	d.stop = stop
	shots := make(chan error, 1)
	go func() { shots <- d.shoot(loopCtx) }()
	loopErr := d.daemon.run(loopCtx)
	stop()
	return errors.Join(loopErr, <-shots)
}

// words is where text for people goes: not among JSON lines.
func (d *demo) words() io.Writer {
	if d.o.json {
		return os.Stderr
	}
	return d.out
}

// startBench starts the simulator and gives the bench its terminals.
func (d *demo) startBench(dir string) error {
	var err error
	name, text := d.o.description()
	if d.bench, err = config.Parse(name, text); err != nil {
		return err
	}
	freshDates(d.bench, time.Now())
	page := ""
	d.time = machineTime()
	if factor, _ := parseSpeed(d.o.speed); factor != 1 {
		page = filepath.Join(dir, "clock")
		p, err := sim.Create(page)
		if err != nil {
			return err
		}
		d.time = simulatedTime(p)
	}
	if d.sim, err = startSim(text, dir, d.o.speed, page, d.o.seed); err != nil {
		return err
	}
	portsIn(d.bench, dir)
	return nil
}

// shoot runs the shots and, when headless, ends the demo.
func (d *demo) shoot(ctx context.Context) error {
	err := d.shots(ctx)
	if err != nil && ctx.Err() != nil {
		return nil // stopped by the user
	}
	if err != nil || d.o.headless {
		d.stop()
		return err
	}
	fmt.Fprintln(d.words(), "All shots are done; the page stays. Ctrl-C ends the demo.")
	return nil
}

func (d *demo) shots(ctx context.Context) error {
	if err := d.until(ctx, 30, "a beating watchdog and fresh sensors", d.fresh); err != nil {
		return err
	}
	n := d.o.shots
	if n == 0 {
		n = 10000
	}
	if err := d.tidy(); err != nil {
		return err
	}
	for i, piece := range d.o.pieces(n) {
		if err := d.receive(&piece); err != nil {
			return err
		}
		if err := d.shot(ctx, i+1, &piece); err != nil {
			return fmt.Errorf("shot %d (%s): %w", i+1, piece.ID, err)
		}
	}
	return nil
}

// shot runs one specimen through the course of a test, as an operator would:
// again with the same one where the bench tripped before the specimen did what
// it is there for, as on a machine that stood still for a moment.
func (d *demo) shot(ctx context.Context, n int, piece *sim.Specimen) error {
	const tries = 4
	for try := 1; ; try++ {
		over, err := d.attempt(ctx, n, piece, try == tries || d.o.fault != "")
		if over || err != nil {
			return err
		}
		fmt.Fprintf(d.words(), "shot %d: the bench tripped before %s came to anything; it is tested again\n", n, piece.ID)
	}
}

// attempt is one course of a test. It is over unless the bench tripped before
// that and another attempt may follow.
func (d *demo) attempt(ctx context.Context, n int, piece *sim.Specimen, last bool) (over bool, err error) {
	d.sim.truths()
	if err := d.resetRelay(); err != nil {
		return false, err
	}
	if err := d.exchange(ctx, piece); err != nil {
		return false, err
	}
	if err := d.enterSteps(ctx); err != nil {
		return false, err
	}
	run, err := d.armed(ctx, n, piece)
	if err != nil {
		return false, err
	}
	if fault := d.o.faultOf(n); fault != "" {
		if err := d.sim.do(sim.Command{Do: "fault", Fault: sim.Fault{Name: fault, At: "opening", Before: faultAheadS}}); err != nil {
			return false, err
		}
	}
	course := d.burst
	if d.o.runaway() {
		course = d.heat
	}
	tripped, cell, err := course(ctx, n, piece)
	if err != nil {
		return false, err
	}
	if tripped && !last && !d.sim.happened(d.o.cameToSomething) {
		return false, d.undo(ctx, run)
	}
	return true, d.conclude(ctx, n, run, piece, cell)
}

// cameToSomething tells whether an event of the simulator is what a test is
// there for: a cell's runaway, anything that a burst bench's specimen does.
func (o *demoOptions) cameToSomething(event string) bool {
	if o.runaway() {
		return event == string(detect.Runaway)
	}
	return event != string(detect.SupplyStep) && event != string(detect.Dump)
}

// burst waits for an opening and makes safe; tripped tells that the test ended
// by itself.
func (d *demo) burst(ctx context.Context, n int, piece *sim.Specimen) (tripped bool, _ *sim.Results, err error) {
	tripped = true
	if err := d.until(ctx, 120, "an opening or a trip", func() bool { return d.phase() != guard.UnderTest }); err != nil {
		tripped = false
		fmt.Fprintf(d.words(), "shot %d: %s did not open within the ramp: held, still pressurised; it is dumped\n", n, piece.ID)
	}
	return tripped, nil, d.makeSafe(ctx)
}

// armed arms and pressurises. A machine that stood still refuses to arm, or
// trips before the ramp: as an operator would, the demo resets and arms anew.
func (d *demo) armed(ctx context.Context, n int, piece *sim.Specimen) (run string, err error) {
	const tries = 6
	for try := 1; ; try++ {
		if err := errors.Join(d.resetRelay(), d.endBypasses(ctx)); err != nil {
			return "", err
		}
		run, err = "", errors.Join(d.command(ctx, "reset", nil), d.command(ctx, "acknowledge", nil))
		if err == nil {
			run, err = d.arm(ctx, n, piece)
		}
		if err == nil {
			err = d.command(ctx, "pressurise", nil)
		}
		var no *dashboard.Refusal
		if err == nil || try == tries || !errors.As(err, &no) {
			return run, err
		}
		d.log.Warn().Err(err).Str("run", run).Msg("no ramp yet; the shot is armed anew")
		if run != "" {
			if err := d.undo(ctx, run); err != nil {
				return "", err
			}
		}
		if err := d.rest(ctx, 1.5); err != nil {
			return "", err
		}
	}
}

// resetRelay closes the bench's watchdog relay by hand, in case it opened since
// the last test.
func (d *demo) resetRelay() error { return d.sim.do(sim.Command{Do: "reset-watchdog"}) }

// endBypasses ends what somebody at the page bypassed: the operator arms with
// every trip in force.
func (d *demo) endBypasses(ctx context.Context) error {
	s := d.daemon.loop.status.Load()
	if s == nil {
		return nil
	}
	for i := range s.Trips {
		if !s.Trips[i].Bypassed {
			continue
		}
		var over *dashboard.Refusal // it ended by itself just now
		if err := d.command(ctx, "end-bypass", map[string]string{"rule": s.Trips[i].Rule}); err != nil && !errors.As(err, &over) {
			return err
		}
	}
	return nil
}

// undo ends a run that tripped too early, and gives the specimen back.
func (d *demo) undo(ctx context.Context, run string) error {
	const why = "the bench tripped before the specimen came to anything"
	if err := d.end(ctx, run, map[string]string{"reason": why, "override": why}); err != nil {
		return err
	}
	return d.outcome(run, record.Outcome{Extent: record.Untested, Remark: why})
}

// end ends a run, unless somebody at the page has, and waits for its file.
func (d *demo) end(ctx context.Context, run string, args map[string]string) error {
	if d.recording() == run {
		if err := d.command(ctx, "end", args); err != nil {
			return err
		}
	}
	return d.waitClosed(ctx, run)
}

// waitClosed waits until a run's file is closed; others that closed meanwhile
// are passed over.
func (d *demo) waitClosed(ctx context.Context, run string) error {
	late := time.After(60 * time.Second)
	for {
		select {
		case id := <-d.closed:
			if id == run {
				return nil
			}
		case <-late:
			return fmt.Errorf("the file of run %s was not closed within a minute", run)
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

// conclude ends the run, waits for its file and tells of the shot.
func (d *demo) conclude(ctx context.Context, n int, run string, piece *sim.Specimen, cell *sim.Results) error {
	if err := d.end(ctx, run, map[string]string{"reason": "end of the pressure watch"}); err != nil {
		return err
	}
	return d.tell(n, run, piece, cell)
}

// exchange dumps the fixture and puts the specimen in.
func (d *demo) exchange(ctx context.Context, piece *sim.Specimen) error {
	id := inWorld(piece.ID)
	if err := d.sim.do(sim.Command{Do: "load", Specimen: id}); err != nil {
		return err
	}
	for {
		select {
		case got := <-d.sim.load:
			if got.ID == id {
				return d.rest(ctx, 1.5)
			}
		case <-d.sim.gone:
			return fmt.Errorf("the simulated bench ended: %v", d.sim.err)
		case <-time.After(60 * time.Second):
			return fmt.Errorf("the simulated bench took no specimen within a minute")
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

func (d *demo) arm(ctx context.Context, n int, piece *sim.Specimen) (string, error) {
	got, err := d.daemon.command(ctx, daq.Command{Verb: "arm", Who: "demo", Args: map[string]string{
		"specimen": piece.ID, "lot": piece.Lot, "feature": piece.Under, "shot": fmt.Sprint(n), "who1": demoWho1, "who2": demoWho2}})
	if err != nil {
		return "", err
	}
	run := got.(map[string]string)["run"]
	if err := d.until(ctx, 30, "the run to record", func() bool { return d.phase() == guard.Armed && d.recording() == run }); err != nil {
		return "", err
	}
	return run, d.rest(ctx, 1)
}

// makeSafe shuts the supply, dumps what is left and waits for the pressure
// watch to be quiet and for the last fit. Somebody at the page may have ended
// the test already: then the outputs are off, and it only dumps.
func (d *demo) makeSafe(ctx context.Context) error {
	if d.phase() != guard.AtRest {
		if err := d.command(ctx, "make-safe", nil); err != nil {
			return err
		}
	}
	over := func() bool { return d.phase() == guard.PressureWatch || d.phase() == guard.AtRest }
	if err := d.until(ctx, 10, "the outputs to be read back off", over); err != nil {
		return err
	}
	if err := d.rest(ctx, 3); err != nil {
		return err
	}
	if err := d.until(ctx, 0, "", d.low); err != nil {
		return err
	}
	if !d.low() {
		if err := d.sim.do(sim.Command{Do: "dump"}); err != nil {
			return err
		}
		if err := d.until(ctx, 60, "the pressure to fall", d.low); err != nil {
			return err
		}
	}
	return d.rest(ctx, 1)
}

func (d *demo) command(ctx context.Context, verb string, args map[string]string) error {
	_, err := d.daemon.command(ctx, daq.Command{Verb: verb, Who: "demo", Args: args})
	return err
}

func (d *demo) phase() guard.Phase {
	if s := d.daemon.loop.status.Load(); s != nil {
		return guard.Phase(s.Phase)
	}
	return ""
}

func (d *demo) recording() string {
	if s := d.daemon.loop.status.Load(); s != nil && s.Run != nil {
		return s.Run.ID
	}
	return ""
}

// fresh tells that every sensor speaks, outputs were read back, and the
// watchdog relay gets its edges.
func (d *demo) fresh() bool {
	s := d.daemon.loop.status.Load()
	if s == nil || !s.Watchdog.Beating {
		return false
	}
	for _, c := range s.Sensors {
		if c.Value == nil || c.AgeS > 2 {
			return false
		}
	}
	for _, o := range s.Outputs {
		if !o.Agrees {
			return false
		}
	}
	return true
}

// low tells that both pressure readings are below what the watch asks for.
func (d *demo) low() bool {
	s := d.daemon.loop.status.Load()
	if s == nil {
		return false
	}
	for _, c := range s.Sensors {
		if c.Role == daq.RoleSpecimen && (c.Value == nil || *c.Value-d.ambient(s, &c) > d.bench.Watch.SafePa) {
			return false
		}
	}
	return true
}

// ambient is the pressure that a sensor at ambient pressure shows, Pa.
func (d *demo) ambient(s *stream.State, c *stream.SensorState) float64 {
	if c.Reference != daq.Absolute {
		return 0
	}
	for i := range s.Sensors {
		if b := &s.Sensors[i]; b.Role == daq.RoleBarometer && b.Value != nil {
			return *b.Value
		}
	}
	return d.bench.Detect.Fixture.AmbientPa
}

// until waits up to limitS of bench time for something; 0: it only looks once.
func (d *demo) until(ctx context.Context, limitS float64, what string, ok func() bool) error {
	end := d.time.Now() + int64(limitS*1e9)
	for !ok() {
		if limitS == 0 {
			return nil
		}
		if d.time.Now() > end {
			return fmt.Errorf("waited %g s of bench time for %s", limitS, what)
		}
		if err := d.pause(ctx); err != nil {
			return err
		}
	}
	return nil
}

// rest lets bench time pass.
func (d *demo) rest(ctx context.Context, s float64) error {
	for end := d.time.Now() + int64(s*1e9); d.time.Now() < end; {
		if err := d.pause(ctx); err != nil {
			return err
		}
	}
	return nil
}

func (d *demo) pause(ctx context.Context) error {
	select {
	case <-time.After(2 * time.Millisecond):
		return nil
	case <-d.sim.gone:
		return fmt.Errorf("the simulated bench ended: %v", d.sim.err)
	case <-ctx.Done():
		return ctx.Err()
	}
}

// truthLine is what the simulator did in a shot, in the run's own time and
// reference.
type truthLine struct {
	Shot      int          `json:"shot"`
	Run       string       `json:"run"`
	Specimen  string       `json:"specimen"`
	Reference string       `json:"reference"`
	Truth     []truthEvent `json:"truth"`
	// Results are what a runaway really came to, under the names of the results.
	Results map[string]float64 `json:"results,omitempty"`
}

type truthEvent struct {
	Event       string  `json:"event"`
	Feature     string  `json:"feature,omitempty"`
	StartS      float64 `json:"start_s"`
	OnsetS      float64 `json:"onset_s"`
	PressureBar float64 `json:"pressure_bar"`
	AreaMM2     float64 `json:"area_mm2,omitempty"`
	InsideBar   float64 `json:"inside_bar,omitempty"` // of a cell: its inside above the vessel
	SkinC       float64 `json:"skin_C,omitempty"`     // of a cell
}

// tell prints a shot: what the simulator did, then what was seen.
func (d *demo) tell(n int, run string, piece *sim.Specimen, cell *sim.Results) error {
	rd, err := d.store.Reader(run)
	if err != nil {
		return err
	}
	defer rd.Close()
	start := rd.Meta().Start
	events, err := lastRevisions(rd)
	if err != nil {
		return err
	}
	t := truthLine{Shot: n, Run: run, Specimen: piece.ID, Reference: string(daq.Gauge), Truth: []truthEvent{}}
	happened := d.sim.truths()
	if err := d.look(run, happened); err != nil {
		return err
	}
	if cell != nil {
		t.runaway(happened, start, cell)
		happened = nil
	}
	for _, h := range happened {
		if h.Opens() {
			t.Truth = append(t.Truth, truthEvent{Event: h.Event, Feature: h.Feature, StartS: seconds(h.StartNS - start), OnsetS: seconds(h.OnsetNS - start),
				PressureBar: h.PressurePa / 1e5, AreaMM2: h.AreaM2 / 1e-6})
		}
	}
	if !d.o.json {
		fmt.Fprintf(d.out, "shot %d  %s  run %s\n", n, piece.ID, run)
		for _, h := range t.Truth {
			fmt.Fprintf(d.out, "  simulated: %s of %s at %.3f bar %s, %.4f s\n", h.Event, h.Feature, h.PressureBar, t.Reference, h.OnsetS)
		}
		printEvents(d.out, events, start, d.bench.Channels)
		return d.tellResults(nil, rd, n, run, start)
	}
	enc := json.NewEncoder(d.out)
	if err := enc.Encode(t); err != nil {
		return err
	}
	for i := range events {
		l := report.EventLine(events[i], start, d.bench.Channels)
		l.Run, l.Shot = run, n
		if err := enc.Encode(l); err != nil {
			return err
		}
	}
	return d.tellResults(enc, rd, n, run, start)
}
