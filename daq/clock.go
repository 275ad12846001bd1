package daq

import "math"

// ClockOptions is the option struct of a Clock. Zero fields take the default.
type ClockOptions struct {
	Instrument Instrument
	// WindowS is how much of the past the envelope rests on, in device seconds
	// (default 100; 60 to 120 is the range in which it was measured).
	WindowS float64
	// MinDelayS bounds the shortest time between taking a sample and the end
	// of the Read that delivered it, in s (default 1 ms). It can't be seen in
	// the data; it only enters the stated uncertainty.
	MinDelayS float64
}

// A Stamp says when the rows of one batch were sampled.
type Stamp struct {
	T0     int64   // bench time of the first row, ns
	StepNS float64 // from row to row, ns
	Times  []int64 // the rows' own times, where the batch has them; T0 and StepNS then mean nothing
	// Settled tells that the clock rests on a filled window, or that there is
	// no clock to recover (polled, arrival and explicit times).
	Settled bool
	// Late tells that the time is less certain: the batch came after a stall
	// and has no tick or sequence, or the device's clock has been seconds
	// without one timely sample and may have stood still.
	Late  bool
	UNS   int64  // bound on the error of the times, ns: minimum delay + one sample period, more while not settled
	Epoch uint32 // of the batch
}

// At returns the bench time of row k in ns.
func (s *Stamp) At(k int) int64 {
	if s.Times != nil {
		return s.Times[k]
	}
	return s.T0 + int64(math.Round(float64(k)*s.StepNS))
}

// ClockState is what a Clock knows of itself, for the display.
type ClockState struct {
	Settled  bool
	RatePPM  float64 // how much slower the device's clock runs than the bench's
	SpreadNS int64   // mean delay of the newest samples above the shortest, ns
	Points   int     // seconds of envelope in the window
	Restarts uint64  // times recovery started over though the decoder saw no reset
	Squeezed uint64  // batches whose rows had to be squeezed to keep times increasing
}

// A Clock recovers the bench time of an instrument's rows.
//
// An instrument with a tick or a sequence number has a clock of its own. The
// samples' arrivals lag its time by a delay that is never negative: the lower
// envelope of (device time, arrival) over the window is the device's clock as
// seen from the bench, apart from the shortest delay. Least squares would
// follow the mean delay instead, and with it every stall. Only the newest batch
// of a Read carries a clean arrival. The mapping in use is slewed towards the
// envelope, so that times never jump and never run backwards.
//
// Polled readings take the middle of request and answer. What is answered was
// measured up to one renewal before: where the device's own rhythm and the polls'
// are near each other that age beats between nothing and a whole renewal, so all
// of it counts as uncertainty. Batches without tick
// and sequence end at their arrival; batches with Times keep them.
//
// A Clock is a function of the batches it was given and of nothing else, so a
// replay gives the same times. It does not allocate once made.
type Clock struct {
	mode      clockMode
	perTick   float64 // device ns per tick or per row of sequence
	rowTicks  float64 // ticks from row to row
	periodNS  float64 // nominal sample period, ns; 0: not known
	windowNS  float64
	minDelay  int64
	renewNS   int64 // of a device that is asked: how old its newest measurement may be
	started   bool
	epoch     uint32
	base      uint64 // tick or sequence at which device time is 0
	baseAt    int64  // bench time at that point: arrivals are counted from it
	pace      pace   // measures rowTicks
	env       envelope
	slope     float64 // of the epoch before, from which a new epoch starts
	x, y      float64 // the mapping in use: device ns x is bench ns baseAt + x + y
	mapped    bool    // x, y hold
	settled   bool
	last      int64 // bench time of the newest row stamped
	lastSeen  bool
	arrived   int64 // of the batch before
	restarts  uint64
	squeezed  uint64
	farPoints int
}

type clockMode uint8

const (
	byArrival clockMode = iota
	byTick
	bySequence
	byPoll
)

const (
	secondNS = 1e9
	// settleS is how much of the window must be filled before times count as
	// settled.
	settleS = 60
	// settleNS and unsettleNS: a mapping this near to the envelope may count as
	// settled, and one this far no longer does.
	settleNS, unsettleNS = 1e6, 10e6
	// slowestHz: a described rate below it is no rate.
	slowestHz = 1e-3
	// slewTauNS and slewMax shape the approach to the envelope: an error dies
	// with this time constant, and never faster than this fraction of time.
	slewTauNS, slewMax = 2e9, 200e-6
	// While not settled the first arrivals may have been late by a whole stall:
	// the way back is fast, but times still increase.
	hasteTauNS, hasteMax = 50e6, 0.5
	// backNS: a counter that goes back by more than this was reset; less is the
	// grain of a coarse tick.
	backNS = 100e6
	// aheadNS: a sample that seems to come this long before its time tells
	// that the device's counter jumped. behindNS, farLimit: so do this many
	// seconds without one sample less late than this.
	aheadNS, behindNS, farLimit = 250e6, 100e6, 10
	// spreadNS stands for the delay spread that was not yet seen: USB adapters
	// hand over every 16 ms (common practice, no source).
	spreadNS = 16e6
	// stallNS: an arrival this much later than the batch is long is Late.
	stallNS = 50e6
)

// NewClock returns the clock of one instrument.
func NewClock(o ClockOptions) *Clock {
	c := &Clock{windowNS: o.WindowS * secondNS, minDelay: int64(o.MinDelayS * secondNS), rowTicks: 1}
	if c.windowNS <= 0 {
		c.windowNS = 100 * secondNS
	}
	c.windowNS = math.Min(c.windowNS, envelopeBins*secondNS)
	if c.minDelay <= 0 {
		c.minDelay = 1e6
	}
	in := o.Instrument
	rated := in.RateHz >= slowestHz
	if rated {
		c.periodNS = secondNS / in.RateHz
	}
	switch {
	case in.Polled:
		c.mode, c.renewNS = byPoll, int64(in.RenewS*secondNS)
		if c.renewNS <= 0 {
			c.renewNS = int64(c.periodNS)
		}
	case in.TickHz >= slowestHz:
		c.mode, c.perTick = byTick, secondNS/in.TickHz
		if rated {
			c.rowTicks = in.TickHz / in.RateHz
		}
	case rated:
		c.mode, c.perTick = bySequence, c.periodNS
	}
	return c
}

// Take stamps one batch. Batches are given in the order the loop took them.
// An empty batch gets a stamp without meaning.
func (c *Clock) Take(b *Batch) Stamp {
	if b.K <= 0 {
		return Stamp{T0: b.Arrived, Epoch: b.Epoch}
	}
	if b.Times != nil {
		c.last, c.lastSeen = b.Times[b.K-1], true
		return Stamp{Times: b.Times, Settled: true, Epoch: b.Epoch}
	}
	switch {
	case c.mode == byTick && b.HasTick:
		return c.device(b, b.Tick)
	case c.mode == bySequence && b.HasSeq:
		return c.device(b, b.Seq)
	}
	return c.arrival(b)
}

// State returns what the clock knows of itself.
func (c *Clock) State() ClockState {
	return ClockState{Settled: c.settled || c.mode == byPoll || c.mode == byArrival, RatePPM: c.env.slope * 1e6, SpreadNS: int64(c.env.spread()),
		Points: c.env.n, Restarts: c.restarts, Squeezed: c.squeezed}
}

// arrival stamps a batch that has no clock: its newest row was taken when it
// arrived, or in the middle of request and answer.
func (c *Clock) arrival(b *Batch) Stamp {
	step := c.periodNS
	s := Stamp{Settled: true, Epoch: b.Epoch, UNS: b.HalfTrip + c.renewNS}
	if c.mode != byPoll {
		s.UNS = c.minDelay + int64(step) + spreadNS
	}
	if c.mode != byPoll && c.lastSeen {
		s.Late = float64(b.Arrived-c.arrived) > float64(b.K)*step+stallNS
	}
	c.arrived = b.Arrived
	c.place(&s, b.K, float64(b.Arrived)-float64(b.K-1)*step, step)
	return s
}

// place sets the times of k rows that should start at t0 with the given step,
// and squeezes them where they would not come after the rows before.
func (c *Clock) place(s *Stamp, k int, t0, step float64) {
	end := t0 + float64(k-1)*step
	s.T0, s.StepNS = int64(math.Round(t0)), math.Max(step, 0)
	if c.lastSeen && s.T0 <= c.last {
		c.squeezed++
		s.T0 = c.last + 1
		s.StepNS = 1
		if room := end - float64(s.T0); k > 1 && room > float64(k-1) {
			s.StepNS = room / float64(k-1)
		}
	} else if k > 1 && s.StepNS < 1 {
		s.StepNS = 1
	}
	c.last, c.lastSeen = s.At(k-1), true
}

// uncertainty bounds the error of times by the device's clock: the shortest
// delay and one sample period, neither of which can be seen, and what the
// newest second shows: how far even its most timely sample lies above the line
// (a clock that bends, or stood still). While not settled the widest delay
// seen so far may have been taken for the shortest.
func (c *Clock) uncertainty() int64 {
	u := c.samplePeriod() + math.Max(0, c.env.low-c.env.at(c.env.lowX))
	if !c.settled {
		u += math.Max(spreadNS, c.env.widest)
	}
	return c.minDelay + int64(u)
}

func (c *Clock) samplePeriod() float64 {
	if c.periodNS > 0 {
		return c.periodNS
	}
	return c.rowTicks * c.perTick
}

// device stamps a batch by the device's own counter, first being its value at
// the first row.
func (c *Clock) device(b *Batch, first uint64) Stamp {
	if !c.started || b.Epoch != c.epoch {
		c.begin(b, first)
	}
	if x := c.newest(b, first); c.jumped(x, float64(b.Arrived-c.baseAt)-x) {
		c.restarts++
		c.begin(b, first)
	}
	if c.mode == byTick {
		c.rowTicks = c.pace.take(b, c.rowTicks, c.periodNS/c.perTick)
	}
	x1, arrival := c.newest(b, first), float64(b.Arrived-c.baseAt)
	if b.Newest {
		c.point(x1, arrival-x1)
	}
	rate := c.advance(x1, arrival-x1)
	s := Stamp{Settled: c.settled, Late: c.farPoints > 0, Epoch: b.Epoch, UNS: c.uncertainty()}
	step := c.rowTicks * c.perTick * (1 + rate)
	c.place(&s, b.K, float64(c.baseAt)+x1+c.y-float64(b.K-1)*step, step)
	return s
}

// newest returns the device time of a batch's newest row.
func (c *Clock) newest(b *Batch, first uint64) float64 {
	return (float64(int64(first-c.base)) + float64(b.K-1)*c.rowTicks) * c.perTick
}

// begin starts recovery anew at this batch.
func (c *Clock) begin(b *Batch, first uint64) {
	if c.env.fitted {
		c.slope = c.env.slope
	}
	c.started, c.epoch = true, b.Epoch
	c.base, c.baseAt = first, b.Arrived
	c.mapped, c.settled, c.farPoints = false, false, 0
	c.env.reset(c.slope)
	c.pace = pace{}
}

// jumped tells that the device's counter left its line: backwards, or so far
// ahead or behind that no delay explains it.
func (c *Clock) jumped(x, y float64) bool {
	if !c.mapped {
		return false
	}
	expected := c.y + c.env.slope*(x-c.x)
	if c.env.n > 0 {
		expected = c.env.at(x)
	}
	return x < c.x-backNS || y < expected-aheadNS || c.farPoints >= farLimit
}

// point gives the envelope one clean pair of device time and delay.
func (c *Clock) point(x, y float64) {
	if !c.env.take(x, y, c.windowNS) {
		return
	}
	if c.env.n > 1 && c.env.low-c.env.at(c.env.lowX) > behindNS {
		c.farPoints++
	} else {
		c.farPoints = 0
	}
	c.env.fit()
}

// advance moves the mapping in use to device time x1, towards the envelope, and
// returns its rate beyond 1. y is the delay to start from where no clean point
// has come yet.
func (c *Clock) advance(x1, y float64) float64 {
	target := y
	if c.env.n > 0 {
		target = c.env.at(x1)
	}
	if !c.mapped {
		c.x, c.y, c.mapped = x1, target, true
		return c.env.slope
	}
	tau, most := hasteTauNS, hasteMax
	if c.settled {
		tau, most = slewTauNS, slewMax
	}
	dx := x1 - c.x
	if !(dx > 0) {
		return c.env.slope // a coarse tick stood still; place keeps times increasing
	}
	off := target - (c.y + c.env.slope*dx) // what following the slope alone would leave
	pull := math.Max(-most, math.Min(most, off*math.Min(1, dx/tau)/dx))
	rate := math.Max(c.env.slope+pull, -hasteMax) // never backwards
	c.x, c.y = x1, c.y+rate*dx
	c.settle(math.Abs(off))
	return rate
}

// settle decides whether times count as settled: the window is filled, the
// mapping is on the envelope, and the envelope's slope is one that a clock can
// have. off is how far the mapping is from the envelope.
func (c *Clock) settle(off float64) {
	switch {
	case c.settled:
		c.settled = off < unsettleNS
	case c.env.fitted && math.Abs(c.env.slope) < slopeMost:
		c.settled = off < settleNS && c.env.reach() >= math.Min(settleS*secondNS, c.windowNS*0.9)
	}
}

// pace measures how many ticks pass from row to row, over at least paceRows rows
// of the device's own sequence. Without a sequence the described rate has to do.
type pace struct {
	n         int
	seq, tick [2]uint64 // anchors, the older first
}

// paceRows is the least number of rows to measure over; the anchors move on
// after eight times as many.
const paceRows = 64

// take returns the ticks from row to row: now until something better is
// measured. described is what the instrument's description says, 0 for nothing;
// a measurement off by more than twofold is a damaged counter, not a rate.
func (p *pace) take(b *Batch, now, described float64) float64 {
	if !b.HasSeq {
		return now
	}
	if p.n == 0 || b.Seq < p.seq[1] || b.Tick < p.tick[1] {
		p.n, p.seq, p.tick = 1, [2]uint64{b.Seq, b.Seq}, [2]uint64{b.Tick, b.Tick}
		return now
	}
	rows, ticks := float64(b.Seq-p.seq[0]), float64(b.Tick-p.tick[0])
	if b.Seq-p.seq[1] >= paceRows*8 {
		p.seq[0], p.tick[0] = p.seq[1], p.tick[1]
		p.seq[1], p.tick[1] = b.Seq, b.Tick
	}
	if rows < paceRows && (described > 0 || rows == 0) {
		return now
	}
	r := ticks / rows
	if described > 0 && (r < described/2 || r > described*2) || !(r > 0) {
		return now
	}
	return r
}
