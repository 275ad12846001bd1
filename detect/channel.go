package detect

import (
	"slices"

	"ventward/daq"
)

const rateSamples = 33 // samples from which an unknown rate is measured

// A channel is what the monitor knows of one channel of the table.
type channel struct {
	id     daq.ChannelID
	cfg    *daq.Channel
	count  uint64
	before uint64 // count when the samples under way came
	lastT  int64  // of the last sample that was a measurement
	seenT  int64  // of the last sample of any kind
	last   float64
	period int64 // ns; 0: not known yet
	gapNs  int64 // a longer distance between samples is a gap
	share  float64
	diffs  [rateSamples]int64
	health health
	silent bool

	p *pressure // specimen pressure
	d *input    // digital input
}

// setPeriod makes the nominal or measured period known.
func (c *channel) setPeriod(ns int64) {
	c.period = max(ns, 1)
	c.gapNs = c.period + c.period*3/5
	if c.p != nil && c.p.nl == 0 {
		c.p.setRate(1e9/float64(c.period), c.share)
	}
}

// learnPeriod measures the period of a channel whose rate nobody gave: the
// median of its first distances.
func (c *channel) learnPeriod(t int64) {
	if c.count > 0 && c.count <= rateSamples {
		c.diffs[c.count-1] = t - c.seenT
	}
	if c.count == rateSamples {
		d := c.diffs
		slices.Sort(d[:])
		c.setPeriod(d[rateSamples/2])
	}
}

// input is a digital input.
type input struct {
	known bool
	on    bool
	prev  int64 // time of the last sample that still showed the old state
}
