package main

import (
	"sync"
	"sync/atomic"
	"time"

	"ventward/sim"
)

// timebase is the daemon's monotonic clock. A real bench and a simulated one
// at its natural speed use the machine's; a simulated bench at another speed
// lends its own, so that time-outs and silences mean simulated seconds.
type timebase struct {
	page     *sim.Page
	epochUTC int64 // wall clock of bench time zero, ns; for simulated time only

	mu    sync.Mutex
	marks []*atomic.Int64
}

func machineTime() *timebase { return &timebase{} }

func simulatedTime(p *sim.Page) *timebase {
	return &timebase{page: p, epochUTC: time.Now().UnixNano() - p.Now()}
}

// Now is bench time in ns.
func (t *timebase) Now() int64 {
	if t.page != nil {
		return t.page.Now()
	}
	return sim.Monotonic()
}

// Wall is the wall clock in ns since 1970, as the machine tells it now.
func (t *timebase) Wall() int64 {
	if t.page != nil {
		return t.epochUTC + t.page.Now()
	}
	return machineWall()
}

// machineWall is the machine's wall clock; tests set it as somebody would.
var machineWall = func() int64 { return time.Now().UnixNano() }

// coarse is how often simulated time is looked at while waiting for it.
const coarse = 100 * time.Microsecond

// wait returns when bench time has reached until, or wake has something, or
// quit is closed (false).
func (t *timebase) wait(until int64, wake, quit <-chan struct{}, mark *atomic.Int64) bool {
	for {
		now := t.Now()
		if mark != nil {
			t.advance(mark, now)
		}
		left := time.Duration(until - now)
		if left <= 0 {
			return true
		}
		if t.page != nil {
			left = coarse
		}
		timer := time.NewTimer(left)
		select {
		case <-wake:
			timer.Stop()
			return true
		case <-quit:
			timer.Stop()
			return false
		case <-timer.C:
		}
	}
}

// participant registers a goroutine that simulated time must not outrun.
func (t *timebase) participant() *atomic.Int64 {
	m := &atomic.Int64{}
	m.Store(t.Now())
	t.mu.Lock()
	defer t.mu.Unlock()
	t.marks = append(t.marks, m)
	return m
}

// advance notes that a participant has caught up to bench time at, and tells
// the simulated bench how far all have.
func (t *timebase) advance(m *atomic.Int64, at int64) {
	if t.page == nil {
		return
	}
	m.Store(at)
	t.mu.Lock()
	defer t.mu.Unlock()
	low := at
	for _, p := range t.marks {
		low = min(low, p.Load())
	}
	t.page.SetProgress(low)
}

// retire takes a participant out: it no longer holds time back.
func (t *timebase) retire(m *atomic.Int64) {
	m.Store(1<<63 - 1)
}
