package daq

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

// line models an instrument behind a USB adapter, written for these tests: rows
// are taken at the device's own pace, handed over every 16 ms, read a little
// later, and now and then the reader stalls for 100 ms.
type line struct {
	rate     float64                 // rows a second of the device's clock
	tickHz   float64                 // 0: no tick
	host     func(x float64) float64 // bench s at device second x
	start    float64                 // device second at which the batches begin
	minDelay float64                 // s
	noStall  bool
	tick0    uint64
	handover float64 // s; 0: 16 ms
}

// play gives every batch until device second end, with the true bench time of
// its newest row in s. The batch is reused.
func (l line) play(r *rand.Rand, end float64, take func(b *Batch, truth float64)) {
	handover := l.handover
	if handover == 0 {
		handover = 0.016
	}
	b := new(Batch)
	n := uint64(l.start * l.rate)
	stallAt := l.host(l.start) + r.ExpFloat64()*20
	stallEnd := stallAt + 0.1
	free := 0.0 // the reader is back at
	for poll := l.host(l.start) + handover*r.Float64(); ; poll += handover {
		first := n
		if late := poll - l.minDelay - l.host(float64(n)/l.rate); late > 0 {
			n += uint64(late * l.rate * 0.95) // most of the way at once
		}
		for l.host(float64(n)/l.rate)+l.minDelay <= poll {
			n++
		}
		arrived := poll + r.ExpFloat64()*0.00015
		for arrived > stallEnd {
			stallAt += r.ExpFloat64()*20 + 0.1
			stallEnd = stallAt + 0.1
		}
		if arrived > stallAt && !l.noStall {
			arrived = stallEnd
		}
		arrived = max(arrived, free)
		free = arrived
		if n == first {
			continue
		}
		newest := float64(n-1) / l.rate
		if newest > end {
			return
		}
		*b = Batch{Arrived: int64(arrived * 1e9), Seq: first, HasSeq: true, Newest: true, N: 1, K: int(n - first)}
		if l.tickHz > 0 {
			b.HasTick, b.Tick = true, l.tick0+uint64(math.Round(float64(first)/l.rate*l.tickHz))
		}
		take(b, l.host(newest))
	}
}

func drift(ppm float64) func(float64) float64 {
	return func(x float64) float64 { return 10 + x*(1+ppm*1e-6) }
}

// wander is 50 ppm with +-2 ppm over 300 s on top.
func wander(x float64) float64 {
	return 10 + x*(1+50e-6) + 2e-6*300/(2*math.Pi)*(1-math.Cos(2*math.Pi*x/300))
}

// warming is a rate that moves by 100 ppm with a time constant of 200 s.
func warming(x float64) float64 {
	return 10 + x + 100e-6*(x-200*(1-math.Exp(-x/200)))
}

// moments are of errors in ms.
type moments struct{ v []float64 }

func (m *moments) add(ms float64) { m.v = append(m.v, ms) }

func (m *moments) String() string {
	mean, sd := m.meanSD()
	s := slices.Clone(m.v)
	slices.Sort(s)
	return fmt.Sprintf("mean %.3f sd %.3f p1 %.3f p99 %.3f max %.3f ms", mean, sd, s[len(s)/100], s[len(s)*99/100], s[len(s)-1])
}

func (m *moments) meanSD() (mean, sd float64) {
	for _, x := range m.v {
		mean += x / float64(len(m.v))
	}
	for _, x := range m.v {
		sd += (x - mean) * (x - mean) / float64(len(m.v))
	}
	return mean, math.Sqrt(sd)
}

// The error of the newest sample is the shortest delay (0.2 ms here) and hardly
// scatters, though arrivals scatter by 16 ms and stall for 100 ms: the project's
// measured fact for the lower envelope over 60 to 120 s is 0.2/0.01 ms mean/sd
// at 50 ppm. Every row comes after the row before, and from settling on the
// mapping never runs more than 250 ppm off its rate.
func TestClockFollowsTheDevice(t *testing.T) {
	const seed = 7
	t.Logf("seed %d", seed)
	for _, c := range []struct {
		name         string
		l            line
		mean, sd, to float64
	}{
		{"50 ppm, tick", line{rate: 1000, tickHz: 1e6, host: drift(50)}, 0.3, 0.02, 600},
		{"50 ppm, sequence", line{rate: 1000, host: drift(50)}, 0.3, 0.02, 600},
		{"-80 ppm, tick of 10 kHz rows", line{rate: 10000, tickHz: 10e6, host: drift(-80)}, 0.3, 0.02, 250},
		{"wandering", line{rate: 1000, tickHz: 1e6, host: wander}, 0.4, 0.1, 900},
		{"sequence 0.3 % fast", line{rate: 1000, host: drift(-3000)}, 0.3, 0.02, 300},
		// The phase between rows (1 ms) and hand-overs (16 ms) needs 200 s to come
		// round: for longer than the window every row may be late by up to a
		// period. No method sees that; the stated bound has the period in it.
		// A crystal warming up: the line through the past lags the bend, and the
		// stated bound follows.
		{"warming up by 100 ppm in minutes", line{rate: 1000, tickHz: 1e6, host: warming}, 0.5, 0.5, 900},
		{"5 ppm", line{rate: 1000, tickHz: 1e6, host: drift(5)}, 1.2, 0.4, 600},
	} {
		r := rand.New(rand.NewPCG(seed, 3))
		c.l.minDelay = 0.0002
		clock := NewClock(ClockOptions{Instrument: Instrument{RateHz: c.l.rate, TickHz: c.l.tickHz}})
		var early, late moments
		last, settledAt, bound := int64(math.MinInt64), 0.0, 0.0
		c.l.play(r, c.to, func(b *Batch, truth float64) {
			s := clock.Take(b)
			increasing(t, s, b.K, &last)
			e := (float64(s.At(b.K-1))/1e9 - truth) * 1e3
			bound = max(bound, float64(s.UNS)/1e6)
			if s.Settled {
				if settledAt == 0 {
					bound = 0
					settledAt = truth
				}
				late.add(e)
				if b := float64(s.UNS) / 1e6; math.Abs(e) > b {
					t.Fatalf("%s: error %.3f ms is beyond the stated bound %.3f ms", c.name, e, b)
				}
			} else {
				early.add(e)
			}
		})
		t.Logf("%s: settled after %.0f s; before: %v; after: %v, widest bound %.2f ms; rate %.2f ppm", c.name, settledAt-10, &early, &late, bound, clock.State().RatePPM)
		if mean, sd := late.meanSD(); mean < 0 || mean > c.mean || sd > c.sd {
			t.Errorf("%s: mean %.3f sd %.3f ms, want at most %g and %g", c.name, mean, sd, c.mean, c.sd)
		}
		if st := clock.State(); st.Restarts != 0 {
			t.Errorf("%s: recovery started over %d times", c.name, st.Restarts)
		}
	}
}

// increasing checks that a batch's rows come after the rows before.
func increasing(t *testing.T, s Stamp, k int, last *int64) {
	t.Helper()
	for i := range k {
		if at := s.At(i); at <= *last {
			t.Fatalf("row %d at %d ns does not come after %d ns", i, at, *last)
		} else {
			*last = at
		}
	}
}

// Eight hours without a jump: between neighbouring batches the mapping's rate
// stays within the slew limit of the device's, and the error does not grow.
func TestClockRunsEightHours(t *testing.T) {
	const seed = 11
	t.Logf("seed %d", seed)
	l := line{rate: 100, tickHz: 1e6, host: wander, minDelay: 0.0002, handover: 0.061}
	clock := NewClock(ClockOptions{Instrument: Instrument{RateHz: 100, TickHz: 1e6}})
	var hour [8]moments
	last, lastT, lastTick, worst := int64(math.MinInt64), int64(0), uint64(0), 0.0
	l.play(rand.New(rand.NewPCG(seed, 0)), 8*3600, func(b *Batch, truth float64) {
		s := clock.Take(b)
		increasing(t, s, b.K, &last)
		if !s.Settled {
			return
		}
		if lastTick != 0 {
			dx := float64(b.Tick-lastTick) * 1e3
			worst = max(worst, math.Abs(float64(s.T0-lastT)-dx)/dx)
		}
		lastT, lastTick = s.T0, b.Tick
		h := &hour[min(int(truth/3600), 7)]
		h.add((float64(s.At(b.K-1))/1e9 - truth) * 1e3)
	})
	for i := range hour {
		mean, sd := hour[i].meanSD()
		t.Logf("hour %d: %v", i+1, &hour[i])
		if mean < 0 || mean > 0.5 || sd > 0.2 {
			t.Errorf("hour %d: mean %.3f sd %.3f ms, want at most 0.5 and 0.2", i+1, mean, sd)
		}
	}
	t.Logf("steepest step %.0f ppm", worst*1e6)
	if worst > 300e-6 {
		t.Errorf("the mapping ran %.0f ppm off the tick, want at most 300", worst*1e6)
	}
}

// The first batch came at the end of a stall of 100 ms: times start late and
// the way back takes well under two seconds, without running backwards.
func TestClockStartsInAStall(t *testing.T) {
	const seed = 2
	t.Logf("seed %d", seed)
	l := line{rate: 1000, tickHz: 1e6, host: drift(50), minDelay: 0.0002, noStall: true}
	clock := NewClock(ClockOptions{Instrument: Instrument{RateHz: 1000, TickHz: 1e6}})
	last, first := int64(math.MinInt64), true
	l.play(rand.New(rand.NewPCG(seed, 0)), 5, func(b *Batch, truth float64) {
		if first {
			b.Arrived += 100e6
			first = false
		}
		b.Arrived = max(b.Arrived, last)
		s := clock.Take(b)
		increasing(t, s, b.K, &last)
		if e := float64(s.At(b.K-1))/1e9 - truth; truth > 12 && math.Abs(e) > 0.0015 {
			t.Fatalf("error %.3f ms at %.3f s", e*1e3, truth)
		}
		if s.Settled {
			t.Fatal("settled within 5 s")
		}
	})
}

// A reset of the device's counter, told by an epoch or seen by the clock alone,
// a device that slept, a bench that slept: times go on increasing, recovery
// starts over, and settles again.
func TestClockStartsOver(t *testing.T) {
	const seed = 19
	t.Logf("seed %d", seed)
	for _, c := range []struct {
		name     string
		change   func(b *Batch)
		restarts uint64
	}{
		{"epoch", func(b *Batch) { b.Epoch++; b.Tick -= 150e6; b.Seq = 0 }, 0},
		{"epoch without reset", func(b *Batch) { b.Epoch++ }, 0},
		{"tick reset unseen", func(b *Batch) { b.Tick -= 149e6 }, 1},
		{"tick jumps ahead", func(b *Batch) { b.Tick += 1e12 }, 1},
		{"device slept 5 s", func(b *Batch) { b.Arrived += 5e9 }, 1},
		{"device slept 0.2 s", func(b *Batch) { b.Arrived += 0.2e9 }, 1},
		{"bench slept 5 s", func(b *Batch) { b.Arrived -= 5e9 }, 1},
	} {
		l := line{rate: 1000, tickHz: 1e6, host: drift(50), minDelay: 0.0002, tick0: 1000}
		clock := NewClock(ClockOptions{Instrument: Instrument{RateHz: 1000, TickHz: 1e6}})
		last := int64(math.MinInt64)
		var after moments
		unsettled, offset := 0, 0.0
		l.play(rand.New(rand.NewPCG(seed, 0)), 300, func(b *Batch, truth float64) {
			before := *b
			if truth > 160 {
				c.change(b)
				offset = float64(b.Arrived-before.Arrived) / 1e9
			}
			s := clock.Take(b)
			if s.Epoch != b.Epoch {
				t.Fatalf("%s: epoch %d, want %d", c.name, s.Epoch, b.Epoch)
			}
			if offset >= 0 || truth < 160 || truth > 166 { // a bench that slept has no time to put rows in
				increasing(t, s, b.K, &last)
			}
			if truth > 175 && !s.Settled {
				unsettled++
			}
			if e := math.Abs(float64(s.At(b.K-1))/1e9 - truth - offset); s.Settled && truth > 162 && truth < 175 && e > 0.1 && (!s.Late || int64(e*1e9) > s.UNS) {
				t.Fatalf("%s: %.3f s off at %.3f s and not said: %+v", c.name, e, truth, s)
			}
			if s.Settled && truth > 175 {
				after.add((float64(s.At(b.K-1))/1e9 - truth - offset) * 1e3)
			}
		})
		t.Logf("%s: settled again: %v", c.name, &after)
		if mean, sd := after.meanSD(); mean < 0 || mean > 0.4 || sd > 0.1 || unsettled < 1000 {
			t.Errorf("%s: mean %.3f sd %.3f ms after, %d batches unsettled", c.name, mean, sd, unsettled)
		}
		if got := clock.State().Restarts; got != c.restarts {
			t.Errorf("%s: started over %d times by itself, want %d", c.name, got, c.restarts)
		}
	}
}

// Polled readings take the middle of request and answer, with half the round
// trip as their bound.
func TestClockPolled(t *testing.T) {
	c := NewClock(ClockOptions{Instrument: Instrument{RateHz: 10, Polled: true}})
	for i := range 5 {
		b := &Batch{Arrived: int64(i)*1e8 + 12345, HalfTrip: 2e6, N: 1, K: 1, Newest: true}
		if s := c.Take(b); s.At(0) != b.Arrived || s.UNS != 2e6+1e8 || !s.Settled || s.Late {
			t.Errorf("reading %d: %+v, want the middle %d", i, s, b.Arrived)
		}
	}
}

// A device that measures anew every 97 ms is asked every 100 ms: the age of what
// it answers beats between nothing and 97 ms, within what is stated, and a good
// part of that is met.
func TestClockPollsBeatWithTheDevice(t *testing.T) {
	const renew, poll, half = int64(97e6), int64(100e6), int64(1e6)
	c := NewClock(ClockOptions{Instrument: Instrument{RateHz: 10, Polled: true, RenewS: float64(renew) * 1e-9}})
	least, most := int64(math.MaxInt64), int64(0)
	for i := range int64(200) {
		asked := i * poll
		measured := asked / renew * renew
		s := c.Take(&Batch{Arrived: asked + half, HalfTrip: half, N: 1, K: 1, Newest: true})
		off := s.At(0) - measured
		if off < 0 || off > s.UNS {
			t.Fatalf("reading %d: off by %d ns, stated within %d", i, off, s.UNS)
		}
		least, most = min(least, off), max(most, off)
	}
	if least > 5e6 || most < 90e6 {
		t.Errorf("ages from %d to %d ns: the beat was not met", least, most)
	}
}

// Without tick and sequence rows end at their arrival, one period apart, and a
// batch that would reach into the one before is squeezed.
func TestClockByArrival(t *testing.T) {
	c := NewClock(ClockOptions{Instrument: Instrument{RateHz: 1000, TickHz: 0}})
	take := func(at int64, k int) Stamp { return c.Take(&Batch{Arrived: at, N: 1, K: k, Newest: true}) }
	if s := take(16e6, 16); s.At(15) != 16e6 || s.At(0) != 1e6 || s.StepNS != 1e6 || s.Late || s.UNS < 16e6 {
		t.Errorf("first: %+v", s)
	}
	last := int64(16e6)
	s := take(24e6, 16)
	increasing(t, s, 16, &last)
	if last != 24e6 {
		t.Errorf("squeezed: ends at %d, want 24 ms: %+v", last, s)
	}
	s = take(24e6, 3) // two batches of one Read
	increasing(t, s, 3, &last)
	if last > 24e6+10 {
		t.Errorf("squeezed to nothing: ends at %d", last)
	}
	if c.State().Squeezed != 2 {
		t.Errorf("%d batches squeezed, want 2", c.State().Squeezed)
	}
	if s = take(140e6, 16); !s.Late {
		t.Error("a batch after a stall of 100 ms is not Late")
	}
	// Of unknown rate: rows share their arrival as well as they can.
	c = NewClock(ClockOptions{})
	last = 0
	s = take(5e6, 4)
	increasing(t, s, 4, &last)
}

// Times of an imported trace are used as they are.
func TestClockKeepsTimes(t *testing.T) {
	c := NewClock(ClockOptions{Instrument: Instrument{Protocol: "trace", RateHz: 1000}})
	b := &Batch{N: 1, K: 3, Times: []int64{5, 7, 1000001}, Arrived: 1000001, HasSeq: true, Newest: true}
	s := c.Take(b)
	for i, want := range b.Times {
		if s.At(i) != want || !s.Settled || s.UNS != 0 {
			t.Errorf("row %d: %+v, want %d", i, s, want)
		}
	}
}

// An empty batch moves nothing.
func TestClockEmptyBatch(t *testing.T) {
	c := NewClock(ClockOptions{Instrument: Instrument{RateHz: 1000}})
	c.Take(&Batch{Arrived: 9e9, HasSeq: true, Newest: true})
	if s := c.Take(&Batch{Arrived: 16e6, Seq: 0, HasSeq: true, N: 1, K: 16, Newest: true}); s.At(15) != 16e6 {
		t.Errorf("first rows after an empty batch end at %d, want 16 ms", s.At(15))
	}
}

// A tick in whole milliseconds under rows of 4 kHz: several batches share a
// tick. Times increase and recovery does not start over.
func TestClockCoarseTick(t *testing.T) {
	c := NewClock(ClockOptions{Instrument: Instrument{RateHz: 4000, TickHz: 1000}})
	last := int64(math.MinInt64)
	for i := range 40000 {
		at := int64(float64(i)*250e3*(1+30e-6)) + 400e3
		s := c.Take(&Batch{Arrived: at, Tick: uint64(i / 4), HasTick: true, Seq: uint64(i), HasSeq: true, N: 1, K: 1, Newest: true})
		increasing(t, s, 1, &last)
		if d := at - s.At(0); d < -1e6 || d > 3e6 {
			t.Fatalf("row %d: %d ns before its arrival", i, d)
		}
	}
	if st := c.State(); st.Restarts != 0 {
		t.Errorf("started over %d times", st.Restarts)
	}
}

// The rate of the rows is measured where the described one is wrong: rows of a
// batch neither overlap nor leave holes.
func TestClockMeasuresTheRate(t *testing.T) {
	for _, told := range []float64{1000, 0} {
		c := NewClock(ClockOptions{Instrument: Instrument{RateHz: told, TickHz: 1e6}})
		var s Stamp
		for i := range 1000 {
			seq := uint64(i * 10)
			s = c.Take(&Batch{Arrived: int64(seq+10) * 1250e3, Tick: seq * 1250, HasTick: true, Seq: seq, HasSeq: true, N: 1, K: 10, Newest: true})
		}
		if math.Abs(s.StepNS-1250e3) > 1e3 {
			t.Errorf("told %g Hz: rows %g ns apart, want 1250000", told, s.StepNS)
		}
	}
}

// A device whose rate is far from its description never counts as settled, and
// its times neither run away from the arrivals nor backwards.
func TestClockOfAWrongRateStaysUnsettled(t *testing.T) {
	const seed = 23
	t.Logf("seed %d", seed)
	for _, real := range []float64{800, 1200} {
		l := line{rate: real, host: drift(0), minDelay: 0.0002}
		c := NewClock(ClockOptions{Instrument: Instrument{RateHz: 1000}})
		last := int64(math.MinInt64)
		l.play(rand.New(rand.NewPCG(seed, 0)), 200, func(b *Batch, truth float64) {
			s := c.Take(b)
			increasing(t, s, b.K, &last)
			if e := float64(s.At(b.K-1))/1e9 - truth; s.Settled || math.Abs(e) > 2.5 {
				t.Fatalf("real rate %g: error %.3f s at %.3f s, settled %v", real, e, truth, s.Settled)
			}
		})
	}
}

// A described tick that does not come leaves the arrival, and the bound says so.
func TestClockWithoutItsTick(t *testing.T) {
	c := NewClock(ClockOptions{Instrument: Instrument{RateHz: 1000, TickHz: 1e6}})
	if s := c.Take(&Batch{Arrived: 50e6, HasSeq: true, N: 1, K: 4, Newest: true}); s.At(3) != 50e6 || s.UNS < spreadNS {
		t.Errorf("%+v", s)
	}
}

// Any batches at all: no panic, increasing times, and numbers that are finite.
func FuzzClock(f *testing.F) {
	f.Add(uint64(1), 1000.0, 1e6, uint8(0))
	f.Add(uint64(2), 0.0, 0.0, uint8(1))
	f.Add(uint64(3), 1e5, 0.0, uint8(2))
	f.Fuzz(func(t *testing.T, seed uint64, rate, tickHz float64, kind uint8) {
		if !(rate >= 0 && rate <= 1e6) || !(tickHz >= 0 && tickHz <= 1e10) {
			return
		}
		r := rand.New(rand.NewPCG(seed, 0))
		c := NewClock(ClockOptions{Instrument: Instrument{RateHz: rate, TickHz: tickHz, Polled: kind&1 != 0}})
		last, at := int64(math.MinInt64), int64(0)
		for range 300 {
			at += int64(r.ExpFloat64() * 1e7)
			b := &Batch{Arrived: at, N: 1, K: 1 + r.IntN(20), Newest: r.IntN(2) == 0, HasTick: kind&2 == 0, HasSeq: kind&4 == 0,
				Tick: r.Uint64() >> r.IntN(64), Seq: r.Uint64() >> r.IntN(64), Epoch: uint32(r.IntN(20) / 19)}
			s := c.Take(b)
			if math.IsNaN(s.StepNS) || s.UNS < 0 {
				t.Fatalf("%+v", s)
			}
			increasing(t, s, b.K, &last)
		}
	})
}

func TestClockDoesNotAllocate(t *testing.T) {
	c, b := NewClock(ClockOptions{Instrument: Instrument{RateHz: 1000, TickHz: 1e6}}), &Batch{HasSeq: true, HasTick: true, Newest: true, N: 1, K: 100}
	if n := testing.AllocsPerRun(3000, func() {
		b.Seq += 100
		b.Tick += 100e3
		b.Arrived += 100e6
		c.Take(b)
	}); n != 0 {
		t.Errorf("%g allocations a batch", n)
	}
}

func BenchmarkClockTake(b *testing.B) {
	c, bt := NewClock(ClockOptions{Instrument: Instrument{RateHz: 1000, TickHz: 1e6}}), &Batch{HasSeq: true, HasTick: true, Newest: true, N: 1, K: 16}
	b.ReportAllocs()
	for b.Loop() {
		bt.Seq += 16
		bt.Tick += 16e3
		bt.Arrived += 16e6
		c.Take(bt)
	}
}
