package main

import (
	"context"
	"sync"

	"ventward/daq"
)

// controlLines are a port's outputs that a level can be put on.
type controlLines interface {
	SetRTS(on bool) error
	SetDTR(on bool) error
}

// A pin carries the heartbeat on a control line of a port. That the operating
// system took the level is all that is read back: whether the relay saw the
// edge, nothing here can tell.
type pin struct {
	output int
	line   string              // rts or dtr
	port   func() controlLines // nil while the port is not open
	in     *inbox
	hurry  func() // called once by run
	wake   chan struct{}

	mu     sync.Mutex
	newest daq.Demand
	due    bool
}

func newPin(output int, line string, port func() controlLines, in *inbox) *pin {
	return &pin{output: output, line: line, port: port, in: in, hurry: func() {}, wake: make(chan struct{}, 1)}
}

// demand sets the newest wish. It never waits: an edge that was not yet sent is
// replaced by the newer one.
func (p *pin) demand(d daq.Demand) {
	p.mu.Lock()
	p.newest, p.due = d, true
	p.mu.Unlock()
	select {
	case p.wake <- struct{}{}:
	default:
	}
}

// run sends what is wished until ctx is done; what is wished then is still
// sent.
func (p *pin) run(ctx context.Context) {
	p.hurry()
	for {
		select {
		case <-p.wake:
			p.send()
		case <-ctx.Done():
			p.send()
			return
		}
	}
}

func (p *pin) send() {
	p.mu.Lock()
	d, due := p.newest, p.due
	p.due = false
	p.mu.Unlock()
	if !due {
		return
	}
	back := daq.Readback{Output: p.output, Serial: d.Serial, State: daq.OutputOff}
	if d.On {
		back.State = daq.OutputOn
	}
	if err := p.set(d.On); err != nil {
		back.State, back.Reason = daq.OutputUnknown, err.Error()
	}
	p.in.post(message{entry: daq.Entry{Kind: daq.EntryReadback, Readback: &back}})
}

func (p *pin) set(on bool) error {
	port := p.port()
	switch {
	case port == nil:
		return errNotOpen
	case p.line == "dtr":
		return port.SetDTR(on)
	}
	return port.SetRTS(on)
}
