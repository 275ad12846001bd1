package stream

import (
	"sync"

	"ventward/detect"
	"ventward/guard"
)

// EnvelopeKind tells what an envelope carries.
type EnvelopeKind string

const (
	KindSnapshot EnvelopeKind = "snapshot" // Run, Events, Alarms, State: what a viewer needs who has just come
	KindRun      EnvelopeKind = "run"      // Run began, or (Ended) is over
	KindEvent    EnvelopeKind = "event"    // Event, new or revised
	KindAlarm    EnvelopeKind = "alarm"    // Alarm, new or changed
	KindState    EnvelopeKind = "state"    // State
)

// An Envelope is one message that is not a frame. It is never changed once the
// hub has it: all viewers share it and its encoding.
type Envelope struct {
	Kind   EnvelopeKind
	Run    *RunState // the run being recorded or last recorded; nil: none since the daemon started
	Ended  int64     // bench time at which Run ended, ns; 0: it is being recorded
	Event  *detect.Event
	Alarm  *guard.Alarm
	State  *State
	Events []detect.Event // KindSnapshot: newest revisions, in the order they were first seen
	Alarms []guard.Alarm  // KindSnapshot: those not yet answered and gone, and those the viewer asked for
	// Start is the bench time from which _s fields count: the run's time zero,
	// 0 where there was no run yet.
	Start int64
	// Wall is the wall clock minus bench time in ns, by the newest state; 0:
	// not known.
	Wall int64

	once sync.Once
	data []byte
}

// Encoded returns the envelope as encode writes it. encode is called once,
// whatever number of viewers ask; the slice is shared: read only.
func (e *Envelope) Encoded(encode func(*Envelope) []byte) []byte {
	e.once.Do(func() { e.data = encode(e) })
	return e.data
}
