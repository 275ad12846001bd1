package daq

import (
	"fmt"
	"math"

	"ventward/daq/calib"
)

const (
	// helperAgeNS is how old the newest sound reading of a cold junction, an
	// excitation or a barometer may be before the values referred to it say so.
	// All three move slowly.
	helperAgeNS = int64(10e9)
	// ambientS is the time constant, in s, with which a barometer's readings are
	// smoothed before they are added to another channel: weather is slower, and
	// the barometer's noise is not to become that channel's.
	ambientS = 30.0
)

// A helper is what one channel says for others.
type helper struct {
	v      float64 // NaN: nothing yet
	t      int64   // of the newest sound reading
	smooth bool
}

// findHelpers numbers the channels that others are referred to.
func (c *Conditioner) findHelpers(channels []Channel) (map[string]int, error) {
	byName := map[string]*Channel{}
	for i := range channels {
		byName[channels[i].Name] = &channels[i]
	}
	feeds := map[string]int{}
	note := func(name string, smooth bool) {
		if _, ok := feeds[name]; !ok {
			feeds[name] = len(c.helpers)
			c.helpers = append(c.helpers, helper{v: math.NaN(), smooth: smooth})
		}
	}
	for i := range channels {
		ch := &channels[i]
		if name := ch.Curve.Helper(); name != "" {
			if err := helps(ch, name, byName[name]); err != nil {
				return nil, err
			}
			note(name, false)
		}
		if name := ch.Curve.Barometer; name != "" {
			if err := measuresAmbient(ch, name, byName[name]); err != nil {
				return nil, err
			}
			note(name, true)
		}
	}
	return feeds, nil
}

// helps judges a cold junction's or an excitation's channel.
func helps(ch *Channel, name string, h *Channel) error {
	field, wants, advice := "junction", Temperature, "state junction_C"
	if ch.Curve.Kind == calib.Bridge {
		field, wants, advice = "excitation", Voltage, "leave it out"
	}
	switch {
	case h == nil:
		return fmt.Errorf("channel %q: %s = %q: no such channel; name the one that measures it, or %s", ch.Name, field, name, advice)
	case h.Quantity != wants:
		return fmt.Errorf("channel %q: %s = %q measures %s; name a %s channel", ch.Name, field, name, h.Quantity, wants)
	case h.Curve.Kind == calib.ThermocoupleCurve:
		return fmt.Errorf("channel %q: %s = %q is a thermocouple itself; name a channel that needs no cold junction", ch.Name, field, name)
	case h.Curve.Helper() != "":
		return fmt.Errorf("channel %q: %s = %q is itself referred to %q; name a channel that stands alone", ch.Name, field, name, h.Curve.Helper())
	}
	return nil
}

func measuresAmbient(ch *Channel, name string, h *Channel) error {
	switch {
	case h == nil:
		return fmt.Errorf("channel %q: barometer = %q: no such channel; name the barometer's, or state ambient_Pa", ch.Name, name)
	case h.Quantity != Pressure || h.Reference != Absolute:
		return fmt.Errorf("channel %q: barometer = %q measures %s %s; name an absolute pressure", ch.Name, name, h.Reference, h.Quantity)
	case h.Curve.Barometer != "":
		return fmt.Errorf("channel %q: barometer = %q is itself referred to a barometer; name a channel that stands alone", ch.Name, name)
	}
	return nil
}

// help readies the lane for a batch at t: it returns the reading of its cold
// junction or excitation (NaN before it was read), and Unreferred where that or
// the barometer was not read lately.
func (c *Conditioner) help(l *lane, t int64) (float64, Quality) {
	v, q := l.fixedC, Quality(0)
	if l.helper >= 0 {
		h := &c.helpers[l.helper]
		v = h.v
		if t-h.t > helperAgeNS {
			q = Unreferred
		}
	}
	if l.barometer >= 0 {
		h := &c.helpers[l.barometer]
		if t-h.t > helperAgeNS {
			q = Unreferred
		}
		if h.v != l.ambient {
			l.refer(h.v)
		}
	}
	return v, q
}

// refer refers the lane to another ambient pressure; NaN: none is known.
func (l *lane) refer(ambient float64) {
	l.ambient = ambient
	l.add = l.law.Referred() * ambient
	_, offset, _ := l.law.Linear()
	l.offset = offset + l.add
	if l.quietLo, l.quietHi = math.Inf(1), math.Inf(-1); !math.IsNaN(ambient) {
		l.quietLo, l.quietHi = l.quiet()
	}
}

// feed keeps what a lane's newest sound reading says for others.
func (c *Conditioner) feed(l *lane, s []Sample) {
	if l.feeds < 0 {
		return
	}
	for i := len(s) - 1; i >= 0; i-- {
		if s[i].Q&Bad == 0 {
			c.helpers[l.feeds].take(s[i].V, s[i].T)
			return
		}
	}
}

// take takes a reading. A smoothed helper follows it with its time constant,
// and at once after a pause as long as that.
func (h *helper) take(v float64, t int64) {
	if dt := float64(t-h.t) / 1e9; h.smooth && !math.IsNaN(h.v) && dt < ambientS {
		v = h.v + (v-h.v)*-math.Expm1(-math.Max(dt, 0)/ambientS)
	}
	h.v, h.t = v, max(h.t, t)
}
