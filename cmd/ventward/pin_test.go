package main

import (
	"context"
	"errors"
	"sync"
	"testing"
	"time"

	"ventward/daq"
)

// fakeLines stands in for a port with control lines, which a pseudo-terminal
// has not.
type fakeLines struct {
	mu       sync.Mutex
	rts, dtr []bool
	err      error
}

func (f *fakeLines) SetRTS(on bool) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.rts = append(f.rts, on)
	return f.err
}

func (f *fakeLines) SetDTR(on bool) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.dtr = append(f.dtr, on)
	return f.err
}

// Edges of the heartbeat go out on the line that the bench names, each is
// answered with what the port took, and one that can't be written is unknown.
func TestPinSendsEdges(t *testing.T) {
	for _, name := range []string{"rts", "dtr"} {
		f := &fakeLines{}
		in := newInbox()
		p := newPin(3, name, func() controlLines { return f }, in)
		ctx, stop := context.WithCancel(context.Background())
		ended := make(chan struct{})
		go func() { defer close(ended); p.run(ctx) }()
		for i := range 6 {
			p.demand(daq.Demand{Output: 3, On: i%2 == 0, Serial: uint64(i + 1)})
			r := readback(t, in)
			if r.Output != 3 || r.Serial != uint64(i+1) || (r.State == daq.OutputOn) != (i%2 == 0) || r.State == daq.OutputUnknown {
				t.Fatalf("%s, edge %d: %+v", name, i, r)
			}
		}
		f.mu.Lock()
		f.err = errors.New("the device is away")
		sent := map[string][]bool{"rts": f.rts, "dtr": f.dtr}[name]
		other := len(f.rts) + len(f.dtr) - len(sent)
		f.mu.Unlock()
		if len(sent) != 6 || sent[0] == sent[1] || other != 0 {
			t.Errorf("%s: sent %v, and %d on the other line", name, sent, other)
		}
		p.demand(daq.Demand{Output: 3, On: true, Serial: 7})
		if r := readback(t, in); r.State != daq.OutputUnknown || r.Reason == "" || r.Serial != 7 {
			t.Errorf("%s: an edge that can't be written: %+v", name, r)
		}
		stop()
		<-ended
	}
}

// A pin whose port is not open says so; demands that pile up are one: the
// newest.
func TestPinWithoutPort(t *testing.T) {
	in := newInbox()
	p := newPin(0, "rts", func() controlLines { return nil }, in)
	for i := range 100 {
		p.demand(daq.Demand{Serial: uint64(i)})
	}
	p.send()
	p.send()
	if r := readback(t, in); r.State != daq.OutputUnknown || r.Serial != 99 {
		t.Errorf("%+v", r)
	}
	if len(in.urgent) != 0 {
		t.Error("a demand was answered twice")
	}
}

func readback(t *testing.T, in *inbox) daq.Readback {
	t.Helper()
	select {
	case m := <-in.urgent:
		if m.entry.Readback == nil {
			t.Fatalf("%+v", m.entry)
		}
		return *m.entry.Readback
	case <-time.After(20 * time.Second):
		t.Fatal("an edge was not answered")
	}
	return daq.Readback{}
}
