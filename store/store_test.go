package store

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"reflect"
	"sync/atomic"
	"testing"
	"time"

	"ventward/daq"
	"ventward/detect"
	"ventward/guard"
)

// quick are options for tests: commits follow one another closely.
func quick() Options {
	return Options{CommitInterval: time.Millisecond, BallastBytes: -1}
}

func mustOpen(t testing.TB, dir string, o Options) *Store {
	t.Helper()
	s, err := Open(dir, o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	return s
}

func mustCreate(t testing.TB, s *Store, id string) *Run {
	t.Helper()
	r, err := s.Create(Meta{ID: id, Kind: KindRun, Bench: "Kiln 2", Specimen: "M47-0001", Lot: "L1", Start: 5e9, EpochUTC: 1.75e18, Algorithm: 3})
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func mustClose(t testing.TB, r *Run) Meta {
	t.Helper()
	m, err := r.Close(context.Background(), End{At: 9e9, Note: "end of the pressure watch"})
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// committed waits until entry n is acknowledged.
func committed(t testing.TB, h func() Health, n uint64) {
	t.Helper()
	for range 20000 {
		if h().Committed >= n {
			return
		}
		time.Sleep(time.Millisecond)
	}
	t.Fatalf("entry %d is never committed: %+v", n, h())
}

func readAll(t testing.TB, s *Store, id string) []daq.Entry {
	t.Helper()
	r, err := s.Reader(id)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	es, err := drain(r)
	if err != nil {
		t.Fatal(err)
	}
	return es
}

func drain(r *Reader) (es []daq.Entry, err error) {
	for {
		e, err := r.Next()
		if errors.Is(err, io.EOF) {
			return es, nil
		}
		if err != nil {
			return es, err
		}
		es = append(es, e)
	}
}

// What is read is what was given, bit by bit and in order, however the entries
// fall into commits.
func TestRunRoundTrip(t *testing.T) {
	t.Parallel()
	for seed := uint64(1); seed <= 6; seed++ {
		t.Run(fmt.Sprintf("seed %d", seed), func(t *testing.T) {
			g := newGenerator(seed)
			o := quick()
			o.CommitBytes = 500 + g.IntN(20000)
			s := mustOpen(t, t.TempDir(), o)
			r := mustCreate(t, s, "r1")
			want := g.entries(1 + g.IntN(400))
			for i, e := range want {
				r.Append(e)
				if g.IntN(100) == 0 {
					committed(t, r.Health, want[i].N)
				}
			}
			m := mustClose(t, r)
			if got := readAll(t, s, "r1"); !sameEntries(got, want) {
				t.Fatalf("read %d entries, they differ from the %d given", len(got), len(want))
			}
			if err := s.Check("r1"); err != nil {
				t.Error(err)
			}
			if m.State != StateClosed || m.First != want[0].N || m.Last != want[len(want)-1].N || m.Entries != uint64(len(want)) || m.Lost != 0 || m.Gaps != 0 {
				t.Errorf("description: %+v", m)
			}
		})
	}
}

// The order in which instruments and kinds are packed must not matter to the
// seal: the same entries in the same commits give the same hash.
func TestHashIsAFunctionOfTheContent(t *testing.T) {
	hash := func(change func([]daq.Entry)) string {
		s := mustOpen(t, t.TempDir(), Options{CommitInterval: time.Hour, BallastBytes: -1})
		r := mustCreate(t, s, "r1")
		es := newGenerator(3).entries(100)
		change(es)
		for _, e := range es {
			r.Append(e)
		}
		return mustClose(t, r).Hash
	}
	same := hash(func([]daq.Entry) {})
	if again := hash(func([]daq.Entry) {}); again != same {
		t.Errorf("hashes %s and %s of the same content", same, again)
	}
	if other := hash(func(es []daq.Entry) { es[50].At++ }); other == same {
		t.Error("another time gives the same hash")
	}
}

func TestDerivedRowsRoundTrip(t *testing.T) {
	t.Parallel()
	s := mustOpen(t, t.TempDir(), quick())
	r := mustCreate(t, s, "r1")
	p, u := 18.42e5, 0.1+0.2
	events := []EventRow{
		{2, detect.Event{ID: 1, Kind: detect.VentOpening, Channel: 1, Channels: []daq.ChannelID{1, 2}, Onset: 12345678901, PressurePa: &p, Absent: map[string]string{"area_mm2": "no volume given"}}},
		{3, detect.Event{ID: 1, Rev: 1, Kind: detect.VentOpening, PressurePa: &p, PressureUPa: &u, Flags: []detect.Flag{detect.FlagGap}}},
	}
	alarms := []AlarmRow{{2, guard.Alarm{ID: 7, Rule: "limit", State: guard.Unacknowledged, Value: 1.1, Text: "close <valve>"}}, {3, guard.Alarm{ID: 7, State: guard.Acknowledged}}}
	demands := []DemandRow{{2, daq.Demand{Output: 1, On: true, Serial: 1 << 62}}, {2, daq.Demand{Output: 0, Serial: 4}}}
	trips := []TripRow{{3, guard.Trip{Rule: "opening", Tripped: true, Since: 5, Outputs: []int{0, 1}}}}
	for n := uint64(1); n <= 3; n++ {
		r.Append(daq.Entry{N: n, Kind: daq.EntryTick, Wall: 1})
		for _, w := range events {
			if w.N == n {
				r.Event(n, w.Event)
			}
		}
		for _, w := range alarms {
			if w.N == n {
				r.Alarm(n, w.Alarm)
			}
		}
		for _, w := range demands {
			if w.N == n {
				r.Demand(n, w.Demand)
			}
		}
		for _, w := range trips {
			if w.N == n {
				r.Trip(n, w.Trip)
			}
		}
		committed(t, r.Health, n)
	}
	nan := 0.0
	nan = nan / nan
	r.Event(3, detect.Event{ID: 9, PressurePa: &nan})
	if h := r.Health(); h.Refused != 1 {
		t.Errorf("an event that JSON can't hold: %d refused, want 1", h.Refused)
	}
	mustClose(t, r)
	rd, err := s.Reader("r1")
	if err != nil {
		t.Fatal(err)
	}
	defer rd.Close()
	gotE, err1 := rd.Events()
	gotA, err2 := rd.Alarms()
	gotD, err3 := rd.Demands()
	gotT, err4 := rd.Trips()
	if err := errors.Join(err1, err2, err3, err4); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct{ got, want any }{{gotE, events}, {gotA, alarms}, {gotD, demands}, {gotT, trips}} {
		if !reflect.DeepEqual(c.got, c.want) {
			t.Errorf("got %+v\nwant %+v", c.got, c.want)
		}
	}
}

// A reader beside the writer sees whole commits, goes on where it was, and
// keeps working over the run's end.
func TestReaderFollowsTheWriter(t *testing.T) {
	t.Parallel()
	s := mustOpen(t, t.TempDir(), quick())
	r := mustCreate(t, s, "r1")
	beside := mustOpen(t, s.Dir(), Options{Access: Read})
	want := newGenerator(8).entries(300)
	var got []daq.Entry
	var rd *Reader
	for i, e := range want {
		r.Append(e)
		if i%50 != 49 {
			continue
		}
		committed(t, r.Health, e.N)
		if rd == nil {
			var err error
			if rd, err = beside.Reader("r1"); err != nil {
				t.Fatal(err)
			}
			defer rd.Close()
			if m := rd.Meta(); m.State != StateOpen || m.Last != e.N {
				t.Errorf("description of the open run: %+v", m)
			}
		}
		es, err := drain(rd)
		if err != nil {
			t.Fatal(err)
		}
		got = append(got, es...)
		if len(got) != i+1 {
			t.Fatalf("%d entries read, %d committed", len(got), i+1)
		}
		if err := beside.Check("r1"); err != nil {
			t.Fatal(err)
		}
	}
	mustClose(t, r)
	if es, err := drain(rd); err != nil || len(es) != 0 || !sameEntries(got, want) {
		t.Errorf("after the end: %d more, %v; or what was read differs", len(es), err)
	}
	if err := beside.Check("r1"); err != nil {
		t.Error(err)
	}
	for _, n := range []uint64{0, 1, 49, 50, 51, 299, 300, 1 << 63} {
		if err := rd.After(n); err != nil {
			t.Fatal(err)
		}
		es, err := drain(rd)
		if from := min(n, 300); err != nil || !sameEntries(es, want[from:]) {
			t.Errorf("after entry %d: %d entries, %v", n, len(es), err)
		}
	}
}

// A jump after the configuration is not a loss, any other is; what doesn't fit
// is declared.
func TestGapsAreData(t *testing.T) {
	tick := func(n uint64) daq.Entry { return daq.Entry{N: n, At: int64(n), Kind: daq.EntryTick, Wall: 1} }
	s := mustOpen(t, t.TempDir(), quick())
	r := mustCreate(t, s, "r1")
	r.Append(daq.Entry{N: 3, Kind: daq.EntryConfig, Body: []byte("{}")})
	r.Append(tick(10)) // before the run: 4 to 9
	r.Append(tick(11))
	r.Append(tick(14))                                                                                  // not given: 12, 13
	r.Append(tick(14))                                                                                  // refused
	r.Append(tick(2))                                                                                   // refused
	r.Append(daq.Entry{N: 15, Kind: daq.EntryBatch, Batch: &daq.Batch{N: 2, K: 2, Counts: []int32{1}}}) // malformed
	r.Append(daq.Entry{N: 16, Kind: daq.EntryLink})                                                     // malformed
	r.Append(daq.Entry{N: 17, Kind: 99})                                                                // malformed
	r.Append(daq.Entry{N: 0, Kind: daq.EntryTick})                                                      // refused
	m := mustClose(t, r)
	if m.Lost != 5 || m.Refused != 3 || m.Gaps != 3 || m.Entries != 4 || m.First != 3 || m.Last != 17 {
		t.Errorf("description: %+v", m)
	}
	rd, err := s.Reader("r1")
	if err != nil {
		t.Fatal(err)
	}
	defer rd.Close()
	gaps, err := rd.Gaps()
	want := []Gap{{4, 9, whyBefore}, {12, 13, whyNotGiven}, {15, 17, whyMalformed}}
	if err != nil || !reflect.DeepEqual(gaps, want) {
		t.Errorf("gaps %v, %v; want %v", gaps, err, want)
	}
	if err := s.Check("r1"); err != nil {
		t.Error(err)
	}
	if es, _ := drain(rd); len(es) != 4 || es[3].N != 14 {
		t.Errorf("entries: %+v", es)
	}
}

// While the disk stands still, Append neither waits nor grows without bound;
// afterwards the run goes on, with the loss declared.
func TestQueueIsBounded(t *testing.T) {
	t.Parallel()
	var stuck atomic.Bool
	stuck.Store(true)
	release := make(chan struct{})
	o := quick()
	o.QueueBytes = 100000
	o.hook = func(f *file) {
		f.checkFn = func(step string) error {
			if step == "begin" && stuck.Load() {
				<-release
			}
			return nil
		}
	}
	s := mustOpen(t, t.TempDir(), o)
	r := mustCreate(t, s, "r1")
	es := newGenerator(2).entries(2000)
	for _, e := range es {
		r.Append(e)
	}
	h := r.Health()
	if h.QueueBytes > o.QueueBytes || h.Lost == 0 || !h.Waiting || h.Oldest != es[0].At {
		t.Errorf("health while stuck: %+v", h)
	}
	stuck.Store(false)
	close(release)
	committed(t, r.Health, es[0].N)
	m := mustClose(t, r)
	got := readAll(t, s, "r1")
	if m.Lost != h.Lost || uint64(len(got))+m.Lost != 2000 || m.Last != 2000 {
		t.Errorf("%d read and %d lost of 2000; %+v", len(got), m.Lost, m)
	}
	if err := s.Check("r1"); err != nil {
		t.Error(err)
	}
}

// The loop's side makes no garbage once the queue has its size.
func TestAppendAllocatesNothing(t *testing.T) {
	var q queue
	q.limit = 1 << 30
	e := daq.Entry{Kind: daq.EntryBatch, Batch: &daq.Batch{N: 1, K: 1, Counts: []int32{1}}}
	var buf []item
	round := func() {
		for range 100 {
			e.N++
			q.push(&e)
		}
		buf = q.take(buf[:0], 1<<30, nil)
		q.done(buf)
	}
	round()
	round()
	if allocs := testing.AllocsPerRun(50, round); allocs > 0 {
		t.Errorf("100 appends allocate %v times", allocs)
	}
}

func TestIDsAreNeverUsedTwice(t *testing.T) {
	s := mustOpen(t, t.TempDir(), quick())
	mustClose(t, mustCreate(t, s, "r1"))
	if _, err := s.Create(Meta{ID: "r1", Kind: KindRun}); !errors.Is(err, ErrExists) {
		t.Errorf("second r1: %v", err)
	}
	for _, id := range []string{"", "..", "a/b", "-a", "a b", "ä", string(make([]byte, 65))} {
		if _, err := s.Create(Meta{ID: id, Kind: KindRun}); err == nil {
			t.Errorf("id %q is accepted", id)
		}
	}
	if _, err := s.Create(Meta{ID: "k", Kind: "other"}); err == nil {
		t.Error("an unknown kind is accepted")
	}
	if _, err := s.Reader("nobody"); !errors.Is(err, ErrUnknown) {
		t.Errorf("unknown run: %v", err)
	}
	at := time.Date(2031, 2, 3, 4, 5, 6, 789e6, time.FixedZone("", 3600))
	if got, want := NewID(at, 0xbeef), "20310203-030506-789-0000beef"; got != want || checkID(got) != nil {
		t.Errorf("NewID = %q, want %q", got, want)
	}
}

func TestOneDaemonAFolder(t *testing.T) {
	dir := t.TempDir()
	s := mustOpen(t, dir, quick())
	if _, err := Open(dir, quick()); !errors.Is(err, ErrLocked) {
		t.Errorf("second daemon: %v", err)
	}
	r := mustCreate(t, s, "r1")
	// An import beside it is welcome, and doesn't touch the daemon's run.
	in := mustOpen(t, dir, Options{Access: Import, CommitInterval: time.Millisecond})
	i, err := in.Create(Meta{ID: "i1", Kind: KindImport, Source: "trace.csv"})
	if err != nil {
		t.Fatal(err)
	}
	i.Append(daq.Entry{N: 1, Kind: daq.EntryTick})
	if _, err := i.Close(context.Background(), End{}); err != nil {
		t.Error(err)
	}
	if m, err := in.Meta("r1"); err != nil || m.State != StateOpen {
		t.Errorf("the daemon's run seen beside: %+v %v", m, err)
	}
	reader := mustOpen(t, dir, Options{Access: Read})
	if _, err := reader.Create(Meta{ID: "x", Kind: KindRun}); !errors.Is(err, ErrReadOnly) {
		t.Errorf("create while reading: %v", err)
	}
	mustClose(t, r)
	if _, err := r.Close(context.Background(), End{}); !errors.Is(err, ErrClosed) {
		t.Errorf("second close: %v", err)
	}
	if _, err := Open(filepath.Join(dir, "nothing"), Options{Access: Read}); err == nil {
		t.Error("a folder without runs opens for reading")
	}
}

func TestRunsFilter(t *testing.T) {
	s := mustOpen(t, t.TempDir(), quick())
	for i, lot := range []string{"L1", "L2", "L1"} {
		r, err := s.Create(Meta{ID: fmt.Sprintf("r%d", i), Kind: KindRun, Lot: lot, Specimen: fmt.Sprintf("S%d", i)})
		if err != nil {
			t.Fatal(err)
		}
		if i < 2 {
			mustClose(t, r)
		}
	}
	for _, c := range []struct {
		f    Filter
		want string
	}{
		{Filter{}, "[r0 r1 r2]"},
		{Filter{Newest: true, Limit: 2}, "[r2 r1]"},
		{Filter{Lot: "L1"}, "[r0 r2]"},
		{Filter{Lot: "L1", State: StateClosed}, "[r0]"},
		{Filter{Specimen: "S1"}, "[r1]"},
		{Filter{State: StateOpen}, "[r2]"},
		{Filter{Kind: KindIdle}, "[]"},
	} {
		ms, err := s.Runs(c.f)
		ids := []string{}
		for _, m := range ms {
			ids = append(ids, m.ID)
		}
		if got := fmt.Sprint(ids); err != nil || got != c.want {
			t.Errorf("%+v: %s, %v; want %s", c.f, got, err, c.want)
		}
	}
}

// A closed run is one read-only file, without a log.
func TestClosedRunIsAlone(t *testing.T) {
	s := mustOpen(t, t.TempDir(), quick())
	r := mustCreate(t, s, "r1")
	for _, e := range newGenerator(1).entries(50) {
		r.Append(e)
	}
	mustClose(t, r)
	names, err := os.ReadDir(filepath.Join(s.Dir(), "runs", "r1"))
	if err != nil || len(names) != 2 {
		t.Errorf("files of a closed run: %v, %v", names, err)
	}
	for _, n := range names {
		if st, _ := n.Info(); st.Mode().Perm() != 0o444 {
			t.Errorf("%s has mode %v", n.Name(), st.Mode())
		}
	}
	r.Append(daq.Entry{N: 1000, Kind: daq.EntryTick})
	if h := r.Health(); h.Refused != 1 {
		t.Errorf("an entry after the end: %+v", h)
	}
}

// The idle record covers the last Keep, in files that each begin with the
// configuration, and no more.
func TestIdleRotates(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	s := mustOpen(t, dir, quick())
	i, err := s.Idle(Meta{Bench: "Kiln 2", EpochUTC: 1.75e18}, IdleOptions{Segment: time.Minute, Keep: 3 * time.Minute})
	if err != nil {
		t.Fatal(err)
	}
	i.Append(daq.Entry{N: 1, At: 0, Kind: daq.EntryConfig, Body: []byte(`{"bench":"Kiln 2"}`)})
	n := uint64(1)
	for at := int64(1e9); at < 600e9; at += 1e9 {
		if n++; at == 550e9 {
			n += 100 // a run was on
		}
		i.Append(daq.Entry{N: n, At: at, Kind: daq.EntryTick, Wall: at})
	}
	committed(t, i.Health, n)
	if err := i.Close(context.Background()); err != nil {
		t.Fatal(err)
	}
	ms, err := s.Runs(Filter{Kind: KindIdle})
	if err != nil || len(ms) < 4 || len(ms) > 6 {
		t.Fatalf("%d files, %v; want about 3 minutes and the newest", len(ms), err)
	}
	if covered := ms[len(ms)-1].End - ms[0].Start; covered < 180e9 {
		t.Errorf("only %d s are kept", covered/1e9)
	}
	for k, m := range ms {
		es := readAll(t, s, m.ID)
		if es[0].Kind != daq.EntryConfig || m.Lost != 0 || m.State != StateClosed {
			t.Errorf("file %d begins with %+v; %+v", k, es[0], m)
		}
		if err := s.Check(m.ID); err != nil {
			t.Error(err)
		}
	}
	if names, _ := os.ReadDir(filepath.Join(dir, "idle")); len(names) != len(ms) {
		t.Errorf("%d folders, %d in the catalog", len(names), len(ms))
	}
	if rs, _ := s.Runs(Filter{}); len(rs) != 0 {
		t.Errorf("idle files among the runs: %+v", rs)
	}
	if rs, _ := s.Runs(Filter{Idle: true}); len(rs) != len(ms) {
		t.Errorf("%d files with the idle ones, want %d", len(rs), len(ms))
	}
}

func TestIdleIsBoundedInBytes(t *testing.T) {
	t.Parallel()
	s := mustOpen(t, t.TempDir(), quick())
	const most = 300000
	i, err := s.Idle(Meta{EpochUTC: 1.75e18}, IdleOptions{MaxBytes: most})
	if err != nil {
		t.Fatal(err)
	}
	rng := rand.New(rand.NewPCG(1, 1))
	for n := uint64(1); n <= 160; n++ {
		b := &daq.Batch{N: 1, K: 2000, Counts: make([]int32, 2000)}
		for k := range b.Counts {
			b.Counts[k] = int32(rng.Uint32() >> 16)
		}
		i.Append(daq.Entry{N: n, At: int64(n * 1e6), Kind: daq.EntryBatch, Batch: b})
		if n%4 == 0 {
			committed(t, i.Health, n)
		}
	}
	if err := i.Close(context.Background()); err != nil {
		t.Fatal(err)
	}
	ms, err := s.Runs(Filter{Kind: KindIdle})
	if err != nil {
		t.Fatal(err)
	}
	var total int64
	for _, m := range ms {
		total += sizeOf(s.folder(m))
	}
	if len(ms) < 2 || total > most {
		t.Errorf("%d files of %d bytes, at most %d allowed", len(ms), total, most)
	}
}

func TestSpaceLeft(t *testing.T) {
	if n, err := SpaceLeft(t.TempDir()); err != nil || n == 0 {
		t.Errorf("%d bytes, %v", n, err)
	}
	if _, err := SpaceLeft(filepath.Join(t.TempDir(), "nothing")); err == nil {
		t.Error("no error for a folder that isn't there")
	}
}
