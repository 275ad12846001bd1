package main

import (
	"testing"

	"ventward/daq"
	"ventward/detect"
	"ventward/guard"
	"ventward/stream"
)

// noJournal keeps nothing.
type noJournal struct{}

func (noJournal) Append(daq.Entry)           {}
func (noJournal) Event(uint64, detect.Event) {}
func (noJournal) Alarm(uint64, guard.Alarm)  {}
func (noJournal) Demand(uint64, daq.Demand)  {}

// What came before a run is caught up with in the pauses of what comes now: a
// live reading, which may trip, waits for no more than a few old ones, and yet
// the old ones come to an end where readings never pause.
func TestLiveReadingsDoNotWaitForOldOnes(t *testing.T) {
	b := exampleBench(t)
	eng, err := newEngine(setup{Bench: b})
	if err != nil {
		t.Fatal(err)
	}
	l := &loop{bench: b, in: newInbox(), heart: -1, hub: stream.NewHub(stream.HubOptions{Channels: b.Channels})}
	l.rec = &recording{eng: eng, journal: noJournal{}}
	for i := range 1000 {
		l.rec.backlog = append(l.rec.backlog, daq.Entry{At: int64(i+1) * tickNS, Kind: daq.EntryTick})
	}
	left := func() int { return len(l.rec.backlog) }
	l.in.batch(&daq.Batch{})
	l.catchUp(feedInPause)
	if fed := 1000 - left(); fed != feedWithLive {
		t.Errorf("%d old entries were taken while a reading waited, want %d", fed, feedWithLive)
	}
	<-l.in.batches
	was := left()
	l.catchUp(feedInPause)
	if fed := was - left(); fed != feedInPause {
		t.Errorf("%d old entries were taken in a pause, want %d", fed, feedInPause)
	}
	l.in.batch(&daq.Batch{})
	was = left()
	for range 100 { // each live reading becomes one more to catch up with
		l.rec.backlog = append(l.rec.backlog, daq.Entry{At: 2000 * tickNS, Kind: daq.EntryTick})
		l.catchUp(feedWithLive)
	}
	if got := left(); got != was-100*(feedWithLive-1) {
		t.Errorf("without a pause %d old entries are left of %d", got, was)
	}
}
