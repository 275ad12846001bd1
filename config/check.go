package config

import (
	"fmt"
	"sort"
	"strconv"

	"ventward/daq"
	"ventward/daq/calib"
	"ventward/guard"
)

// saturation is the part of full scale from which a sample is a lower bound:
// a limit beyond it can't be seen.
const saturation = 0.98

// crossCheck judges what only the whole description can tell.
func (r *reading) crossCheck() {
	for i := range r.bench.Instruments {
		r.lineLoad(i)
	}
	for i := range r.bench.Guard.Rules {
		r.reachable(i)
	}
	r.specimen()
}

// report adds a problem of list entry i, at the key if it is there, else at
// the entry.
func (r *reading) report(list string, i int, name, key, value, unit, message, next string) {
	path := element(list, i)
	if at := join(path, key); r.d.lines[at] > 0 {
		path = at
	}
	r.d.add(path, fmt.Sprintf("%s %q: %s", list, name, key), value, unit, message, next)
}

// lineLoad refuses an instrument that says more than its line carries.
func (r *reading) lineLoad(i int) {
	in := &r.bench.Instruments[i]
	used, what := load(in)
	if used > 1 {
		r.report("instrument", i, in.Name, "baud", strconv.Itoa(in.Port.Baud), "Bd",
			fmt.Sprintf("%s needs at least %.0f %% of the line", what, 100*used),
			fmt.Sprintf("raise baud to %.0f or more, or lower rate_hz", float64(in.Port.Baud)*used*1.1))
	}
}

// reachable refuses a limit that the channel's transducer can never show.
func (r *reading) reachable(i int) {
	rule := &r.bench.Guard.Rules[i]
	if rule.Kind != guard.LimitHigh && rule.Kind != guard.LimitLow {
		return
	}
	for _, id := range rule.Channels {
		c := &r.bench.Channels[id]
		if c.Low == 0 && c.High == 0 {
			continue
		}
		edge, u := guard.Edge(c.Quantity, rule.Limit)
		high, _ := guard.Edge(c.Quantity, c.High)
		low, _ := guard.Edge(c.Quantity, c.Low)
		switch {
		case rule.Kind == guard.LimitHigh && rule.Limit >= saturation*c.High:
			r.report("rule", i, rule.Name, "limit", show(edge), u,
				fmt.Sprintf("can't be seen by channel %q, which saturates at 98 %% of its full scale of %s %s", c.Name, show(high), u),
				fmt.Sprintf("set it below %s %s, or fit a transducer of a wider range", show(saturation*high), u))
		case rule.Limit < c.Low || rule.Limit > c.High:
			r.report("rule", i, rule.Name, "limit", show(edge), u,
				fmt.Sprintf("is outside the range of channel %q, %s to %s %s", c.Name, show(low), show(high), u),
				"set it inside the range, or fit another transducer")
		}
	}
}

// specimen refuses a burst bench whose transducers can't show the openings.
func (r *reading) specimen() {
	top := 0.0
	for _, f := range r.bench.Detect.Features {
		if f.HighPa != nil {
			top = max(top, *f.HighPa)
		} else if f.LowPa != nil {
			top = max(top, *f.LowPa)
		}
	}
	ambient := r.bench.Detect.Fixture.AmbientPa
	watching := false
	for i := range r.bench.Channels {
		c := &r.bench.Channels[i]
		if !c.IsPressure() {
			continue
		}
		watching = true
		need := top
		if c.Reference == daq.Absolute {
			need += ambient
		}
		if top > 0 && need >= saturation*c.High {
			r.report("channel", i, c.Name, "range", show(c.High/1e5), "bar",
				fmt.Sprintf("saturates before the features' highest limit of %s bar in its reference", show(need/1e5)),
				"fit a transducer of a wider range, or mend the features")
		}
	}
	if !watching {
		r.d.add("", "channel", "", "", "no channel has role p: nothing watches the specimen's pressure", "give the specimen's transducer role = \"p\"")
	}
}

// own has the packages check their own option structs.
func (r *reading) own() {
	for i := range r.bench.Channels {
		c := &r.bench.Channels[i]
		for _, p := range c.Curve.Check() {
			r.report("channel", i, c.Name, "calibration", "", "", p.Field+" = "+p.Value+" "+p.Message, "")
		}
		if _, err := calib.Compile(c.Curve); err != nil && len(r.d.problems) == 0 {
			r.report("channel", i, c.Name, "calibration", "", "", err.Error(), "")
		}
	}
	for _, p := range r.bench.Guard.Check() {
		r.d.add("", p.Field, p.Value, "", p.Message, "")
	}
}

// Warnings lists what may be wrong without stopping the bench. today is the
// date as YYYY-MM-DD; empty leaves dates unjudged.
func (b *Bench) Warnings(today string) Problems {
	w := warnings{bench: b}
	for i := range b.Instruments {
		w.instrument(i)
	}
	for i := range b.Channels {
		w.calibration(i, today)
		w.peak(i)
	}
	for i := range b.Guard.Rules {
		w.early(i)
	}
	w.safety()
	return w.list.sorted()
}

type warnings struct {
	bench *Bench
	list  Problems
}

func (w *warnings) add(list string, i int, name, key, value, unit, message, next string) {
	p := Problem{File: w.bench.Source, Field: key, Value: value, Unit: unit, Message: message, Next: next}
	if list != "" {
		path := element(list, i)
		p.Line = w.bench.lines[path]
		if at := w.bench.lines[join(path, key)]; at > 0 {
			p.Line = at
		}
		p.Field = fmt.Sprintf("%s %q: %s", list, name, key)
	}
	w.list = append(w.list, p)
}

func (w *warnings) instrument(i int) {
	in := &w.bench.Instruments[i]
	if movable(in.Port.Path) {
		w.add("instrument", i, in.Name, "port", strconv.Quote(in.Port.Path), "", "may name another device after a restart or replug", "use the stable path under /dev/serial/by-id/")
	}
	if used, what := load(in); used > 0.8 && used <= 1 {
		w.add("instrument", i, in.Name, "baud", strconv.Itoa(in.Port.Baud), "Bd", fmt.Sprintf("%s takes at least %.0f %% of the line", what, 100*used), "raise baud or lower rate_hz")
	}
	if in.Line != nil && in.Line.Checksum == "none" {
		w.add("instrument", i, in.Name, "checksum", "", "", "none: a damaged line can give a wrong number that nobody notices", "use checksum = \"xor\" or \"crc16\" if the instrument can")
	}
	if in.Line != nil && in.Line.SeqField < 0 {
		w.add("instrument", i, in.Name, "sequence_field", "", "", "none: lost lines can't be counted", "add the sequence number if the instrument can send one")
	}
}

func (w *warnings) calibration(i int, today string) {
	c := &w.bench.Channels[i]
	if c.Role != daq.RoleSpecimen && c.Role != daq.RoleBarometer {
		return
	}
	switch {
	case c.Certificate == "":
		w.add("channel", i, c.Name, "calibration", "", "", "no certificate: its results carry the flag uncalibrated", "add [channel.calibration] with certificate, due and expanded_u")
	case today != "" && c.CalDue != "" && c.CalDue < today:
		w.add("channel", i, c.Name, "calibration", "", "", fmt.Sprintf("certificate %s ran out on %s", c.Certificate, c.CalDue), "have the transducer calibrated and enter the new certificate")
	}
	if c.Role == daq.RoleSpecimen && !c.Zeroed {
		w.add("channel", i, c.Name, "calibration", "", "", "its zero is not verified: results carry the flag unverified-zero", "open the line to air, check the reading and set zero_verified = true")
	}
	if c.Role == daq.RoleSpecimen && c.LagS == 0 {
		w.add("channel", i, c.Name, "lag_ms", "", "", "not given: results carry the flag lag-unknown", "add the transducer's time constant from its data sheet")
	}
}

// peakPart is the part of full scale that lag and sampling may hide of a peak
// before the instrument counts as too slow for the ramp: the order of a good
// industrial transducer's own accuracy (common practice, no source).
const peakPart = 0.005

// peak warns of an instrument that is too slow for the intended ramp.
func (w *warnings) peak(i int) {
	c := &w.bench.Channels[i]
	if !c.IsPressure() || w.bench.RampPaS == 0 {
		return
	}
	hidden := w.bench.RampPaS * (1/w.bench.Instruments[c.Instrument].RateHz + c.LagS + c.DelayS)
	if hidden > peakPart*c.High {
		w.add("channel", i, c.Name, "instrument", "", "", fmt.Sprintf("at %s bar/s its sample rate and lag may hide %.3g bar of a peak, more than 0.5 %% of full scale", show(w.bench.RampPaS/1e5), hidden/1e5),
			"use a faster instrument or a slower ramp")
	}
}

// early warns of a trip that shuts the supply before a feature can open.
func (w *warnings) early(i int) {
	rule := &w.bench.Guard.Rules[i]
	if rule.Kind != guard.LimitHigh || len(rule.Trip) == 0 {
		return
	}
	for _, id := range rule.Channels {
		c := &w.bench.Channels[id]
		if !c.IsPressure() {
			continue
		}
		limit := rule.Limit
		if c.Reference == daq.Absolute {
			limit -= w.bench.Detect.Fixture.AmbientPa
		}
		for _, f := range w.bench.Detect.Features {
			if high := f.HighPa; high != nil && limit < *high {
				w.add("rule", i, rule.Name, "limit", show(limit/1e5), "barg", fmt.Sprintf("trips before the %s's highest nominal opening of %s bar gauge", f.Name, show(*high/1e5)), "raise it if that feature is under test")
			} else if low := f.LowPa; low != nil && limit < *low {
				w.add("rule", i, rule.Name, "limit", show(limit/1e5), "barg", fmt.Sprintf("trips before the %s's lowest nominal opening of %s bar gauge", f.Name, show(*low/1e5)), "raise it if that feature is under test")
			}
		}
	}
}

// safety warns of what the bench leaves unwatched.
func (w *warnings) safety() {
	b := w.bench
	if b.NoWatchdog != "" {
		w.add("", 0, "", "without_watchdog", strconv.Quote(b.NoWatchdog), "", "outputs stay as they are when this program or its computer dies", "fit a hardware watchdog relay")
	}
	has := map[guard.RuleKind]bool{}
	for _, r := range b.Guard.Rules {
		has[r.Kind] = true
	}
	var missing []string
	for _, k := range []guard.RuleKind{guard.LimitHigh, guard.Stale, guard.Faulty} {
		if !has[k] {
			missing = append(missing, string(k))
		}
	}
	if len(b.Outputs) > 0 && !has[guard.Unconfirmed] {
		missing = append(missing, string(guard.Unconfirmed))
	}
	sort.Strings(missing)
	for _, k := range missing {
		w.add("", 0, "", "rule", "", "", "no rule of kind "+k, "add one unless something else watches it")
	}
}
