package stream

import (
	"errors"
	"sync"
)

// maxQueue bounds the events and alarms that wait for one viewer.
const maxQueue = 256

// ErrSlow tells that a viewer fell so far behind that events or alarms would
// have been lost: it is closed, joins again and is told what it missed.
var ErrSlow = errors.New("the viewer fell behind with events and alarms: connect again")

// A Viewer is one receiver of the feed. Take and Leave belong to the one
// goroutine that serves it.
type Viewer struct {
	hub  *Hub
	wake chan struct{}

	mu       sync.Mutex
	queue    []*Envelope // snapshot, runs, events, alarms: first come, first sent, none lost
	state    *Envelope   // newest only
	wholeRun bool        // the whole run is to be sent before the frames
	frames   []*Frame    // to be merged into one
	backlog  int         // how many of frames are history that the viewer joined with
	slow     bool
}

// A Message is an envelope or a frame, whichever is not nil.
type Message struct {
	Envelope *Envelope
	Frame    *Frame
}

// Wake receives when there may be something to take.
func (v *Viewer) Wake() <-chan struct{} { return v.wake }

// Take returns the next message; false: nothing now. Events, alarms and the
// newest state come before samples. Frames that piled up come as one. After
// ErrSlow nothing more comes.
func (v *Viewer) Take() (Message, bool, error) {
	v.mu.Lock()
	switch {
	case v.slow:
		v.mu.Unlock()
		return Message{}, false, ErrSlow
	case len(v.queue) > 0:
		e := v.queue[0]
		v.queue[0] = nil
		v.queue = v.queue[1:]
		v.mu.Unlock()
		return Message{Envelope: e}, true, nil
	case v.state != nil:
		e := v.state
		v.state = nil
		v.mu.Unlock()
		return Message{Envelope: e}, true, nil
	case v.wholeRun:
		v.wholeRun = false
		v.mu.Unlock()
		return Message{Frame: v.hub.wholeRun()}, true, nil
	}
	frames, backlog := v.frames, v.backlog
	v.frames, v.backlog = nil, 0
	v.mu.Unlock()
	switch len(frames) {
	case 0:
		return Message{}, false, nil
	case 1:
		return Message{Frame: frames[0]}, true, nil
	}
	if n := len(frames) - max(backlog, 1); n > 0 {
		v.hub.skipped(n)
	}
	return Message{Frame: mergeFrames(frames)}, true, nil
}

// Leave takes the viewer out of the hub. It may be called more than once.
func (v *Viewer) Leave() { v.hub.leave(v) }

func (v *Viewer) signal() {
	select {
	case v.wake <- struct{}{}:
	default:
	}
}

// offer queues an envelope; false: the queue is full and the viewer is closed.
func (v *Viewer) offer(e *Envelope) bool {
	v.mu.Lock()
	full := len(v.queue) >= maxQueue
	if full {
		v.slow, v.queue, v.frames, v.state = true, nil, nil, nil
	} else {
		v.queue = append(v.queue, e)
	}
	v.mu.Unlock()
	v.signal()
	return !full
}

func (v *Viewer) offerState(e *Envelope) {
	v.mu.Lock()
	v.state = e
	v.mu.Unlock()
	v.signal()
}

// offerFrame adds a frame. When the bound is reached the oldest goes, and the
// whole run is sent again, which holds what the lost frame held.
func (v *Viewer) offerFrame(f *Frame) {
	v.mu.Lock()
	if len(v.frames) >= 2*maxFrames {
		v.frames[0] = nil
		v.frames = v.frames[1:]
		v.backlog = max(0, v.backlog-1)
		v.wholeRun = true
	}
	v.frames = append(v.frames, f)
	v.mu.Unlock()
	v.signal()
}
