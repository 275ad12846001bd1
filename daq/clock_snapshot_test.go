package daq

import (
	"math/rand/v2"
	"testing"
)

// A clock restored from a snapshot goes on exactly as the one it was taken
// from, at every point of a stream with drift, batching, loss and a reset.
func TestClockSnapshotGoesOn(t *testing.T) {
	const seed = 41
	t.Logf("seed %d", seed)
	r := rand.New(rand.NewPCG(seed, 1))
	in := Instrument{RateHz: 1000, TickHz: 1e6}
	a := NewClock(ClockOptions{Instrument: in})
	b := NewClock(ClockOptions{Instrument: in})
	seq, epoch, reset := uint64(0), uint32(0), int64(0)
	for i := range 20000 {
		if i == 12000 {
			epoch, seq, reset = 1, 3, int64(seq)*1e6
		}
		if r.IntN(500) == 0 {
			seq += uint64(r.IntN(300))
		}
		at := reset + int64(float64(seq+10)*1e6*(1+40e-6)) + int64(r.ExpFloat64()*2e6)
		batch := &Batch{Epoch: epoch, Seq: seq, Tick: seq * 1000, HasSeq: true, HasTick: true, Newest: i%3 == 0, K: 10, N: 1, Arrived: at}
		seq += 10
		sa, sb := a.Take(batch), b.Take(batch)
		if sa.T0 != sb.T0 || sa.StepNS != sb.StepNS || sa.Settled != sb.Settled || sa.UNS != sb.UNS {
			t.Fatalf("batch %d: %+v, restored clock %+v", i, sa, sb)
		}
		if i%997 == 0 {
			b = NewClock(ClockOptions{Instrument: in})
			if err := b.Restore(a.Snapshot()); err != nil {
				t.Fatal(err)
			}
		}
	}
	if !a.State().Settled {
		t.Fatal("the clock never settled: the test shows nothing")
	}
}
