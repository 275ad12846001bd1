package daq

import (
	"fmt"
	"math"

	"ventward/daq/calib"
)

// FullScale is the part of the range at and beyond which a sample is Saturated
// (common practice, no source).
const FullScale = 0.98

// A Conditioner turns raw batches into the samples of every channel: value by
// the channel's calibration, time by its instrument's stamp, and the quality
// bits that follow from one reading alone (Frozen, Spike and Shock need the
// past and are detection's to set). It does not allocate once its buffers have
// grown to the longest batch.
type Conditioner struct {
	lanes   [][]lane // by instrument; channels that others are referred to first
	helpers []helper
	seen    []bool   // by instrument: a batch has come
	epoch   []uint32 // of that batch
	times   []int64
	refused uint64
}

// lane is one channel's way from a column to its samples.
type lane struct {
	ch           ChannelID
	column       int
	law          calib.Law
	gain, offset float64
	linear       bool
	quietLo      float64 // raw band in which a sample is good but for base
	quietHi      float64
	limits       limits
	base         Quality // bits every sample of the channel carries
	helper       int     // index in helpers of the cold junction or the excitation; -1: fixedC holds
	fixedC       float64
	barometer    int     // index in helpers; -1: none
	ambient      float64 // what the barometer gave when the lane was last referred to it
	add          float64 // ambient, with its sign
	feeds        int     // index in helpers this channel feeds; -1: none
	buf          []Sample
}

// limits are a channel's limits; NaN where there is none, so that every
// comparison with it is false.
type limits struct {
	railLow, railHigh   float64 // raw
	open, openHigh      float64 // raw
	satHigh, satLow, lo float64 // channel's unit
}

// NewConditioner returns the conditioner of a bench's tables. The error names
// the channel, the field and the next move.
func NewConditioner(channels []Channel, instruments []Instrument) (*Conditioner, error) {
	c := &Conditioner{lanes: make([][]lane, len(instruments)), seen: make([]bool, len(instruments)), epoch: make([]uint32, len(instruments))}
	feeds, err := c.findHelpers(channels)
	if err != nil {
		return nil, err
	}
	for pass := range 2 { // those that others are referred to first
		for i := range channels {
			ch := &channels[i]
			f, helps := feeds[ch.Name]
			if helps != (pass == 0) {
				continue
			}
			l, err := newLane(ChannelID(i), ch, instruments)
			if err != nil {
				return nil, err
			}
			if helps {
				l.feeds = f
			}
			if name := ch.Curve.Helper(); name != "" {
				l.helper = feeds[name]
			}
			if l.law.Referred() != 0 {
				l.barometer = feeds[ch.Curve.Barometer]
				l.refer(math.NaN())
			}
			c.lanes[ch.Instrument] = append(c.lanes[ch.Instrument], l)
		}
	}
	return c, nil
}

func newLane(id ChannelID, ch *Channel, instruments []Instrument) (lane, error) {
	l := lane{ch: id, column: ch.Column, helper: -1, barometer: -1, feeds: -1, fixedC: ch.Curve.JunctionC}
	if ch.Instrument < 0 || ch.Instrument >= len(instruments) {
		return l, fmt.Errorf("channel %q: instrument = %d: there are %d; number them from 0", ch.Name, ch.Instrument, len(instruments))
	}
	in := &instruments[ch.Instrument]
	if ch.Column < 0 || ch.Column >= in.Columns {
		return l, fmt.Errorf("channel %q: column = %d: instrument %q has %d columns; number them from 0", ch.Name, ch.Column, in.Name, in.Columns)
	}
	if ch.High < ch.Low {
		return l, fmt.Errorf("channel %q: high = %g is below low = %g; state the transducer's range", ch.Name, ch.High, ch.Low)
	}
	var err error
	if l.law, err = calib.Compile(ch.Curve); err != nil {
		return l, fmt.Errorf("channel %q: %w", ch.Name, err)
	}
	l.gain, l.offset, l.linear = l.law.Linear()
	if ch.Certificate == "" && ch.Quantity != Digital && ch.Quantity != Number {
		l.base = Uncalibrated
	}
	l.limits = newLimits(ch)
	l.quietLo, l.quietHi = l.quiet()
	return l, nil
}

func newLimits(ch *Channel) limits {
	nan := math.NaN()
	m := limits{nan, nan, nan, nan, nan, nan, nan}
	if ch.RailLow != 0 || ch.RailHigh != 0 {
		m.railLow, m.railHigh = ch.RailLow, ch.RailHigh
	}
	if ch.OpenBelow != 0 {
		m.open = ch.OpenBelow
	}
	if ch.OpenAbove != 0 {
		m.openHigh = ch.OpenAbove
	}
	if ch.High > ch.Low {
		m.satHigh = FullScale * ch.High
		if ch.High < 0 {
			m.satHigh = ch.High
		}
		if ch.Low < 0 {
			m.satLow = FullScale * ch.Low
		} else {
			m.lo = ch.Low - (1-FullScale)*(ch.High-ch.Low)
		}
	}
	return m
}

// quiet narrows the law's quiet band to the readings that no limit of the
// channel touches. The ends are drawn in by a rounding so that a value computed
// from a reading inside is inside its limits too; what is cut off takes the
// slow way to the same result.
func (l *lane) quiet() (lo, hi float64) {
	if !l.linear || l.gain == 0 {
		return math.Inf(1), math.Inf(-1)
	}
	lo, hi = l.law.Quiet()
	low := func(x float64) {
		if x += 1e-9 * math.Abs(x); x > lo {
			lo = x
		}
	}
	high := func(x float64) {
		if x -= 1e-9 * math.Abs(x); x < hi {
			hi = x
		}
	}
	low(above(l.limits.railLow))
	low(l.limits.open)
	high(below(l.limits.railHigh))
	high(l.limits.openHigh)
	bottom, top := math.Max(zeroNaN(l.limits.satLow), zeroNaN(l.limits.lo)), l.limits.satHigh
	a, b := (above(bottom)-l.offset)/l.gain, (below(top)-l.offset)/l.gain
	if l.gain < 0 {
		a, b = b, a
	}
	low(a)
	high(b)
	return lo, hi
}

// zeroNaN turns a missing lower limit into one that nothing is below.
func zeroNaN(x float64) float64 {
	if math.IsNaN(x) {
		return math.Inf(-1)
	}
	return x
}

// above and below step off a limit that itself already counts.
func above(x float64) float64 { return math.Nextafter(x, math.Inf(1)) }
func below(x float64) float64 { return math.Nextafter(x, math.Inf(-1)) }

// Refused counts batches that did not fit their instrument's description and
// gave no samples.
func (c *Conditioner) Refused() uint64 { return c.refused }

// Take conditions one batch and calls out once for each channel of its
// instrument with the channel's samples, channels that others are referred to first. The slices are
// valid until the next Take; out may change the samples. A batch that does not
// fit (unknown instrument, too few columns, short of rows) is counted and
// skipped.
func (c *Conditioner) Take(b *Batch, st Stamp, out func(ch ChannelID, s []Sample)) {
	i := int(b.Instrument)
	if i >= len(c.lanes) || b.K <= 0 || !fits(b) || st.Times != nil && len(st.Times) < b.K {
		c.refused++
		return
	}
	var first Quality
	if b.Lost > 0 || b.Refused > 0 || c.seen[i] && b.Epoch != c.epoch[i] {
		first = Gap
	}
	c.seen[i], c.epoch[i] = true, b.Epoch
	var all Quality
	if !st.Settled {
		all |= Unsettled
	}
	if st.Late {
		all |= Late
	}
	times := c.stamp(st, b.K)
	for j := range c.lanes[i] {
		l := &c.lanes[i][j]
		if l.column >= b.N {
			c.refused++
			continue
		}
		helped, doubt := c.help(l, times[0])
		s := l.take(b, times, l.base|all|doubt, helped)
		s[0].Q |= first
		c.feed(l, s)
		out(l.ch, s)
	}
}

// fits tells whether a batch has as many readings as it says.
func fits(b *Batch) bool {
	if b.N <= 0 {
		return false
	}
	have := len(b.Counts)
	if b.Counts == nil {
		have = len(b.Floats)
	}
	return have/b.N >= b.K
}

// stamp writes the rows' times once for all channels.
func (c *Conditioner) stamp(st Stamp, k int) []int64 {
	if st.Times != nil {
		return st.Times[:k]
	}
	if cap(c.times) < k {
		c.times = make([]int64, k+k/2)
	}
	t := c.times[:k]
	for i := range t {
		t[i] = st.At(i)
	}
	return t
}

// take fills the lane's buffer from its column of the batch.
func (l *lane) take(b *Batch, times []int64, q Quality, helped float64) []Sample {
	if cap(l.buf) < b.K {
		l.buf = make([]Sample, b.K+b.K/2)
	}
	s := l.buf[:b.K]
	if b.Counts != nil {
		l.counts(s, b.Counts[l.column:], b.N, times, q, helped)
	} else {
		l.floats(s, b.Floats[l.column:], b.N, times, q, helped)
	}
	return s
}

// counts is the hot loop: a multiplication, an addition and two comparisons a
// sample while nothing is wrong.
func (l *lane) counts(s []Sample, col []int32, n int, times []int64, q Quality, helped float64) {
	gain, offset, lo, hi := l.gain, l.offset, l.quietLo, l.quietHi
	times = times[:len(s)]
	at := 0
	for k := range s {
		raw := float64(col[at])
		at += n
		p := &s[k]
		p.T, p.Raw = times[k], raw
		if raw >= lo && raw <= hi {
			p.V, p.Q = gain*raw+offset, q
			continue
		}
		l.judge(p, q, helped)
	}
}

func (l *lane) floats(s []Sample, col []float64, n int, times []int64, q Quality, helped float64) {
	gain, offset, lo, hi := l.gain, l.offset, l.quietLo, l.quietHi
	times = times[:len(s)]
	at := 0
	for k := range s {
		raw := col[at]
		at += n
		p := &s[k]
		p.T, p.Raw = times[k], raw
		if raw >= lo && raw <= hi {
			p.V, p.Q = gain*raw+offset, q
			continue
		}
		l.judge(p, q, helped)
	}
}

// judge takes the slow way: the law with its faults, then every limit.
func (l *lane) judge(p *Sample, q Quality, helped float64) {
	v, fault := l.law.Value(p.Raw, helped)
	v += l.add
	p.V = v
	if fault == calib.NoValue || math.IsNaN(v) {
		p.V, p.Q = math.NaN(), q|Missing
		return
	}
	switch fault {
	case calib.OpenLoop:
		q |= Open
	case calib.BelowRange:
		q |= Under
	case calib.AboveRange:
		q |= Saturated
	case calib.Failed, calib.OffTable:
		q |= Rail
	case calib.Reversed:
		q |= Reversed
	}
	m := &l.limits
	if p.Raw <= m.railLow || p.Raw >= m.railHigh {
		q |= Rail
	}
	if p.Raw < m.open || p.Raw > m.openHigh {
		q |= Open
	}
	if v >= m.satHigh || v <= m.satLow {
		q |= Saturated
	}
	if v < m.lo {
		q |= Under
	}
	p.Q = q
}
