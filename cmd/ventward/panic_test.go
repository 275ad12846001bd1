package main

import (
	"strings"
	"testing"
	"time"

	"ventward/daq"
)

// faultyDecoder stands for a defect of the program.
type faultyDecoder struct{ daq.Decoder }

func (faultyDecoder) Feed([]byte, int64, []*daq.Batch) []*daq.Batch {
	var none []int
	_ = none[1]
	return nil
}

// A panic in a goroutine beside the loop ends the daemon in the safe direction:
// the supply is written off and read back, then the program ends with an error
// that says what failed.
func TestPanicMakesSafe(t *testing.T) {
	s := newStandIn(t)
	s.ready(t)
	select {
	case <-s.open:
	case <-time.After(5 * time.Second):
		t.Fatal("the supply coil was not written on")
	}
	s.high.Store(true) // from here on an off is told
	ln := s.d.lines[0]
	ln.mu.Lock()
	ln.decoder = faultyDecoder{ln.decoder}
	ln.mu.Unlock()
	select {
	case <-s.shut:
	case <-time.After(5 * time.Second):
		t.Fatal("the supply coil was not written off after the panic")
	}
	select {
	case err := <-s.ended:
		if err == nil || !strings.Contains(err.Error(), "decoder of fast") {
			t.Errorf("the daemon ended with %v", err)
		}
		s.ended <- nil
	case <-time.After(20 * time.Second):
		t.Fatal("the daemon did not end")
	}
}
