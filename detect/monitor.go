package detect

import (
	"fmt"
	"math"
	"slices"

	"ventward/daq"
)

// Ready is what the calls since the last Take produced. The caller acts on
// its fields in order.
type Ready struct {
	Events  []Event  // new events and new revisions, in the order they were decided
	Windows []Window // finished windows for the fit worker
}

// defaultFalseAlarmS is 1000 h.
const defaultFalseAlarmS = 3.6e6

// Monitor watches one bench.
type Monitor struct {
	opt      Options
	channels []channel
	dump     valve
	supply   valve
	book     book
	windows  []Window
	serial   int
	ambient  float64 // Pa absolute, newest
	now      int64
	due      int64 // when the next watch wants to be looked at
	thermal  thermal
}

// New returns a monitor, or an error that names the option, its value and the
// next move.
func New(o Options) (*Monitor, error) {
	if err := o.check(); err != nil {
		return nil, err
	}
	if o.Rig == "" {
		o.Rig = BurstRig
	}
	if o.Medium == "" {
		o.Medium = Gas
	}
	if o.FalseAlarmS == 0 {
		o.FalseAlarmS = defaultFalseAlarmS
	}
	o.Channels = slices.Clone(o.Channels)
	m := &Monitor{opt: o, channels: make([]channel, len(o.Channels)), ambient: o.Fixture.AmbientPa, due: never}
	pressures := 0
	for i := range o.Channels {
		if o.Channels[i].IsPressure() {
			pressures++
		}
	}
	for i := range m.channels {
		c := &m.channels[i]
		c.id, c.cfg = daq.ChannelID(i), &o.Channels[i]
		rate := 0.0
		if i < len(o.RateHz) {
			rate = o.RateHz[i]
		}
		switch {
		case c.cfg.IsPressure():
			c.share = 1 / (o.FalseAlarmS * float64(pressures))
			c.p = &pressure{code: c.cfg.Step, cap: newCapture(math.Max(rate, 1))}
			if rate == 0 {
				c.p.cap = newCapture(captureMax / captureS)
			}
		case c.cfg.Quantity == daq.Digital:
			c.d = &input{}
		}
		if rate > 0 {
			c.setPeriod(int64(math.Round(1e9 / rate)))
		}
	}
	m.thermal.init(m)
	return m, nil
}

// check refuses options that make no sense.
func (o *Options) check() error {
	switch {
	case o.Rig != "" && o.Rig != BurstRig && o.Rig != RunawayRig:
		return fmt.Errorf("detect: rig %q is unknown; use %q or %q", o.Rig, BurstRig, RunawayRig)
	case o.Medium != "" && o.Medium != Gas && o.Medium != Liquid:
		return fmt.Errorf("detect: medium %q is unknown; use %q or %q", o.Medium, Gas, Liquid)
	case o.FalseAlarmS < 0 || math.IsNaN(o.FalseAlarmS) || math.IsInf(o.FalseAlarmS, 0):
		return fmt.Errorf("detect: mean time between false alarms is %g s; give a positive time, such as %g s (1000 h), or 0 for that default", o.FalseAlarmS, defaultFalseAlarmS)
	case len(o.RateHz) != 0 && len(o.RateHz) != len(o.Channels):
		return fmt.Errorf("detect: %d sample rates for %d channels; give one rate for each channel, 0 where it is not known", len(o.RateHz), len(o.Channels))
	}
	for i, r := range o.RateHz {
		if r < 0 || math.IsNaN(r) || math.IsInf(r, 0) || r > 1e6 {
			return fmt.Errorf("detect: channel %q has a sample rate of %g Hz; give 0 to 1e6 Hz, 0 where it is not known", o.Channels[i].Name, r)
		}
	}
	return nil
}

// Step takes consecutive samples of one channel, in the order they were taken.
// It keeps no reference to s. It marks samples that turn out to be no
// measurement (Spike, Frozen) in place where it can still tell.
func (m *Monitor) Step(ch daq.ChannelID, s []daq.Sample) {
	if int(ch) >= len(m.channels) || len(s) == 0 {
		return
	}
	c := &m.channels[ch]
	switch {
	case c.p != nil:
		m.stepPressure(c, s)
	case c.d != nil:
		for i := range s {
			m.stepDigital(c, &s[i])
			c.count++
		}
		c.seenT = s[len(s)-1].T
	default:
		m.stepSensor(c, s)
	}
	m.now = max(m.now, s[len(s)-1].T)
	m.tend(c, s[len(s)-1].T)
}

// Tick tells that bench time has reached now (ns) though no sample may have
// come, so that windows are closed and silence is noticed.
func (m *Monitor) Tick(now int64) {
	m.now = max(m.now, now)
	for i := range m.channels {
		m.listen(&m.channels[i], now)
	}
	m.closeStale(now)
}

// Close ends the record: windows still open are closed as they are.
func (m *Monitor) Close() {
	for _, r := range m.book.recs {
		m.finish(r)
	}
	m.thermal.close(m)
	for i := range m.channels {
		m.endFault(&m.channels[i])
	}
}

// Take returns what became ready since the last call; valid until the next
// call of any method.
func (m *Monitor) Take() *Ready {
	r := &Ready{Events: m.book.out, Windows: m.windows}
	m.book.out, m.windows = nil, nil
	return r
}

// NoisePa is the monitor's present estimate of a pressure channel's noise
// (standard deviation of one sample, Pa); 0 before it is known or for other
// channels.
func (m *Monitor) NoisePa(ch daq.ChannelID) float64 {
	if int(ch) >= len(m.channels) || m.channels[ch].p == nil {
		return 0
	}
	return m.channels[ch].p.sigma()
}
