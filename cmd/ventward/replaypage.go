package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"strconv"
	"time"

	"github.com/rs/zerolog"

	"ventward/config"
	"ventward/daq"
	"ventward/dashboard"
	"ventward/detect"
	"ventward/store"
	"ventward/stream"
)

// A replayPage shows a stored run on the page as it was seen while it ran. It
// constructs no output, and takes no command but those that say how it plays.
type replayPage struct {
	store  *store.Store
	run    string
	other  *config.Bench // whose rules are tried; nil: the recorded
	listen string
	log    zerolog.Logger
	out    io.Writer
	json   bool

	room  *backroom
	pace  pacer
	meta  store.Meta
	heart int
	hub   *stream.Hub
	shown time.Time // when the state was last published
	moved time.Time // when a frame was last sent
}

// errAgain ends one pass because another was asked for.
var errAgain = errors.New("play it again")

// How often viewers of a replay get a frame and a state.
const (
	replayFrame = 33 * time.Millisecond
	replayState = 200 * time.Millisecond
)

// leadNS is how long before its time zero a run is shown from, ns: what was
// kept from before it may be two minutes in which nothing happens.
const leadNS = int64(2e9)

// serve plays the run until ctx is done. At the end of the run it stays, so
// that what happened can be looked at.
func (r *replayPage) serve(ctx context.Context) error {
	l, err := net.Listen("tcp", r.listen)
	if err != nil {
		return fmt.Errorf("page at %s: %w: choose another address with --page", r.listen, err)
	}
	r.listen = l.Addr().String() // the same port in every pass
	r.tell()
	r.room = newBackroom()
	inRoom, leave := context.WithCancel(ctx)
	left := make(chan struct{})
	go func() { r.room.run(inRoom); close(left) }()
	defer func() { leave(); <-left }()
	for {
		err := r.pass(ctx, l)
		if !errors.Is(err, errAgain) {
			return err
		}
		if l, err = net.Listen("tcp", r.listen); err != nil {
			return fmt.Errorf("page at %s: %w: start the replay again", r.listen, err)
		}
	}
}

func (r *replayPage) tell() {
	if r.json {
		json.NewEncoder(r.out).Encode(map[string]any{"page": "http://" + r.listen + "/", "run": r.run, "replay": true})
		return
	}
	fmt.Fprintf(r.out, "REPLAY, NOT LIVE: run %s at http://%s/  (Ctrl-C ends it)\n", r.run, r.listen)
}

// pass plays the run once, with a hub and a server of its own, so that no
// viewer takes what an earlier pass showed for this one's.
func (r *replayPage) pass(ctx context.Context, l net.Listener) error {
	rd, err := r.store.Reader(r.run)
	if err != nil {
		l.Close()
		return wrongUse{err}
	}
	defer rd.Close()
	r.meta = rd.Meta()
	s, e, err := recordedEngine(rd, r.other)
	if err != nil {
		l.Close()
		return err
	}
	r.begin(s.Bench)
	ctx, stop := context.WithCancel(ctx)
	served := make(chan error, 1)
	go func() {
		served <- r.server().Serve(ctx, l)
		stop() // without its page nobody sees it play
	}()
	err = r.play(ctx, rd, e)
	stop()
	if failed := <-served; errors.Is(err, context.Canceled) { // play ends by that or by an error of its own
		err = failed
	}
	return err
}

func (r *replayPage) begin(b *config.Bench) {
	r.hub = stream.NewHub(stream.HubOptions{Channels: b.Channels})
	r.heart = -1
	for i := range b.Outputs {
		if b.Outputs[i].Heartbeat {
			r.heart = i
		}
	}
	r.hub.Run(r.runState(), r.meta.Start)
}

func (r *replayPage) runState() *stream.RunState {
	m := &r.meta
	return &stream.RunState{ID: m.ID, Specimen: m.Specimen, Lot: m.Lot, Shot: m.Shot, Start: m.Start, StartUTC: r.utc(m.Start)}
}

func (r *replayPage) server() *dashboard.Server {
	return dashboard.New(dashboard.Options{Hub: r.hub, Archive: newArchive(r.store, r.room), Lots: newLotsDesk(r.store, r.room),
		Command: r.command, Version: version, Log: r.log})
}

func (r *replayPage) utc(at int64) string {
	return time.Unix(0, at+r.meta.EpochUTC).UTC().Format("2006-01-02T15:04:05.000000000Z")
}

// play feeds the engine until the record ends, and then waits for wishes.
func (r *replayPage) play(ctx context.Context, rd *store.Reader, e *engine) error {
	r.pace.start(r.meta.Start)
	last := r.meta.Start
	err := playOn(rd, e, func(en *daq.Entry, out *outcome, e *engine) error {
		last = en.At
		if err := r.await(ctx, en.At, e); err != nil {
			return err
		}
		r.show(en.At, out, e)
		return nil
	})
	if err != nil {
		return err
	}
	r.pace.over = true
	for {
		if err := r.rest(ctx, time.Hour, last, e); err != nil {
			return err
		}
	}
}

// await waits until it is time to go on from an entry of bench time at, and
// keeps viewers up to date meanwhile.
func (r *replayPage) await(ctx context.Context, at int64, e *engine) error {
	for {
		wait := r.pace.wait(at, time.Now())
		if wait <= 0 {
			r.refresh(at, e)
			return r.heed(ctx)
		}
		if err := r.rest(ctx, wait, at, e); err != nil {
			return err
		}
	}
}

// rest waits for a wish or the next frame, at most d.
func (r *replayPage) rest(ctx context.Context, d time.Duration, at int64, e *engine) error {
	r.refresh(at, e)
	select {
	case w := <-r.pace.wishes:
		return r.obey(w)
	case <-time.After(min(d, replayFrame)):
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// heed takes a wish that waits, if there is one.
func (r *replayPage) heed(ctx context.Context) error {
	select {
	case w := <-r.pace.wishes:
		return r.obey(w)
	default:
		return ctx.Err()
	}
}

func (r *replayPage) obey(w replayWish) error {
	again := r.pace.obey(w, time.Now())
	r.shown = time.Time{}
	w.done <- struct{}{}
	if again {
		return errAgain
	}
	return nil
}

// refresh sends viewers a frame and a state, as often as a live bench does.
func (r *replayPage) refresh(at int64, e *engine) {
	now := time.Now()
	if now.Sub(r.shown) >= replayState {
		r.shown = now
		s := picture{bench: e.bench, eng: e, simulated: r.meta.Simulated, heart: r.heart}.state(at, r.utc(at))
		s.Run, s.Replay = r.runState(), r.pace.state(at, &r.meta)
		r.hub.State(*s)
	}
	if now.Sub(r.moved) >= replayFrame {
		r.moved = now
		r.hub.Flush(at)
	}
}

// show gives viewers what an entry led to. With another bench's rules the
// windows are fitted here, for the record's findings are not about them.
func (r *replayPage) show(at int64, out *outcome, e *engine) {
	for _, ch := range e.touched {
		r.hub.Samples(ch, e.samples[ch])
	}
	for i := range out.Alarms {
		r.hub.Alarm(out.Alarms[i])
	}
	for i := range out.Events {
		r.hub.Event(out.Events[i])
	}
	if r.other == nil {
		return
	}
	for _, w := range append([]detect.Window(nil), out.Windows...) {
		en := daq.Entry{At: at, Kind: daq.EntryFinding, Body: findingBody(fit(e.bench, w))}
		r.show(at, e.take(&en), e)
	}
}

// notHere is the answer to what a bench is asked for.
var notHere = &dashboard.Refusal{Reason: "this is a replay of a stored run, not the bench", Next: "open the bench's own page; at the bench, use its own controls"}

// command takes play, pause and go; everything else is for a bench.
func (r *replayPage) command(ctx context.Context, c daq.Command) (any, error) {
	w, err := parseWish(c, &r.meta)
	if err != nil {
		return nil, err
	}
	select {
	case r.pace.wishes <- w:
	case <-ctx.Done():
		return nil, ctx.Err()
	}
	select {
	case <-w.done:
		return nil, nil
	case <-ctx.Done():
		return nil, ctx.Err()
	}
}

func parseWish(c daq.Command, m *store.Meta) (replayWish, error) {
	w := replayWish{verb: c.Verb, done: make(chan struct{}, 1)}
	switch c.Verb {
	case "pause":
	case "play":
		if s := c.Args["speed"]; s != "" {
			f, err := parseSpeed(s)
			if err != nil {
				return w, &dashboard.Refusal{Reason: fmt.Sprintf("speed %q is not one", s), Next: "give 10x, 1x, 0.1x or max"}
			}
			w.speed = &f
		}
	case "go":
		s, err := strconv.ParseFloat(c.Args["to_s"], 64)
		if err != nil || !(s >= -3600 && s <= 1e7) {
			return w, &dashboard.Refusal{Reason: fmt.Sprintf("to_s = %q is not a time in the run", c.Args["to_s"]), Next: "give seconds from the run's time zero"}
		}
		w.to = m.Start + int64(s*1e9)
	default:
		return w, notHere
	}
	return w, nil
}
