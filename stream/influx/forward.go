package influx

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"net/url"
	"os"
	"sync"
	"time"
)

// Options is the option struct of a Forwarder. Zero durations and counts mean
// the defaults named.
type Options struct {
	URL    string // http://HOST:PORT
	Token  string // "user:password" for a 1.8 server
	Org    string // 2.x only
	Bucket string // of a 1.8 server "database/retention policy"
	Bench  string // tag of every point
	Dir    string // folder of cursor and quarantine; made if absent

	AtOnce   int           // lines a request at most; 5000
	Timeout  time.Duration // of a request; 5 s
	MinPause time.Duration // first pause after a failure; 250 ms
	MaxPause time.Duration // longest pause; 30 s
	Poll     time.Duration // pause when nothing new is stored; 500 ms
	// Notice is told when the status changes for better or worse, from the
	// forwarder's own goroutine; it may log. May be nil.
	Notice func(Status)
}

// Status is what a Forwarder is at. Counters only grow.
type Status struct {
	Up       bool      // the last request was accepted
	Error    string    // why nothing goes on, and what to do; empty while Up
	Cursor   Cursor    // all up to here is in the database
	Points   uint64    // lines accepted since the cursor's file was made
	Refused  uint64    // lines in quarantine since the start
	Reason   string    // of the newest refused line
	Moved    uint64    // samples whose stamp was moved on to keep stamps increasing
	Empty    uint64    // samples with neither value nor flag, not sent
	Failures uint64    // requests that had to be repeated
	BehindS  float64   // age of the oldest point not yet sent, s
	Since    time.Time // of Up or of Error
}

// Forwarder copies what a Source stores to one bucket. Its Run belongs to one
// goroutine; Status may be called from any.
type Forwarder struct {
	o      Options
	source Source
	w      *writer
	q      *quarantine
	enc    *encoder
	disk   state
	atOnce int
	sent   uint64 // lines of the batch in hand that were accepted

	mu     sync.Mutex
	status Status
}

// New returns a forwarder that goes on where the one before it in the same
// folder stopped.
func New(o Options, source Source) (*Forwarder, error) {
	if u, err := url.Parse(o.URL); err != nil || u.Host == "" || (u.Scheme != "http" && u.Scheme != "https") {
		return nil, fmt.Errorf("influx: %q is no web address; write it as http://HOST:PORT", o.URL)
	}
	if o.Bucket == "" || o.Bench == "" || o.Dir == "" || source == nil {
		return nil, errors.New("influx: bucket, bench, folder and source must all be given")
	}
	o = o.withDefaults()
	if err := os.MkdirAll(o.Dir, 0o700); err != nil {
		return nil, fmt.Errorf("influx: %w; give a folder that can be written", err)
	}
	disk, err := loadState(o.Dir)
	if err != nil {
		return nil, err
	}
	f := &Forwarder{o: o, source: source, w: newWriter(o), q: &quarantine{dir: o.Dir, limit: maxQuarantine}, enc: newEncoder(o.Bench), disk: disk, atOnce: o.AtOnce}
	f.enc.last = maps.Clone(disk.Last)
	f.enc.bad = func(line, reason string) error { return f.q.add(line, "can't be written as line protocol: "+reason) }
	f.status = Status{Cursor: disk.Cursor, Points: disk.Points, Since: time.Now()}
	return f, nil
}

func (o Options) withDefaults() Options {
	if o.AtOnce <= 0 {
		o.AtOnce = 5000
	}
	for _, d := range []struct {
		p *time.Duration
		v time.Duration
	}{{&o.Timeout, 5 * time.Second}, {&o.MinPause, 250 * time.Millisecond}, {&o.MaxPause, 30 * time.Second}, {&o.Poll, 500 * time.Millisecond}} {
		if *d.p <= 0 {
			*d.p = d.v
		}
	}
	return o
}

// Run forwards until ctx ends, and returns nil then. It never gives up: what
// goes wrong is in Status, and it goes on when the cause is gone.
func (f *Forwarder) Run(ctx context.Context) error {
	defer f.w.client.Close()
	pause := f.o.MinPause
	for ctx.Err() == nil {
		again, err := f.step(ctx)
		switch {
		case ctx.Err() != nil:
			return nil
		case err != nil:
			f.holding(err.Error())
			sleep(ctx, pause)
			pause = min(2*pause, f.o.MaxPause)
		case !again:
			sleep(ctx, f.o.Poll)
			pause = f.o.MinPause
		default:
			pause = f.o.MinPause
		}
	}
	return nil
}

// step sends one batch. again is false when nothing new was stored. After an
// error the same batch is read and encoded once more, with the same stamps.
func (f *Forwarder) step(ctx context.Context) (again bool, err error) {
	b, err := f.source.Next(ctx, f.disk.Cursor, f.o.AtOnce)
	if err != nil {
		return false, fmt.Errorf("influx: reading stored runs: %w", err)
	}
	f.behind(b.BehindS)
	if b.Upto == f.disk.Cursor {
		return false, nil
	}
	f.enc.last = maps.Clone(f.disk.Last)
	if b.Upto.Run != f.disk.Cursor.Run {
		clear(f.enc.last) // stamps increase within a run
	}
	l, err := f.enc.batch(&b)
	if err != nil {
		return false, err
	}
	f.sent = 0
	if err := f.sendAll(ctx, l, 0, l.len()); err != nil {
		return false, err
	}
	next := state{Cursor: b.Upto, Last: f.enc.last, Points: f.disk.Points + f.sent}
	if err := saveState(f.o.Dir, next); err != nil {
		return false, err
	}
	f.disk = next
	f.advance()
	return true, nil
}

// Status returns what the forwarder is at.
func (f *Forwarder) Status() Status {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.status
}

// set changes the status and tells Notice when it is better or worse.
func (f *Forwarder) set(change func(*Status)) {
	f.mu.Lock()
	before := f.status
	change(&f.status)
	turned := before.Up != f.status.Up || before.Error != f.status.Error
	if turned {
		f.status.Since = time.Now()
	}
	now := f.status
	f.mu.Unlock()
	if f.o.Notice != nil && (turned || now.Refused != before.Refused) {
		f.o.Notice(now)
	}
}

func (f *Forwarder) accept(n int) {
	f.sent += uint64(n)
	f.set(func(s *Status) { s.Up, s.Error = true, "" })
}

func (f *Forwarder) refused(reason string) {
	f.set(func(s *Status) { s.Refused, s.Reason = f.q.count, clip(reason) })
}

func (f *Forwarder) holding(reason string) {
	f.set(func(s *Status) { s.Up, s.Error = false, reason; s.Failures++ })
}

func (f *Forwarder) behind(s float64) { f.set(func(st *Status) { st.BehindS = s }) }

func (f *Forwarder) advance() {
	f.set(func(s *Status) {
		s.Cursor, s.Points, s.Refused = f.disk.Cursor, f.disk.Points, f.q.count
		s.Moved += f.enc.moved
		s.Empty += f.enc.empty
	})
}
