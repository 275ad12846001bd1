package stream

import (
	"fmt"
	"slices"
	"sync"
	"time"

	"ventward/daq"
	"ventward/detect"
	"ventward/guard"
)

const (
	maxEvents = 2048 // of a run
	maxAlarms = 1024
	// DefaultMaxViewers bounds the viewers where HubOptions names no number.
	DefaultMaxViewers = 512
)

// HubOptions describes a hub.
type HubOptions struct {
	Channels   []daq.Channel
	MaxViewers int // 0: DefaultMaxViewers
}

// Stats counts what a hub did and refused. Every field but Viewers only grows.
type Stats struct {
	Viewers       int    // now
	Joined        uint64 //
	Turned        uint64 // viewers turned away because there were too many
	Slow          uint64 // viewers closed because they fell behind with events and alarms
	Frames        uint64 // made
	Skipped       uint64 // frames that a viewer got merged with later ones
	RefusedBins   uint64 // bins given up because nobody flushed for minutes
	RefusedEvents uint64 // events no longer kept for late joiners
	RefusedAlarms uint64 // alarms no longer kept for late joiners
}

// A Hub takes what the loop publishes and hands it to viewers.
//
// Samples, Event, Alarm, Run, State and Flush are for the loop's goroutine
// only. They wait for nobody: under the hub's lock, pointers are copied and
// nothing else. Join, Snapshot and Stats may be called from any goroutine.
type Hub struct {
	channels []daq.Channel
	max      int

	// The loop's own, without a lock.
	accs []accumulator
	run  *runHistory
	seq  uint32

	mu      sync.Mutex
	viewers map[*Viewer]struct{}
	frames  []*Frame // live frames of the last liveNs
	runView *runHistory
	current *RunState
	ended   int64
	events  []detect.Event
	alarms  []guard.Alarm
	state   *State
	wall    int64
	now     int64
	notes   notes
	stats   Stats
}

// NewHub returns a hub without viewers.
func NewHub(o HubOptions) *Hub {
	h := &Hub{
		channels: slices.Clone(o.Channels),
		max:      o.MaxViewers,
		accs:     make([]accumulator, len(o.Channels)),
		run:      newRunHistory(len(o.Channels)),
		viewers:  map[*Viewer]struct{}{},
	}
	if h.max <= 0 {
		h.max = DefaultMaxViewers
	}
	h.runView = h.run.view()
	return h
}

// Channels is the channel table that frames and events refer to. Read only.
func (h *Hub) Channels() []daq.Channel { return h.channels }

// Samples takes consecutive samples of one channel. It keeps no reference to
// s. A channel that is not in the table is ignored.
func (h *Hub) Samples(ch daq.ChannelID, s []daq.Sample) {
	if int(ch) < len(h.accs) {
		h.accs[ch].samples(s)
	}
}

// Flush makes one frame of what came since the last call and offers it to all
// viewers; call it about 30 times a second of real time, with the bench time
// now (ns), also when no sample came: a frame without samples tells viewers
// that the program lives though the instruments are silent.
func (h *Hub) Flush(now int64) {
	h.seq++
	f := &Frame{Kind: FrameLive, Seq: h.seq, Now: now, Width: BinNs}
	var refused uint64
	for i := range h.accs {
		a := &h.accs[i]
		a.close()
		refused += a.refused
		if len(a.pending) == 0 {
			continue
		}
		bins := slices.Clone(a.pending)
		a.pending = a.pending[:0]
		f.Blocks = append(f.Blocks, Block{Channel: daq.ChannelID(i), Newest: a.newest, Bins: bins})
		h.feedRun(daq.ChannelID(i), bins, a.newest)
	}
	f.data = f.encode()
	view := h.run.view()

	h.mu.Lock()
	defer h.mu.Unlock()
	h.stats.Frames++
	h.stats.RefusedBins = refused
	h.now, h.runView = now, view
	h.keep(f)
	for v := range h.viewers {
		v.offerFrame(f)
	}
}

// feedRun adds bins to the whole run while one is being recorded.
func (h *Hub) feedRun(ch daq.ChannelID, bins []Bin, newest int64) {
	if h.current == nil || h.ended != 0 {
		return
	}
	first := floorDiv(h.current.Start, BinNs)
	for _, b := range bins {
		if b.Index >= first {
			h.run.take(ch, b)
		}
	}
	h.run.rows[ch].newest = newest
}

// keep adds a frame to the live history and lets go of what is too old.
func (h *Hub) keep(f *Frame) {
	h.frames = append(h.frames, f)
	old := 0
	for old < len(h.frames)-1 && (h.frames[old].Now < f.Now-liveNs || len(h.frames)-old > maxFrames) {
		old++
	}
	if old == 0 {
		return
	}
	// Moved down in batches, so that keeping a frame costs O(1) on average.
	if old > 256 || old == len(h.frames)-1 {
		n := copy(h.frames, h.frames[old:])
		clear(h.frames[n:])
		h.frames = h.frames[:n]
	}
}

// Run tells that a run has begun (r names it, with its time zero, which may lie
// up to two minutes back) or that the present one is over (nil).
func (h *Hub) Run(r *RunState, now int64) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if r == nil {
		if h.current == nil || h.ended != 0 {
			return
		}
		h.ended = max(now, 1)
	} else {
		c := *r
		h.current, h.ended = &c, 0
		h.events = slices.DeleteFunc(h.events, func(e detect.Event) bool { return e.Onset < c.Start })
		h.run = newRunHistory(len(h.channels))
		for _, f := range h.frames {
			for _, b := range f.Blocks {
				h.feedRun(b.Channel, b.Bins, b.Newest)
			}
		}
		h.runView = h.run.view()
	}
	h.send(&Envelope{Kind: KindRun, Run: h.current, Ended: h.ended})
	if h.ended != 0 {
		return
	}
	// What the run keeps of the time before it began is told again, because
	// its times now count from the run's zero.
	for i := range h.events {
		e := h.events[i]
		h.send(&Envelope{Kind: KindEvent, Event: &e})
	}
}

// Event tells of an event or a new revision of one.
func (h *Hub) Event(e detect.Event) {
	e = cloneEvent(e)
	h.mu.Lock()
	defer h.mu.Unlock()
	i := slices.IndexFunc(h.events, func(o detect.Event) bool { return o.ID == e.ID })
	switch {
	case i >= 0:
		h.events[i] = e
	case len(h.events) >= maxEvents:
		h.stats.RefusedEvents++
		// Openings are what the run is about: give up something else first.
		j := max(0, slices.IndexFunc(h.events, func(o detect.Event) bool { return !o.Opens() }))
		h.events = append(slices.Delete(h.events, j, j+1), e)
	default:
		h.events = append(h.events, e)
	}
	h.send(&Envelope{Kind: KindEvent, Event: &e})
}

// Alarm tells of an alarm's new state.
func (h *Hub) Alarm(a guard.Alarm) {
	h.mu.Lock()
	defer h.mu.Unlock()
	i := slices.IndexFunc(h.alarms, func(o guard.Alarm) bool { return o.ID == a.ID })
	var was *guard.Alarm
	if i >= 0 {
		was = &h.alarms[i]
	}
	if n, ok := AlarmNote(was, &a); ok {
		h.notes.add(n)
	}
	switch {
	case i >= 0:
		h.alarms[i] = a
	case len(h.alarms) >= maxAlarms:
		j := slices.IndexFunc(h.alarms, func(o guard.Alarm) bool { return o.State == guard.Normal })
		if j < 0 {
			h.stats.RefusedAlarms++
			j = 0
		}
		h.alarms = append(slices.Delete(h.alarms, j, j+1), a)
	default:
		h.alarms = append(h.alarms, a)
	}
	h.send(&Envelope{Kind: KindAlarm, Alarm: &a})
}

// State takes the newest state of the bench. Viewers get the newest only.
func (h *Hub) State(s State) {
	s = cloneState(s)
	h.mu.Lock()
	defer h.mu.Unlock()
	h.noteState(h.state, &s)
	h.state = &s
	if t, err := time.Parse(time.RFC3339Nano, s.NowUTC); err == nil {
		h.wall = t.UnixNano() - s.Now
	}
	e := h.seal(&Envelope{Kind: KindState, State: &s})
	for v := range h.viewers {
		v.offerState(e)
	}
}

// seal adds what every envelope carries. The lock is held.
func (h *Hub) seal(e *Envelope) *Envelope {
	e.Wall = h.wall
	if h.current != nil {
		e.Start = h.current.Start
	}
	return e
}

// send offers an envelope to all viewers. The lock is held.
func (h *Hub) send(e *Envelope) {
	h.seal(e)
	for v := range h.viewers {
		if !v.offer(e) {
			delete(h.viewers, v)
			h.stats.Slow++
		}
	}
}

// Snapshot is what a viewer who comes now would be told first. afterAlarm is
// the id of the last alarm the viewer saw: later ones are told even if they
// are over; a negative id asks only for those not over.
func (h *Hub) Snapshot(afterAlarm int) *Envelope {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.snapshot(afterAlarm)
}

func (h *Hub) snapshot(afterAlarm int) *Envelope {
	e := &Envelope{Kind: KindSnapshot, Run: h.current, Ended: h.ended, State: h.state, Events: slices.Clone(h.events)}
	for _, a := range h.alarms {
		if a.State != guard.Normal || (afterAlarm >= 0 && a.ID > afterAlarm) {
			e.Alarms = append(e.Alarms, a)
		}
	}
	return h.seal(e)
}

// Join adds a viewer. Its first messages are the snapshot, the whole run and
// the last two minutes. The error tells that there are too many viewers.
func (h *Hub) Join(afterAlarm int) (*Viewer, error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if len(h.viewers) >= h.max {
		h.stats.Turned++
		return nil, fmt.Errorf("%d viewers are connected, which is the limit: close one and try again", h.max)
	}
	v := &Viewer{hub: h, wake: make(chan struct{}, 1), wholeRun: true}
	v.queue = append(v.queue, h.snapshot(afterAlarm))
	v.frames = slices.Clone(h.frames)
	v.backlog = len(v.frames)
	h.viewers[v] = struct{}{}
	h.stats.Joined++
	v.signal()
	return v, nil
}

// Stats counts what the hub did and refused.
func (h *Hub) Stats() Stats {
	h.mu.Lock()
	defer h.mu.Unlock()
	s := h.stats
	s.Viewers = len(h.viewers)
	return s
}

func (h *Hub) wholeRun() *Frame {
	h.mu.Lock()
	view, now := h.runView, h.now
	h.mu.Unlock()
	return view.frame(now, 0)
}

func (h *Hub) leave(v *Viewer) {
	h.mu.Lock()
	defer h.mu.Unlock()
	delete(h.viewers, v)
}

func (h *Hub) skipped(n int) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.stats.Skipped += uint64(n)
}

func cloneEvent(e detect.Event) detect.Event {
	e.Channels = slices.Clone(e.Channels)
	e.Flags = slices.Clone(e.Flags)
	if e.Absent != nil {
		m := make(map[string]string, len(e.Absent))
		for k, v := range e.Absent {
			m[k] = v
		}
		e.Absent = m
	}
	return e
}

func cloneState(s State) State {
	if s.Run != nil {
		r := *s.Run
		s.Run = &r
	}
	if s.Replay != nil {
		r := *s.Replay
		s.Replay = &r
	}
	if s.Forward != nil {
		f := *s.Forward
		s.Forward = &f
	}
	s.Outputs = slices.Clone(s.Outputs)
	s.Trips = slices.Clone(s.Trips)
	s.Sensors = slices.Clone(s.Sensors)
	s.Lines = slices.Clone(s.Lines)
	s.Cautions = slices.Clone(s.Cautions)
	s.Features = slices.Clone(s.Features)
	s.Commands = nil
	return s
}
