package stream

import (
	"errors"
	"math/rand"
	"strconv"
	"sync"
	"testing"

	"ventward/daq"
	"ventward/detect"
	"ventward/guard"
)

func testHub(n int) *Hub {
	o := HubOptions{MaxViewers: 8}
	for i := range n {
		o.Channels = append(o.Channels, daq.Channel{Name: "p" + strconv.Itoa(i+1), Role: daq.RoleSpecimen, Quantity: daq.Pressure, Reference: daq.Gauge})
	}
	return NewHub(o)
}

func join(t *testing.T, h *Hub, after int) *Viewer {
	t.Helper()
	v, err := h.Join(after)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// all takes everything that waits for a viewer.
func all(t *testing.T, v *Viewer) []Message {
	t.Helper()
	var out []Message
	for {
		m, ok, err := v.Take()
		if err != nil {
			t.Fatal(err)
		}
		if !ok {
			return out
		}
		out = append(out, m)
	}
}

// constant feeds ms milliseconds of 1 kHz with value v from t.
func constant(h *Hub, ch daq.ChannelID, t int64, ms int, v float64) int64 {
	s := make([]daq.Sample, ms)
	for i := range s {
		s[i] = daq.Sample{T: t, V: v}
		t += 1e6
	}
	h.Samples(ch, s)
	return t
}

func maxOf(frames ...*Frame) float32 {
	m := float32(-1e30)
	for _, f := range frames {
		for _, b := range f.Blocks {
			for _, c := range b.Bins {
				if c.Max > m {
					m = c.Max
				}
			}
		}
	}
	return m
}

func TestFirstMessagesOfAViewer(t *testing.T) {
	h := testHub(1)
	h.Run(&RunState{ID: "r", Start: 0}, 0)
	at := constant(h, 0, 0, 500, 3)
	h.Flush(at)
	h.State(State{Bench: "Kiln 2", Now: at, NowUTC: "2026-03-01T10:00:00.5Z"})
	h.Event(detect.Event{ID: 1, Rev: 1, Kind: detect.VentOpening})
	h.Event(detect.Event{ID: 1, Rev: 2, Kind: detect.VentOpening})
	h.Alarm(guard.Alarm{ID: 1, State: guard.Unacknowledged})
	got := all(t, join(t, h, -1))
	if len(got) != 3 {
		t.Fatalf("%d messages, want snapshot, whole run, live bins", len(got))
	}
	e := got[0].Envelope
	if e == nil || e.Kind != KindSnapshot || e.Run == nil || e.State == nil || len(e.Events) != 1 || e.Events[0].Rev != 2 || len(e.Alarms) != 1 {
		t.Fatalf("snapshot %+v", e)
	}
	if e.Wall != 1772359200e9 { // 2026-03-01T10:00:00Z; date(1) of the shell
		t.Errorf("wall clock minus bench time %d", e.Wall)
	}
	if f := got[1].Frame; f == nil || f.Kind != FrameRun || maxOf(f) != 3 {
		t.Errorf("second message %+v", f)
	}
	if f := got[2].Frame; f == nil || f.Kind != FrameLive || maxOf(f) != 3 {
		t.Errorf("third message %+v", f)
	}
}

func TestASpikeSurvivesASlowViewer(t *testing.T) {
	h := testHub(1)
	v := join(t, h, -1)
	all(t, v)
	at := int64(0)
	for i := range 200 { // 200 frames without a Take
		at = constant(h, 0, at, 33, 10)
		if i == 77 {
			h.Samples(0, []daq.Sample{{T: at, V: 99}})
			at += 1e6
		}
		h.Flush(at)
	}
	got := all(t, v)
	if len(got) != 1 || got[0].Frame.Seq != 200 || maxOf(got[0].Frame) != 99 {
		t.Fatalf("%d messages, seq and max %+v", len(got), got)
	}
	if s := h.Stats(); s.Skipped != 199 || s.Frames != 200 {
		t.Errorf("stats %+v", s)
	}
}

func TestEventsAndAlarmsComeFirstAndInOrder(t *testing.T) {
	h := testHub(1)
	v := join(t, h, -1)
	all(t, v)
	h.Flush(constant(h, 0, 0, 100, 1))
	h.State(State{Phase: "armed"})
	h.Event(detect.Event{ID: 1, Rev: 1})
	h.State(State{Phase: "under test"})
	h.Alarm(guard.Alarm{ID: 1})
	h.Event(detect.Event{ID: 1, Rev: 2})
	got := all(t, v)
	want := []EnvelopeKind{KindEvent, KindAlarm, KindEvent, KindState, ""}
	if len(got) != len(want) {
		t.Fatalf("%d messages, want %d", len(got), len(want))
	}
	for i, k := range want {
		if (got[i].Envelope == nil) != (k == "") || (k != "" && got[i].Envelope.Kind != k) {
			t.Errorf("message %d: %+v, want %q", i, got[i], k)
		}
	}
	if p := got[3].Envelope.State.Phase; p != "under test" {
		t.Errorf("state %q, want the newest only", p)
	}
}

func TestAViewerThatFallsBehindIsClosedAndCatchesUp(t *testing.T) {
	h := testHub(1)
	v := join(t, h, -1)
	all(t, v)
	for i := range maxQueue + 1 {
		h.Alarm(guard.Alarm{ID: i + 1, State: guard.Unacknowledged})
	}
	if _, _, err := v.Take(); !errors.Is(err, ErrSlow) {
		t.Fatalf("error %v, want ErrSlow", err)
	}
	if s := h.Stats(); s.Slow != 1 || s.Viewers != 0 {
		t.Errorf("stats %+v", s)
	}
	h.Alarm(guard.Alarm{ID: maxQueue + 1, State: guard.Normal})
	// It knew alarm 200; the last one came and went meanwhile.
	e := all(t, join(t, h, 200))[0].Envelope
	if n := len(e.Alarms); n != maxQueue+1 || e.Alarms[n-1].State != guard.Normal {
		t.Errorf("%d alarms told, want all with the one that is over", n)
	}
	if n := len(h.Snapshot(-1).Alarms); n != maxQueue {
		t.Errorf("%d alarms not over, want %d", n, maxQueue)
	}
}

func TestTooManyViewers(t *testing.T) {
	h := testHub(1)
	for range 8 {
		join(t, h, -1)
	}
	if _, err := h.Join(-1); err == nil {
		t.Fatal("ninth viewer of eight was let in")
	}
	if s := h.Stats(); s.Turned != 1 || s.Viewers != 8 {
		t.Errorf("stats %+v", s)
	}
}

func TestWholeRunIsBoundedAndKeepsExtremes(t *testing.T) {
	h := testHub(2)
	h.Run(&RunState{ID: "r", Start: 0}, 0)
	var at int64
	const bins = 5*maxRunBins + 3
	for i := range int64(bins) {
		at = i * BinNs
		v := 1.0
		if i == 4000 {
			v = 77
		}
		h.Samples(0, []daq.Sample{{T: at, V: v}})
		if i%2 == 0 {
			h.Samples(1, []daq.Sample{{T: at, V: -v}})
		}
		if i%500 == 0 || i == bins-1 {
			h.Flush(at)
		}
	}
	f := h.wholeRun()
	if f.Width != 8*BinNs {
		t.Errorf("bin width %d ms, want 8 live bins for %d of them", f.Width/1e6, int64(bins))
	}
	if n := len(f.Blocks[0].Bins); n > maxRunBins+1 || n < maxRunBins/2 {
		t.Errorf("%d bins", n)
	}
	if maxOf(f) != 77 || f.Blocks[0].Bins[500].Max != 77 {
		t.Errorf("the spike of live bin 4000 is not in run bin 500: %+v", f.Blocks[0].Bins[500])
	}
	if f.Blocks[1].Bins[500].Min != -77 {
		t.Errorf("second channel %+v", f.Blocks[1].Bins[500])
	}
}

func TestARunThatBeganInThePast(t *testing.T) {
	h := testHub(1)
	at := constant(h, 0, 0, 3000, 5)
	h.Flush(at)
	at = constant(h, 0, at, 3000, 6)
	h.Flush(at)
	h.Event(detect.Event{ID: 1, Rev: 1, Onset: 1e9})
	h.Event(detect.Event{ID: 2, Rev: 1, Onset: 4e9})
	v := join(t, h, -1)
	all(t, v)
	h.Run(&RunState{ID: "r", Start: 3e9}, at)
	got := all(t, v)
	if len(got) != 2 || got[0].Envelope.Kind != KindRun || got[1].Envelope.Event.ID != 2 || got[1].Envelope.Start != 3e9 {
		t.Fatalf("messages %+v", got)
	}
	f := h.wholeRun()
	if len(f.Blocks) != 1 || f.Blocks[0].Bins[0].Index != 3e9/BinNs || maxOf(f) != 6 || f.Blocks[0].Bins[0].Min != 6 {
		t.Fatalf("whole run %+v", f)
	}
	h.Run(nil, at)
	h.Flush(constant(h, 0, at, 1000, 50))
	if maxOf(h.wholeRun()) != 6 {
		t.Error("bins after the end are in the run")
	}
	if e := all(t, join(t, h, -1))[0].Envelope; e.Ended != at || e.Run == nil {
		t.Errorf("snapshot after the end %+v", e)
	}
}

func TestLiveHistoryIsTwoMinutes(t *testing.T) {
	h := testHub(1)
	var at int64
	for range 5 * 60 * 30 { // five minutes at 30 frames a second
		at = constant(h, 0, at, 33, 1)
		h.Flush(at)
	}
	if n := len(h.frames); n > maxFrames+257 {
		t.Errorf("%d frames kept", n)
	}
	f := all(t, join(t, h, -1))[2].Frame
	first := f.Blocks[0].Bins[0].Index * BinNs
	if age := at - first; age < liveNs || age > liveNs+20e9 {
		t.Errorf("oldest live bin is %d s old", age/1e9)
	}
}

func TestEventsAreBoundedAndOpeningsStay(t *testing.T) {
	h := testHub(1)
	h.Event(detect.Event{ID: 1, Kind: detect.Rupture})
	for i := range maxEvents + 10 {
		h.Event(detect.Event{ID: i + 2, Kind: detect.SensorFault})
	}
	e := h.Snapshot(-1)
	if len(e.Events) != maxEvents || e.Events[0].Kind != detect.Rupture || h.Stats().RefusedEvents != 11 {
		t.Fatalf("%d events, first %q, %d refused", len(e.Events), e.Events[0].Kind, h.Stats().RefusedEvents)
	}
}

func TestAlarmsAreBoundedAndOpenOnesStay(t *testing.T) {
	h := testHub(1)
	h.Alarm(guard.Alarm{ID: 1, State: guard.Unacknowledged})
	for i := range 2 * maxAlarms {
		h.Alarm(guard.Alarm{ID: i + 2, State: guard.Normal})
	}
	if a := h.Snapshot(-1).Alarms; len(a) != 1 || a[0].ID != 1 || h.Stats().RefusedAlarms != 0 {
		t.Fatalf("%+v, %+v", a, h.Stats())
	}
}

func TestTheHubKeepsItsOwnCopies(t *testing.T) {
	h := testHub(1)
	e := detect.Event{ID: 1, Flags: []detect.Flag{"gap"}, Absent: map[string]string{"a": "b"}}
	s := State{Outputs: []OutputState{{Name: "supply valve"}}, Run: &RunState{ID: "r"}}
	h.Event(e)
	h.State(s)
	e.Flags[0], e.Absent["a"], s.Outputs[0].Name, s.Run.ID = "x", "x", "x", "x"
	got := h.Snapshot(-1)
	if got.Events[0].Flags[0] != "gap" || got.Events[0].Absent["a"] != "b" || got.State.Outputs[0].Name != "supply valve" || got.State.Run.ID != "r" {
		t.Fatalf("%+v %+v", got.Events, got.State)
	}
}

func TestEncodedOnce(t *testing.T) {
	e := &Envelope{Kind: KindEvent}
	var mu sync.Mutex
	var calls int
	var wg sync.WaitGroup
	for range 20 {
		wg.Go(func() {
			e.Encoded(func(*Envelope) []byte {
				mu.Lock()
				defer mu.Unlock()
				calls++
				return []byte("x")
			})
		})
	}
	wg.Wait()
	if calls != 1 {
		t.Fatalf("encoded %d times", calls)
	}
}

// TestManyViewers runs the loop beside viewers that come, take and go, under
// the race detector in the checks: every viewer that stays ends with the
// extremes of all samples.
func TestManyViewers(t *testing.T) {
	const seed = 11
	r := rand.New(rand.NewSource(seed))
	h := testHub(2)
	h.Run(&RunState{ID: "r", Start: 0}, 0)
	done := make(chan struct{})
	var wg sync.WaitGroup
	for i := range 6 {
		v := join(t, h, -1)
		wg.Go(func() {
			var most float32
			for last := false; !last; {
				select {
				case <-v.Wake():
				case <-done:
					last = true
				}
				for {
					m, ok, err := v.Take()
					if err != nil {
						t.Error(err)
						return
					}
					if !ok {
						break
					}
					if m.Frame != nil {
						most = max(most, maxOf(m.Frame))
					}
				}
				if i%3 == 2 { // comes and goes
					v.Leave()
					var err error
					if v, err = h.Join(0); err != nil {
						t.Error(err)
						return
					}
				}
			}
			if most != 500 {
				t.Errorf("seed %d viewer %d: largest %v, want 500", seed, i, most)
			}
		})
	}
	var at int64
	for i := range 400 {
		v := 1.0
		if i == 200 {
			v = 500
		}
		constant(h, 1, at, 10, v)
		at = constant(h, 0, at, 10, r.Float64())
		h.Flush(at)
		if i%50 == 0 {
			h.Event(detect.Event{ID: i + 1, Rev: 1})
			h.State(State{Now: at})
		}
	}
	close(done)
	wg.Wait()
}

func BenchmarkFlush(b *testing.B) {
	h := testHub(8)
	h.max = 300
	for range 200 {
		if _, err := h.Join(-1); err != nil {
			b.Fatal(err)
		}
	}
	var at int64
	s := make([]daq.Sample, 333)
	b.ReportAllocs()
	for b.Loop() {
		for i := range s {
			s[i] = daq.Sample{T: at + int64(i)*1e5, V: float64(i)}
		}
		for ch := range daq.ChannelID(8) {
			h.Samples(ch, s)
		}
		at += 333 * 1e5
		h.Flush(at)
	}
}
