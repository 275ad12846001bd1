package main

import (
	"fmt"
	"slices"
	"time"

	"github.com/rs/zerolog"

	"ventward/config"
	"ventward/daq"
)

// A listener reads instruments outside the daemon. It opens no port that
// carries an output: opening a port raises its control lines.
type listener struct {
	in    *inbox
	time  *timebase
	eng   *engine
	lines []*line
}

func newListener(b *config.Bench) (*listener, error) {
	l := &listener{in: newInbox(), time: machineTime()}
	var err error
	if l.eng, err = newEngine(setup{Bench: b}); err != nil {
		return nil, err
	}
	return l, nil
}

// carries tells whether outputs are switched through the instrument.
func (l *listener) carries(instrument int) bool {
	return slices.ContainsFunc(l.eng.bench.Outputs, func(o daq.Output) bool { return o.Instrument == instrument })
}

// open opens the instrument's port.
func (l *listener) open(instrument int) error {
	if l.carries(instrument) {
		return fmt.Errorf("it carries outputs, so that only `ventward serve` may open it")
	}
	ln, err := newLine(instrument, l.eng.bench.Instruments[instrument], l.in, l.time, zerolog.Nop())
	if err == nil {
		err = ln.open()
	}
	if err != nil {
		return err
	}
	l.lines = append(l.lines, ln)
	return nil
}

func (l *listener) close() {
	for _, ln := range l.lines {
		ln.close()
	}
}

// listen takes what comes for the time d, or until stop is closed where that is
// sooner, and calls each after every batch.
func (l *listener) listen(d time.Duration, stop <-chan struct{}, each func()) {
	end := time.After(d)
	for {
		select {
		case bt := <-l.in.batches:
			l.eng.take(&daq.Entry{At: l.time.Now(), Kind: daq.EntryBatch, Batch: bt})
			if each != nil {
				each()
			}
		case <-l.in.urgent:
		case <-stop:
			return
		case <-end:
			return
		}
	}
}
