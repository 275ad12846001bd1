package main

import (
	"context"
	"encoding/json"
	"sync/atomic"

	"ventward/analysis"
	"ventward/config"
	"ventward/daq"
	"ventward/detect"
)

// fitQueue bounds the windows that wait to be fitted.
const fitQueue = 64

type fitJob struct {
	gen    int
	window detect.Window
}

// fitWorker fits finished windows beside the loop. What it finds enters the
// loop as an entry; interlocks never wait for it.
type fitWorker struct {
	bench   *config.Bench
	in      *inbox
	jobs    chan fitJob
	waiting atomic.Int64  // jobs given and not yet answered
	refused atomic.Uint64 // jobs refused because the queue was full
	done    chan struct{}
}

func newFitWorker(b *config.Bench, in *inbox) *fitWorker {
	return &fitWorker{bench: b, in: in, jobs: make(chan fitJob, fitQueue), done: make(chan struct{})}
}

// offer gives a window; false: the queue is full and the event keeps what the
// trigger knew.
func (f *fitWorker) offer(j fitJob) bool {
	f.waiting.Add(1)
	select {
	case f.jobs <- j:
		return true
	default:
		f.waiting.Add(-1)
		f.refused.Add(1)
		return false
	}
}

// run fits until ctx is done.
func (f *fitWorker) run(ctx context.Context) {
	defer close(f.done)
	_ = behind.take()
	for {
		select {
		case <-ctx.Done():
			return
		case j := <-f.jobs:
			body := findingBody(fit(f.bench, j.window))
			f.in.post(message{entry: daq.Entry{Kind: daq.EntryFinding, Body: body}, gen: j.gen})
			f.waiting.Add(-1)
		}
	}
}

// fit is the one call of analysis that live, analyze and verify share.
func fit(b *config.Bench, w detect.Window) detect.Finding {
	if w.Rise {
		return analysis.FitFirstVenting(w, b.Channels[w.Channel])
	}
	return analysis.FitOpening(w, b.Channels[w.Channel], b.Detect)
}

func findingBody(f detect.Finding) json.RawMessage {
	body, err := json.Marshal(f)
	if err != nil { // a figure that JSON can't carry (infinite): say that there is none
		body, _ = json.Marshal(detect.Finding{Event: f.Event, Serial: f.Serial, Final: f.Final, Absent: map[string]string{"pressure_bar": "the fit gave no finite figure"}})
	}
	return body
}
