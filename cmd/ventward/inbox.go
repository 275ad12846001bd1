package main

import (
	"sync/atomic"

	"ventward/daq"
)

// Bounds of the loop's queues. At 200 batches a second and instrument the
// first holds seconds of a stalled loop.
const (
	batchQueue  = 4096
	urgentQueue = 1024
)

// message is one input on its way to the loop.
type message struct {
	entry daq.Entry
	gen   int                 // findings: the engine that asked
	rec   *recording          // arm: the run that was made for it
	reply chan<- error        // commands: nil error when done
	look  func(*engine) error // not an input: answered from what the live engine knows, and not recorded
}

// answer tells whoever gave a command what came of it. The reply has room for
// one answer, so this never waits.
func (m *message) answer(err error) {
	if m.reply != nil {
		m.reply <- err
	}
}

// inbox holds what waits for the loop. Batches never displace commands,
// read-backs and findings.
type inbox struct {
	batches chan *daq.Batch
	urgent  chan message
	refused atomic.Uint64 // urgent messages refused because the queue was full
}

func newInbox() *inbox {
	return &inbox{batches: make(chan *daq.Batch, batchQueue), urgent: make(chan message, urgentQueue)}
}

// batch offers a batch; false: the queue was full.
func (in *inbox) batch(b *daq.Batch) bool {
	select {
	case in.batches <- b:
		return true
	default:
		return false
	}
}

// post offers an urgent message; false: the queue was full, which is counted.
func (in *inbox) post(m message) bool {
	select {
	case in.urgent <- m:
		return true
	default:
		in.refused.Add(1)
		return false
	}
}

func (in *inbox) empty() bool { return len(in.batches) == 0 && len(in.urgent) == 0 }
