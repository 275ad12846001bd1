package config

import (
	"fmt"
	"sort"
	"strconv"

	"ventward/daq"
	"ventward/guard"
)

// Warnings lists what may be wrong without stopping the bench. today is the
// date as YYYY-MM-DD; empty leaves dates unjudged.
func (b *Bench) Warnings(today string) Problems {
	w := warnings{bench: b}
	for i := range b.Instruments {
		w.instrument(i)
	}
	for i := range b.Channels {
		w.calibration(i, today)
		w.polarity(i)
	}
	w.slow()
	for i := range b.Guard.Rules {
		w.early(i)
		w.unproved(i)
	}
	w.safety()
	return w.list.sorted()
}

// polarity warns of an input that trips or guards without saying when it is on.
func (w *warnings) polarity(i int) {
	c := &w.bench.Channels[i]
	if c.Role != daq.RoleEStop && c.Role != daq.RoleShield || w.bench.source == nil {
		return
	}
	if _, text := w.bench.source.written(element("channel", i), "one_when"); text == "" {
		w.add("channel", i, c.Name, "one_when", "", "", "not stated: the input is taken to be 1 while its bit is set or its signal is high", "say which level means closed or healthy: one_when = \"set\" or \"clear\" (of a signal \"above\" or \"below\")")
	}
}

type warnings struct {
	bench *Bench
	list  Problems
}

func (w *warnings) add(list string, i int, name, stems, value, unit, message, next string) {
	p := Problem{Field: stems, Value: value, Unit: unit}
	if list != "" {
		p = w.bench.source.locate(list, i, name, stems, value, unit)
	}
	p.File, p.Message, p.Next = w.bench.Source, message, next
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
	if in.Line != nil && !in.Line.HasChecksum() {
		w.add("instrument", i, in.Name, "checksum", "", "", "none: a damaged line can give a wrong number that nobody notices", "use checksum = \"xor\" or \"crc16\" if the instrument can")
	}
	if in.Query != nil && !in.Query.HasChecksum() {
		w.add("instrument", i, in.Name, "checksum", "", "", "none: a damaged answer can give a wrong number that nobody notices", "use checksum = \"xor\" or \"crc16\" if the instrument can")
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

// slow warns of instruments that are too slow for the intended ramp and that
// somebody accepted.
func (w *warnings) slow() {
	for _, l := range w.bench.PeakLosses() {
		if l.TooSlow && l.Accepted != "" {
			w.add("channel", l.channel, l.Channel, "slow_accepted_by instrument", strconv.Quote(l.Accepted), "", l.says(), "results carry it as a possible loss of the peak")
		}
	}
	for _, p := range w.bench.Paths() {
		if late, says := w.bench.late(&p); late {
			rule := &w.bench.Guard.Rules[p.rule]
			w.add("rule", p.rule, rule.Name, "trip", show(rule.Limit/1e5), "bar", says, "it was accepted by "+w.bench.Slow[p.Channel]+"; the hardware's own protection must hold alone")
		}
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
				w.add("rule", i, rule.Name, "trip alarm", show(limit/1e5), "barg", fmt.Sprintf("trips before the %s's highest nominal opening of %s bar gauge", f.Name, show(*high/1e5)), "raise it if that feature is under test")
			} else if low := f.LowPa; low != nil && limit < *low {
				w.add("rule", i, rule.Name, "trip alarm", show(limit/1e5), "barg", fmt.Sprintf("trips before the %s's lowest nominal opening of %s bar gauge", f.Name, show(*low/1e5)), "raise it if that feature is under test")
			}
		}
	}
}

// unproved warns of a trip of which nobody says until when its proof test is
// good.
func (w *warnings) unproved(i int) {
	if r := &w.bench.Guard.Rules[i]; len(r.Trip) > 0 && r.ProofDue == "" {
		w.add("rule", i, r.Name, "proof_due", "", "", "not stated: the trip is not known to have been tested to its last element", "test it, and state until when that is good, or enter it: ventward enter proof")
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
