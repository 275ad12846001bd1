package main

import (
	"context"
	"encoding/json"
	"errors"
	"sync/atomic"
	"time"

	"github.com/rs/zerolog"

	"ventward/config"
	"ventward/daq"
	"ventward/store"
	"ventward/stream"
	"ventward/stream/influx"
)

// tickNS is the time between ticks: how fine silence is noticed and how often
// viewers get a frame.
const tickNS = int64(33e6)

// How many entries from before a run its engine is fed: with each live entry,
// which grows what is left by one, so that it ends even where readings never
// pause; and in a pause, until something waits. A live reading never waits for
// more than that: it may trip.
const (
	feedWithLive = 4
	feedInPause  = 64
)

// sender is the owner of an output's line.
type sender interface{ demand(d daq.Demand) }

// A loop is the one goroutine in which a bench is conditioned, watched, judged,
// demanded of, journalled and shown, in this order: judge and demand before
// journal before show.
type loop struct {
	bench *config.Bench
	time  *timebase
	log   zerolog.Logger
	in    *inbox
	lines []*line
	owner []sender // by output
	fit   *fitWorker
	hub   *stream.Hub
	store *store.Store
	idle  *store.Idle
	heart int // heartbeat output; -1: none

	eng     *engine
	gen     int
	rec     *recording
	closing []*recording
	ring    ring
	n       uint64
	lag     int64 // age of the entry last taken, ns
	serials serials
	notices notices
	taken   int64 // bench time at which the newest entry was taken
	file    *description
	awake   *awake
	ticked  int64
	mark    *atomic.Int64
	ticks   chan struct{}

	simulated bool
	health    recordHealth
	shown     int64 // bench time at which the state was last published
	status    atomic.Pointer[stream.State]
	closed    func(id string, err error) // told when a run's file is closed
	work      chan func()                // jobs that wait on disk, done beside the loop
	prepare   func(store.Meta) (*recording, error)
	forward   *influx.Forwarder // nil: no copy to a database
	promoting bool              // a run is being made for an opening that nobody armed for
	left      *stream.RunState  // the run before, where the program ended during it; nil: it didn't, or somebody has begun another
}

// run takes entries until ctx is done, then makes safe: however it ends,
// outputs were demanded off and the read-back was waited for.
func (l *loop) run(ctx context.Context) {
	defer func() {
		if p := recover(); p != nil {
			l.offAll()
			l.log.Error().Interface("panic", p).Msg("the loop failed; outputs are demanded off")
			l.awaitOff(time.Second)
			panic(p)
		}
	}()
	for ctx.Err() == nil {
		l.turn(ctx.Done())
	}
	l.leave()
}

// turn waits for one input and takes it. Urgent ones go first.
func (l *loop) turn(done <-chan struct{}) {
	select {
	case m := <-l.in.urgent:
		l.step(m)
		return
	default:
	}
	if l.rec != nil && len(l.rec.backlog) > 0 {
		select {
		case m := <-l.in.urgent:
			l.step(m)
		case b := <-l.in.batches:
			l.step(message{entry: daq.Entry{Kind: daq.EntryBatch, Batch: b}})
		case <-l.ticks:
			l.tick()
		default:
			l.catchUp(feedInPause)
		}
		return
	}
	select {
	case m := <-l.in.urgent:
		l.step(m)
	case b := <-l.in.batches:
		l.step(message{entry: daq.Entry{Kind: daq.EntryBatch, Batch: b}})
	case <-l.ticks:
		l.tick()
	case <-done:
	}
}

// step takes one input: condition, watch, judge, demand, journal, publish.
func (l *loop) step(m message) {
	l.noticeStandstill()
	if m.look != nil {
		m.answer(m.look(l.eng))
		return
	}
	if m.entry.Kind == daq.EntryFinding && m.gen != l.gen {
		l.lateFinding(m)
		return
	}
	en := m.entry
	if en.Kind == daq.EntryCommand && en.Command.Verb == "end" && l.rec == nil {
		m.answer(errors.New("there is no run to end: begin one with arm or record"))
		return
	}
	if m.rec != nil && l.rec != nil && !l.makeRoom() {
		m.answer(errors.New("a run is being recorded: end it first"))
		return
	}
	en.At = l.time.Now()
	l.n++
	en.N = l.n
	if en.Batch != nil {
		l.lag = en.At - en.Batch.Arrived
	}
	live := l.rec != nil && l.rec.eng == l.eng
	if !live {
		l.ring.open(en.At, l.eng.snapshot)
	}
	l.serials.in(&en)
	out := l.eng.take(&en)
	for _, d := range out.Demands {
		l.owner[d.Output].demand(l.serials.out(d))
	}
	refusal := out.Refusal
	if en.Kind == daq.EntryCommand {
		l.hub.Command(*en.Command, refusal, en.At)
	}
	l.journal(m, en, out, live)
	l.show(out, live)
	l.advance(en.At)
	m.answer(refusal) // last, so that whoever asked finds the state already moved
}

// makeRoom ends a run that the program itself began, so that one that somebody
// asks for can begin.
func (l *loop) makeRoom() bool {
	if !l.rec.unasked {
		return false
	}
	for l.rec != nil && len(l.rec.backlog) > 0 {
		l.catchUp(feedInPause)
	}
	if l.rec != nil {
		l.step(message{entry: daq.Entry{Kind: daq.EntryCommand, Command: &daq.Command{Verb: "end", Who: "program", Args: map[string]string{"reason": "somebody began a run"}}}})
	}
	return l.rec == nil
}

// journal writes the entry and what it led to, and moves the run's life on.
func (l *loop) journal(m message, en daq.Entry, out *outcome, live bool) {
	switch {
	case live:
		r := l.rec
		put := r.put(en)
		r.note(put.N, out, l.heart)
		l.offer(r, out)
		if en.Kind == daq.EntryFinding {
			r.fits--
		}
		if isEnd(&en, out) {
			r.why = en.Command.Args["reason"]
			l.end(en.At)
		}
	case l.rec != nil:
		l.rec.backlog = append(l.rec.backlog, en)
		l.catchUp(feedWithLive)
	default:
		l.ring.add(en)
		l.idle.Append(en)
		l.offer(nil, out)
		if m.rec != nil && out.Refusal == nil {
			l.begin(m.rec, en.At)
		}
	}
}

// beginIdle gives the idle record its bench description: every file of it
// begins with the newest.
func (l *loop) beginIdle() error {
	s := l.eng.snapshot()
	s.Start = l.time.Now()
	body, err := json.Marshal(s)
	if err != nil {
		return err
	}
	l.n++
	l.idle.Append(daq.Entry{N: l.n, At: s.Start, Kind: daq.EntryConfig, Body: body})
	return nil
}

// begin starts a run: its engine begins where the ring does and is fed what
// the ring remembers, beside the live engine, until it has caught up.
func (l *loop) begin(r *recording, at int64) {
	from, backlog, ok := l.ring.take()
	if !ok {
		from = l.eng.snapshot()
	}
	from.Start, from.Algorithm, from.Bench = at, algorithm, l.bench
	if err := r.eng.restore(from); err != nil {
		l.log.Error().Err(err).Msg("run begins without what was known before it")
	}
	first := at
	if len(backlog) > 0 {
		first = backlog[0].At
	}
	r.armed, r.backlog, r.gen = at, backlog, l.gen+1
	if err := r.begin(from, first); err != nil {
		l.log.Error().Err(err).Msg("bench description did not go into the record")
	}
	l.rec, l.promoting = r, false
	l.hub.Run(&stream.RunState{ID: r.meta.ID, Specimen: r.meta.Specimen, Lot: r.meta.Lot, Shot: r.meta.Shot, Start: at, StartUTC: l.utc(at)}, at)
	l.log.Info().Str("run", r.meta.ID).Str("specimen", r.meta.Specimen).Int("before", len(backlog)).Msg("run begins")
}

// catchUp feeds the run's engine up to most entries that came before, and from
// feedWithLive on no more while something waits; when nothing is left it becomes
// the live one.
func (l *loop) catchUp(most int) {
	r := l.rec
	for k := range most {
		if len(r.backlog) == 0 || k >= feedWithLive && !l.in.empty() {
			break
		}
		en := r.backlog[0]
		r.backlog[0] = daq.Entry{}
		r.backlog = r.backlog[1:]
		en.N = r.n + 1
		out := r.eng.take(&en)
		r.put(en)
		r.note(en.N, out, l.heart)
		l.offer(r, out)
		if en.Kind == daq.EntryFinding {
			r.fits--
		}
		for i := range out.Events {
			l.hub.Event(out.Events[i])
		}
		if isEnd(&en, out) { // ended before it had caught up: what came later is not the run's
			r.why = en.Command.Args["reason"]
			l.swap()
			l.end(en.At)
			return
		}
	}
	if len(r.backlog) == 0 {
		l.swap()
	}
}

func isEnd(en *daq.Entry, out *outcome) bool {
	return en.Kind == daq.EntryCommand && en.Command.Verb == "end" && out.Refusal == nil
}

// swap makes the run's engine the live one and repeats every demand, so that
// outputs follow it whatever the two engines saw differently.
func (l *loop) swap() {
	r := l.rec
	l.eng, l.gen = r.eng, r.gen
	r.backlog = nil
	l.serials.follow(l.eng.judge.Serial())
	for _, d := range l.eng.judge.Demands() {
		l.owner[d.Output].demand(l.serials.out(d))
	}
	l.publish(l.time.Now())
}

// end closes the live run to everything but findings, and goes on with a fresh
// engine that knows what clocks and guard knew.
func (l *loop) end(at int64) {
	r := l.rec
	l.rec, r.ended = nil, at
	l.hub.Run(nil, at)
	l.closing = append(l.closing, r)
	next := r.after
	if err := next.restore(l.eng.snapshot()); err != nil {
		l.log.Error().Err(err).Msg("the engine after the run begins without what was known")
	}
	l.eng = next
	l.gen++
	l.ring.clear()
	l.settle(at)
}

// lateFinding takes a finding for an engine that is not the live one: a run
// that is catching up or one that has ended.
func (l *loop) lateFinding(m message) {
	en := m.entry
	en.At = l.time.Now()
	if r := l.rec; r != nil && r.gen == m.gen {
		r.backlog = append(r.backlog, en)
		return
	}
	for _, r := range l.closing {
		if r.gen != m.gen {
			continue
		}
		en.N = r.n + 1
		out := r.eng.take(&en)
		r.put(en)
		r.note(en.N, out, l.heart)
		r.fits--
		l.offer(r, out)
		for i := range out.Events {
			l.hub.Event(out.Events[i])
		}
	}
	l.settle(en.At)
}

// offer gives finished windows to the fit worker.
func (l *loop) offer(r *recording, out *outcome) {
	gen := l.gen
	if r != nil {
		gen = r.gen
	}
	for _, w := range out.Windows {
		if l.fit.offer(fitJob{gen: gen, window: w}) && r != nil {
			r.fits++
		}
	}
}

// settle closes the files of ended runs whose findings have all come.
func (l *loop) settle(now int64) {
	const patience = int64(30e9)
	kept := l.closing[:0]
	for _, r := range l.closing {
		if r.fits > 0 && now-r.ended < patience {
			kept = append(kept, r)
			continue
		}
		l.finish(r)
	}
	l.closing = kept
}

// finish closes a run's file beside the loop.
func (l *loop) finish(r *recording) {
	l.work <- func() {
		ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
		defer cancel()
		_, err := r.run.Close(ctx, store.End{At: r.ended, Note: r.why})
		if err != nil {
			l.log.Error().Err(err).Str("run", r.meta.ID).Msg("closing the run")
		} else {
			l.log.Info().Str("run", r.meta.ID).Uint64("entries", r.n).Msg("run closed")
		}
		if l.closed != nil {
			l.closed(r.meta.ID, err)
		}
	}
}

// tick tells everybody that time has passed.
func (l *loop) tick() {
	now := l.time.Now()
	if l.ticked != 0 && now-l.ticked < tickNS/2 {
		return
	}
	l.ticked = now
	l.step(message{entry: daq.Entry{Kind: daq.EntryTick, Wall: l.time.Wall()}})
	l.watchRecord(now)
	l.watchSelf()
	l.endUnasked(now)
	l.settle(now)
	l.hub.Flush(now)
	if now-l.shown >= int64(200e6) {
		l.publish(now)
	}
}

// advance tells simulated time how far the loop has come.
func (l *loop) advance(at int64) {
	if l.in.empty() {
		at = l.time.Now()
	}
	l.time.advance(l.mark, at)
}

// offAll demands every output off without asking anybody.
func (l *loop) offAll() {
	for i := range l.bench.Outputs {
		l.owner[i].demand(daq.Demand{Output: i, On: false, Serial: 1<<63 - 1})
	}
}

// awaitOff waits, after a failure of the loop, until every output was read back
// off or the time is over. Nothing is judged any more.
func (l *loop) awaitOff(patience time.Duration) {
	off := map[int]bool{}
	need := len(l.bench.Outputs)
	if l.heart >= 0 {
		need--
	}
	end := time.After(patience)
	for len(off) < need {
		select {
		case m := <-l.in.urgent:
			if r := m.entry.Readback; r != nil && r.Output != l.heart && r.State == daq.OutputOff {
				off[r.Output] = true
			}
		case <-l.in.batches:
		case <-end:
			l.log.Error().Msg("outputs were not read back off: go by the bench's own indicators")
			return
		}
	}
}

// leave makes safe, waits for the read-back, ends the run and closes it.
func (l *loop) leave() {
	l.step(message{entry: daq.Entry{Kind: daq.EntryCommand, Command: &daq.Command{Verb: "make-safe", Who: "program", Args: map[string]string{"reason": stopping}}}})
	limit := time.Now().Add(2 * time.Second)
	done := make(chan struct{})
	for time.Now().Before(limit) && !l.off() {
		timer := time.AfterFunc(20*time.Millisecond, func() {
			select {
			case done <- struct{}{}:
			default:
			}
		})
		l.turn(done)
		timer.Stop()
	}
	if !l.off() {
		l.log.Error().Msg("outputs were demanded off but not read back off: go by the bench's own indicators")
	}
	for l.rec != nil && len(l.rec.backlog) > 0 {
		l.catchUp(feedInPause)
	}
	if l.rec != nil {
		l.step(message{entry: daq.Entry{Kind: daq.EntryCommand, Command: &daq.Command{Verb: "end", Who: "program", Args: map[string]string{"reason": stopping}}}})
	}
	for limit = time.Now().Add(20 * time.Second); len(l.closing) > 0 && time.Now().Before(limit); {
		select {
		case m := <-l.in.urgent:
			if m.entry.Kind == daq.EntryFinding {
				l.lateFinding(m)
			}
		case <-time.After(50 * time.Millisecond):
			l.settle(l.time.Now())
		}
	}
	for _, r := range l.closing {
		l.finish(r)
	}
	l.closing = nil
}

func (l *loop) off() bool {
	for i := range l.bench.Outputs {
		if i == l.heart {
			continue
		}
		if v := l.eng.judge.Output(i); v.Want || !v.Agrees {
			return false
		}
	}
	return true
}

func (l *loop) utc(at int64) string {
	return time.Unix(0, l.time.Wall()-(l.time.Now()-at)).UTC().Format("2006-01-02T15:04:05.000000000Z")
}
