package main

import (
	"errors"
	"fmt"
	"sync"
	"sync/atomic"
	"time"

	"github.com/rs/zerolog"

	"ventward/config"
	"ventward/daq"
	"ventward/daq/port"
	"ventward/daq/wire"
)

// A line is one instrument's serial line: its port, its protocol, and the way
// of its readings to the loop. Streaming instruments are decoded in the port's
// own reader goroutine; instruments that must be asked have one goroutine more,
// the owner of the line's outputs.
type line struct {
	index int
	inst  config.Instrument
	in    *inbox
	time  *timebase
	log   zerolog.Logger

	mu      sync.Mutex // guards decoder, asker, pending and counters
	decoder daq.Decoder
	asker   daq.Asker
	pending []daq.Demand
	refused uint64 // rows refused since the last batch that got through
	total   uint64 // rows refused in all
	dropped uint64 // byte bursts dropped by a full queue
	up      bool
	why     string

	caught func(what string) // turns a panic into the daemon's end; nil: panics go on
	hurry  func()            // called once by each goroutine that a trip waits for
	begun  bool              // the reader's goroutine has called it

	heard atomic.Int64  // machine time of the last bytes
	mark  *atomic.Int64 // newest bench time this line has delivered (simulated time only)
	bytes chan burst
	wake  chan struct{}
	quit  chan struct{}
	done  chan struct{}
	link  *port.Link
	buf   []*daq.Batch
}

type burst struct {
	p  []byte
	at int64
}

func newLine(index int, inst config.Instrument, in *inbox, tb *timebase, log zerolog.Logger) (*line, error) {
	l := &line{index: index, inst: inst, in: in, time: tb, hurry: func() {}, log: log.With().Str("instrument", inst.Name).Logger(),
		bytes: make(chan burst, 256), wake: make(chan struct{}, 1), quit: make(chan struct{}), done: make(chan struct{})}
	var err error
	switch {
	case inst.Line != nil:
		l.decoder, err = wire.NewLine(*inst.Line, inst.Instrument, index)
	case inst.Frame != nil:
		l.decoder, err = wire.NewFrame(*inst.Frame, inst.Instrument, index)
	case inst.Modbus != nil:
		l.asker, err = wire.NewModbus(*inst.Modbus, inst.Instrument, index)
	case inst.Query != nil:
		l.asker, err = wire.NewQuery(*inst.Query, inst.Instrument, index)
	default:
		err = fmt.Errorf("protocol %q is not known: use line, frame, modbus or query", inst.Protocol)
	}
	if err != nil {
		return nil, fmt.Errorf("instrument %s: %w", inst.Name, err)
	}
	return l, nil
}

// open opens the port and begins to read.
func (l *line) open() error {
	l.mark = l.time.participant()
	l.mark.Add(l.quiet())
	p := l.inst.Port
	link, err := port.Open(port.Options{Path: p.Path, Baud: p.Baud, DataBits: p.DataBits, StopBits: p.StopBits, Parity: p.Parity, Now: l.time.Now}, l)
	if err != nil {
		l.time.retire(l.mark)
		return fmt.Errorf("instrument %s: %w", l.inst.Name, err)
	}
	l.mu.Lock()
	l.link = link
	l.mu.Unlock()
	if l.asker == nil {
		close(l.done)
		return nil
	}
	go l.own()
	return nil
}

// close ends the line's goroutines and closes its port.
func (l *line) close() {
	if l.link == nil {
		return
	}
	close(l.quit)
	<-l.done
	if err := l.link.Close(); err != nil {
		l.log.Warn().Err(err).Msg("closing the port")
	}
	l.time.retire(l.mark)
}

// Up is called by the port's reader when it opened or came back.
func (l *line) Up() {
	if !l.begun {
		l.begun = true
		l.hurry()
	}
	l.mu.Lock()
	first := !l.up && l.why == ""
	l.up, l.why = true, ""
	l.mu.Unlock()
	if !first {
		l.log.Info().Msg("port is back")
	}
	l.reset(true, "")
}

// Down is called by the port when it went away; it is being reopened.
func (l *line) Down(err error) {
	l.mu.Lock()
	l.up, l.why = false, err.Error()
	l.mu.Unlock()
	l.log.Warn().Err(err).Msg("port went away; reopening")
	l.reset(false, err.Error())
}

func (l *line) reset(up bool, why string) {
	l.mu.Lock()
	if l.decoder != nil {
		l.decoder.Reset()
	} else {
		l.asker.Reset(l.time.Now())
	}
	l.mu.Unlock()
	l.in.post(message{entry: daq.Entry{Kind: daq.EntryLink, Link: &daq.LinkState{Instrument: l.index, Up: up, Reason: why}}})
	l.nudge()
}

// Bytes is called by the port's reader with what it read. It never waits.
func (l *line) Bytes(p []byte, at int64) {
	if l.caught != nil {
		defer l.caught("the decoder of " + l.inst.Name)
	}
	l.heard.Store(time.Now().UnixNano())
	if l.asker != nil {
		select {
		case l.bytes <- burst{append([]byte(nil), p...), at}:
			l.nudge()
		default:
			l.mu.Lock()
			l.dropped++
			l.mu.Unlock()
		}
		return
	}
	l.decode(p, at)
	l.time.advance(l.mark, at+l.quiet())
}

// quiet is how long after a row of a stream no other is due, ns: so far
// simulated time may go on without waiting for this line.
func (l *line) quiet() int64 {
	if l.asker != nil || l.inst.RateHz <= 0 {
		return 0
	}
	return int64(0.9e9 / l.inst.RateHz)
}

func (l *line) decode(p []byte, at int64) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.buf = l.decoder.Feed(p, at, l.buf[:0])
	for _, b := range l.buf {
		l.deliver(b)
	}
	clear(l.buf)
}

// deliver offers a batch to the loop; what is refused is counted in the next
// batch that gets through.
func (l *line) deliver(b *daq.Batch) {
	b.Refused = uint32(min(l.refused, 1<<32-1))
	if l.in.batch(b) {
		l.refused = 0
		return
	}
	l.refused += uint64(b.K)
	l.total += uint64(b.K)
}

// demand sets the newest wish for an output of this line. It never waits.
func (l *line) demand(d daq.Demand) {
	l.mu.Lock()
	l.pending = append(l.pending, d) // bounded: the owner takes all at its next turn
	if len(l.pending) > 64 {
		l.pending = l.pending[len(l.pending)-64:]
	}
	l.mu.Unlock()
	l.nudge()
}

func (l *line) nudge() {
	select {
	case l.wake <- struct{}{}:
	default:
	}
}

// own drives the asker until the line is closed.
func (l *line) own() {
	defer close(l.done)
	if l.caught != nil {
		defer l.caught("the owner of " + l.inst.Name)
	}
	l.hurry()
	for {
		again := l.turn()
		if !l.time.wait(again, l.wake, l.quit, l.mark) {
			l.turn()
			return
		}
	}
}

// turn hands bytes and demands to the asker, sends what it wants, and passes
// on what came. It returns when to come again. The port is written to without
// the lock, so that the loop never waits for a line.
func (l *line) turn() int64 {
	for {
		send, again := l.ask()
		if len(send) == 0 {
			return again
		}
		err := l.write(send)
		l.mu.Lock()
		l.asker.Sent(l.time.Now(), err)
		l.mu.Unlock()
		if err != nil {
			return again
		}
	}
}

// ask feeds the asker and returns what it wants to send now and when to come
// again.
func (l *line) ask() ([]byte, int64) {
	l.mu.Lock()
	defer l.mu.Unlock()
	for more := true; more; {
		select {
		case b := <-l.bytes:
			l.asker.Feed(b.p, b.at)
		default:
			more = false
		}
	}
	for _, d := range l.pending {
		l.asker.Demand(d)
	}
	l.pending = l.pending[:0]
	send, again := l.asker.Next(l.time.Now())
	batches, backs := l.asker.Take()
	for _, b := range batches {
		l.deliver(b)
	}
	for i := range backs {
		l.in.post(message{entry: daq.Entry{Kind: daq.EntryReadback, Readback: &backs[i]}})
	}
	return send, again
}

// errNotOpen tells that a port was never opened.
var errNotOpen = errors.New("port is not open")

// lines lends the port's control lines; nil while it is not open.
func (l *line) lines() controlLines {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.link == nil {
		return nil
	}
	return l.link
}

func (l *line) write(p []byte) error {
	if l.link == nil {
		return errNotOpen
	}
	return l.link.Write(p)
}

// lineHealth is what the screen shows of a line.
type lineHealth struct {
	up       bool
	why      string
	counters daq.Counters
}

func (l *line) health() lineHealth {
	l.mu.Lock()
	defer l.mu.Unlock()
	h := lineHealth{up: l.up, why: l.why}
	if l.decoder != nil {
		h.counters = l.decoder.Counters()
	} else {
		h.counters = l.asker.Counters()
	}
	h.counters.Refused = l.total
	h.counters.Discarded += l.dropped
	return h
}
