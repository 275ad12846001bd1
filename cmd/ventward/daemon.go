package main

import (
	"context"
	"errors"
	"fmt"
	"net"
	"runtime/debug"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/rs/zerolog"

	"ventward/config"
	"ventward/daq"
	"ventward/dashboard"
	"ventward/store"
	"ventward/stream"
)

// version is the program's, set by the linker.
var version = "0.1.0-dev"

// daemonOptions is what a daemon needs besides the bench description.
type daemonOptions struct {
	Bench     *config.Bench
	Store     *store.Store
	Time      *timebase
	Listen    string // address of the page; empty: no page
	Simulated bool
	Log       zerolog.Logger
	Closed    func(run string, err error) // told when a run's file is closed
	File      *description                // that the bench was read from; nil: none
}

// A daemon runs one bench: it owns every goroutine below and waits for them.
type daemon struct {
	o      daemonOptions
	in     *inbox
	loop   *loop
	lines  []*line
	pins   []*pin
	notes  *notebook
	ids    runIDs
	fit    *fitWorker
	server *dashboard.Server
	addr   string

	workers sync.WaitGroup
	stop    context.CancelFunc // of everything but the loop
	work    chan func()

	hurried sync.Once // the first that came forward, or wasn't let, says so

	failing sync.Once
	failed  chan struct{} // closed when a goroutine failed
	cause   error         // valid once failed is closed
}

// fail ends the daemon because one of its goroutines failed: the loop makes
// safe on the way out.
func (d *daemon) fail(err error) {
	d.failing.Do(func() {
		d.o.Log.Error().Err(err).Msg("a part of the program failed; making safe and ending")
		d.cause = err
		close(d.failed)
	})
}

// caught turns a panic of a goroutine into the daemon's end; call it deferred.
func (d *daemon) caught(what string) {
	if p := recover(); p != nil {
		d.fail(fmt.Errorf("%s failed: %v: report this with the log\n%s", what, p, debug.Stack()))
	}
}

// newDaemon opens ports and the page and starts the goroutines. The loop runs
// in run.
func newDaemon(o daemonOptions) (*daemon, error) {
	d := &daemon{o: o, in: newInbox(), work: make(chan func(), 64), failed: make(chan struct{})}
	eng, err := newEngine(setup{Bench: o.Bench})
	if err != nil {
		return nil, err
	}
	d.fit = newFitWorker(o.Bench, d.in)
	hub := stream.NewHub(stream.HubOptions{Channels: o.Bench.Channels})
	l := &loop{bench: o.Bench, time: o.Time, log: o.Log, in: d.in, fit: d.fit, hub: hub, store: o.Store, heart: -1, eng: eng,
		ring: ring{keep: int64(o.Bench.Record.PreTriggerS * 1e9)}, ticks: make(chan struct{}, 1), simulated: o.Simulated, notices: notices{},
		closed: o.Closed, work: d.work, prepare: d.prepare}
	d.loop = l
	if l.left, err = cutShort(o.Store, o.Bench); err != nil {
		return nil, err
	}
	d.notes = newNotebook(o.Store.Dir(), o.Bench.Name, o.Log)
	if d.loop.file = o.File; !o.Simulated {
		d.loop.awake = newAwake()
	}
	for i := range o.Bench.Instruments {
		ln, err := newLine(i, o.Bench.Instruments[i], d.in, o.Time, o.Log)
		if err != nil {
			return nil, err
		}
		ln.caught, ln.hurry = d.caught, d.hurry
		d.lines = append(d.lines, ln)
	}
	l.lines = d.lines
	for i, out := range o.Bench.Outputs {
		l.owner = append(l.owner, d.owner(i, &out))
		if out.Heartbeat {
			l.heart = i
		}
	}
	if l.idle, err = o.Store.Idle(d.meta(store.Meta{Kind: store.KindIdle}), store.IdleOptions{Keep: time.Duration(o.Bench.Record.IdleS * 1e9)}); err != nil {
		return nil, err
	}
	if err := d.loop.beginIdle(); err != nil {
		return nil, err
	}
	if onDaemon != nil {
		onDaemon(d)
	}
	return d, d.start(hub)
}

// onDaemon is where tests take hold of a part of a running program to break it.
var onDaemon func(*daemon)

// owner is who sends an output's demands.
func (d *daemon) owner(i int, o *daq.Output) sender {
	ln := d.lines[o.Instrument]
	if o.Line == "" {
		return ln
	}
	p := newPin(i, o.Line, ln.lines, d.in)
	p.hurry = d.hurry
	d.pins = append(d.pins, p)
	return p
}

// hurry brings the calling goroutine forward, for good: a trip waits for it.
// Simulated time waits for everybody.
func (d *daemon) hurry() {
	if d.o.Time.page != nil {
		return
	}
	err := foremost.take()
	d.hurried.Do(func() {
		if err != nil {
			d.o.Log.Warn().Err(err).Msgf("the loop and the lines were not let come before other programs: on a busy computer trips come late; give the service the right to (LimitNICE=%d, or CAP_SYS_NICE)", foremost)
		}
	})
}

func (d *daemon) start(hub *stream.Hub) error {
	hasten()
	ctx, stop := context.WithCancel(context.Background())
	d.stop = stop
	d.loop.mark = d.o.Time.participant()
	d.goWork(func() { d.fit.run(ctx) })
	d.goWork(func() { d.tick(ctx) })
	d.goWork(func() { d.labour(ctx) })
	d.goWork(func() {
		d.notes.run(ctx, func(c daq.Command) { d.in.post(message{entry: daq.Entry{Kind: daq.EntryCommand, Command: &c}}) })
	})
	if d.o.File != nil {
		d.goWork(func() { d.o.File.run(ctx) })
	}
	if d.loop.awake != nil {
		d.goWork(func() { d.loop.awake.run(ctx) })
	}
	for _, p := range d.pins {
		d.goWork(func() { p.run(ctx) })
	}
	for _, ln := range d.lines {
		if err := ln.open(); err != nil {
			d.close()
			return unfinished{err}
		}
	}
	if d.o.Bench.Influx != nil {
		f, err := newForwarder(d.o.Bench, d.o.Store, d.o.Log)
		if err != nil {
			d.close()
			return err
		}
		d.loop.forward = f
		d.goWork(func() { f.Run(ctx) })
	}
	if d.o.Listen == "" {
		return nil
	}
	ln, err := net.Listen("tcp", d.o.Listen)
	if err != nil {
		d.close()
		return fmt.Errorf("page at %s: %w: choose another address with listen in the bench description", d.o.Listen, err)
	}
	d.addr = ln.Addr().String()
	lots, estimates := newBackroom(), newBackroom()
	d.goWork(func() { lots.run(ctx) })
	d.goWork(func() { estimates.run(ctx) })
	desk := &estimatesDesk{room: estimates, late: d.loopLate}
	d.goWork(func() { <-ctx.Done(); desk.stop() })
	d.server = dashboard.New(dashboard.Options{Hub: hub, Archive: newArchive(d.o.Store, lots), Command: d.command, Version: version, Log: d.o.Log,
		Registry: registry{d.o.Store, d.by}, Lots: newLotsDesk(d.o.Store, lots), Estimates: desk})
	d.goWork(func() {
		if err := d.server.Serve(ctx, ln); err != nil && !errors.Is(err, context.Canceled) {
			d.o.Log.Error().Err(err).Msg("the page stopped")
		}
	})
	return nil
}

func (d *daemon) goWork(f func()) {
	d.workers.Add(1)
	go func() {
		defer d.workers.Done()
		defer d.caught("a goroutine beside the loop")
		f()
	}()
}

// run runs the loop until ctx is done and then closes everything.
func (d *daemon) run(ctx context.Context) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	go func() {
		select {
		case <-d.failed:
			cancel()
		case <-ctx.Done():
		}
	}()
	d.hurry()
	d.loop.run(ctx)
	d.close()
	closing, done := context.WithTimeout(context.Background(), 20*time.Second)
	defer done()
	err := d.loop.idle.Close(closing)
	select {
	case <-d.failed:
		return errors.Join(d.cause, err)
	default:
		return err
	}
}

func (d *daemon) close() {
	d.stop()
	for _, ln := range d.lines {
		ln.close()
	}
	d.workers.Wait()
}

// tick lets the loop notice that time passes.
func (d *daemon) tick(ctx context.Context) {
	mark := d.o.Time.participant()
	defer d.o.Time.retire(mark)
	for next := d.o.Time.Now(); ; next += tickNS {
		if !d.o.Time.wait(next, nil, ctx.Done(), mark) {
			return
		}
		select {
		case d.loop.ticks <- struct{}{}:
		default: // the loop is late; it will see the time when it looks
		}
		if now := d.o.Time.Now(); next < now-tickNS {
			next = now
		}
	}
}

// labour does what waits on disk, beside the loop. What is queued when the
// daemon stops is still done.
func (d *daemon) labour(ctx context.Context) {
	for {
		select {
		case f := <-d.work:
			f()
		case <-ctx.Done():
			for {
				select {
				case f := <-d.work:
					f()
				default:
					return
				}
			}
		}
	}
}

// meta completes what is known of every run.
func (d *daemon) meta(m store.Meta) store.Meta {
	now := d.o.Time.Now()
	wall := d.o.Time.Wall()
	m.Bench, m.Simulated, m.Program, m.Algorithm = d.o.Bench.Name, d.o.Simulated, version, algorithm
	m.Start, m.EpochUTC = now, wall-now
	if m.ID == "" {
		m.ID = newRunID(time.Unix(0, wall))
	}
	return m
}

// prepare makes the file and the engines of a run before the loop begins it,
// so that the loop never waits for a disk.
func (d *daemon) prepare(m store.Meta) (*recording, error) {
	if m.ID == "" {
		m.ID = d.ids.next(time.Unix(0, d.o.Time.Wall()), d.o.Store)
	}
	m = d.meta(m)
	r := &recording{meta: m}
	var err error
	if r.eng, err = newEngine(setup{Bench: d.o.Bench}); err != nil {
		return nil, err
	}
	if r.after, err = newEngine(setup{Bench: d.o.Bench}); err != nil {
		return nil, err
	}
	if r.run, err = d.o.Store.Create(m); err != nil {
		return nil, err
	}
	r.journal = r.run
	return r, nil
}

// errBusy tells that the loop could not take a command.
var errBusy = errors.New("the loop's queue of commands is full: try again; if it stays so, the bench is overloaded")

// command gives a wish to the loop and waits for its answer.
func (d *daemon) command(ctx context.Context, c daq.Command) (any, error) {
	if c.Who == "" {
		c.Who = dashboard.Unattributed
	}
	m := message{}
	if c.Verb == "start" {
		c.Verb = "arm"
	}
	switch c.Verb {
	case "arm", "record":
		if c.Verb == "arm" { // before a run's file is made for nothing
			if err := d.look(ctx, func(e *engine) error { return e.judge.MayArm(c) }); err != nil {
				return nil, refusal(err)
			}
		}
		var err error
		if m.rec, err = d.begin(&c); err != nil {
			return nil, err
		}
	case "prepare", "pressurise", "hold", "abort", "make-safe", "end", "exercise", "note", "enter",
		"acknowledge", "shelve", "unshelve", "out-of-service", "in-service", "reset", "bypass", "end-bypass":
	default:
		return nil, refusal(fmt.Errorf("command %q is not known: use prepare, arm, record, pressurise, hold, abort, make-safe, end, exercise, note, enter, acknowledge, shelve, unshelve, out-of-service, in-service, reset, bypass or end-bypass", c.Verb))
	}
	reply := make(chan error, 1)
	m.entry, m.reply = daq.Entry{Kind: daq.EntryCommand, Command: &c}, reply
	err := d.ask(ctx, m, reply)
	if c.Verb == "enter" && err == nil {
		return nil, d.notes.add(c)
	}
	if m.rec == nil {
		return nil, refusal(err)
	}
	if err != nil {
		if lost := d.discard(m.rec); lost != nil {
			d.o.Log.Error().Err(lost).Msg("closing a run that was refused")
		}
		return nil, refusal(err)
	}
	return map[string]string{"run": m.rec.meta.ID}, nil
}

// refusal is an error of the loop as the page's "no": what is wrong, and after
// the last colon what to do.
func refusal(err error) error {
	if err == nil {
		return nil
	}
	s := err.Error()
	if i := strings.LastIndex(s, ": "); i > 0 {
		return &dashboard.Refusal{Reason: s[:i], Next: s[i+2:]}
	}
	return &dashboard.Refusal{Reason: s, Next: "look at the bench's state"}
}

// begin makes the file of the run that a command asks for and claims its
// specimen.
func (d *daemon) begin(c *daq.Command) (*recording, error) {
	shot, err := strconv.Atoi(c.Args["shot"])
	if c.Args["shot"] != "" && (err != nil || shot < 0) {
		return nil, refusal(fmt.Errorf("shot = %q is not a number: leave it out or give the shot's number", c.Args["shot"]))
	}
	if free, err := store.SpaceLeft(d.o.Store.Dir()); err == nil {
		if why := tooLittle(d.o.Bench, free); why != "" {
			return nil, refusal(fmt.Errorf("%s: free some space first", why))
		}
	}
	chosen, err := d.choose(c)
	if err != nil {
		return nil, err
	}
	r, err := d.prepare(store.Meta{Kind: store.KindRun, Specimen: c.Args["specimen"], Lot: c.Args["lot"], Feature: c.Args["feature"], Operator: c.Who, Shot: shot})
	if err != nil || chosen == "" {
		return r, err
	}
	if err := d.o.Store.Take(d.by(c.Who), chosen, r.meta.ID); err != nil {
		return nil, errors.Join(refusal(err), d.discard(r))
	}
	return r, nil
}

// notBegun ends the file of a run that was refused.
const notBegun = "refused before it began"

// loopLate tells that the loop is late enough for estimates to wait: half of
// what raises an alarm.
func (d *daemon) loopLate() bool {
	s := d.loop.status.Load()
	return s != nil && s.LoopLagS*1e9 > float64(lateNS)/2
}

// discard closes the file of a run that was refused before it began, and gives
// its specimen back.
func (d *daemon) discard(r *recording) error {
	ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
	defer cancel()
	_, err := r.run.Close(ctx, store.End{At: d.o.Time.Now(), Note: notBegun})
	return errors.Join(err, d.o.Store.Release(d.by("program"), r.meta.Specimen, r.meta.ID, "the run was refused before it began"))
}

// look asks the live engine without an entry in the record.
func (d *daemon) look(ctx context.Context, f func(*engine) error) error {
	reply := make(chan error, 1)
	return d.ask(ctx, message{look: f, reply: reply}, reply)
}

func (d *daemon) ask(ctx context.Context, m message, reply <-chan error) error {
	if !d.in.post(m) {
		return errBusy
	}
	select {
	case err := <-reply:
		return err
	case <-ctx.Done():
		return fmt.Errorf("no answer from the loop: %w", ctx.Err())
	case <-time.After(10 * time.Second):
		return errBusy
	}
}

// promote begins a run when something opened though nothing was recorded: what
// the ring remembers becomes its beginning.
func (l *loop) promote(out *outcome) {
	opened := false
	for i := range out.Events {
		opened = opened || out.Events[i].Opens()
	}
	if !opened || l.promoting {
		return
	}
	l.promoting = true
	l.log.Warn().Msg("an opening while nothing was recorded: it becomes a run")
	job := func() {
		r, err := l.prepare(store.Meta{Kind: store.KindRun, Specimen: "unnamed", Note: "begun by the program: an opening while nothing was recorded"})
		if err != nil {
			l.log.Error().Err(err).Msg("an opening could not be made a run")
			return
		}
		r.unasked = true
		l.in.post(message{entry: daq.Entry{Kind: daq.EntryCommand, Command: &daq.Command{Verb: "record", Who: "program"}}, rec: r})
	}
	select {
	case l.work <- job:
	default:
		l.promoting = false
	}
}

// unaskedNS is how long a run that the program began goes on after its last
// event, ns.
const unaskedNS = int64(60e9)

// endUnasked ends a run that the program began, some time after its last event.
func (l *loop) endUnasked(now int64) {
	r := l.rec
	if r == nil || !r.unasked || len(r.backlog) > 0 || now-max(r.armed, r.eventful) < unaskedNS {
		return
	}
	l.step(message{entry: daq.Entry{Kind: daq.EntryCommand, Command: &daq.Command{Verb: "end", Who: "program", Args: map[string]string{"reason": "quiet for a minute after an opening that nobody had armed for"}}}})
}

var _ journal = (*store.Run)(nil)
