package config

import (
	"fmt"
	"slices"

	"ventward/daq"
	"ventward/daq/wire"
	"ventward/guard"
)

const (
	// loopS is allowed for the program itself and its computer: on a machine under
	// load the tails of scheduling are tens of ms (measured on two cores; no bound).
	loopS = 0.05
	// tickS is how often silence is looked at.
	tickS = 0.05
	// textNumber is the bytes of the longest number of a text line with its
	// delimiter.
	textNumber = 13
)

// A Span is one part of a time, s.
type Span struct {
	What    string  `json:"what"`
	Seconds float64 `json:"s"`
}

// A Path is the worst case from a sensor to an output of a rule that trips: the
// sample just missed, the message, an answer lost, the demand behind a dead
// device. It is no guarantee: a computer that stops has no worst case, which is
// what the hardware watchdog is for.
type Path struct {
	Rule    string `json:"rule"`
	Channel string `json:"channel,omitempty"`
	Output  string `json:"output"`
	Spans   []Span `json:"spans"`
	// TotalS is the time until the device has been told, s; ConfirmS until that was
	// read back.
	TotalS   float64 `json:"total_s"`
	ConfirmS float64 `json:"confirm_s"`
	// RisePa is what the intended ramp adds in TotalS, Pa; 0: no ramp is stated, or
	// the channel watches no specimen.
	RisePa float64 `json:"rise_Pa,omitempty"`
	// Note says what is not in it.
	Note string `json:"note,omitempty"`

	channel int // -1: none
	rule    int
}

// Paths lists the worst-case times of every rule that trips, by channel and
// output, in the order of the description.
func (b *Bench) Paths() []Path {
	var out []Path
	for i := range b.Guard.Rules {
		r := &b.Guard.Rules[i]
		for _, o := range r.Trip {
			if o < 0 || o >= len(b.Outputs) {
				continue
			}
			for _, ch := range b.watchedBy(r) {
				out = append(out, b.path(i, ch, o))
			}
		}
	}
	return out
}

// watchedBy lists the channels from which a rule hears; -1 for none.
func (b *Bench) watchedBy(r *guard.Rule) []int {
	var out []int
	for _, c := range r.Channels {
		out = append(out, int(c))
	}
	if r.Kind == guard.OnEvent && len(out) == 0 {
		for i := range b.Channels {
			if b.Channels[i].IsPressure() {
				out = append(out, i)
			}
		}
	}
	if len(out) == 0 {
		out = append(out, -1)
	}
	return out
}

func (b *Bench) path(rule, ch, output int) Path {
	r := &b.Guard.Rules[rule]
	p := Path{Rule: r.Name, Output: b.Outputs[output].Name, rule: rule, channel: ch}
	if ch >= 0 {
		c := &b.Channels[ch]
		p.Channel = c.Name
		if r.Kind == guard.Stale { // nothing comes: the silence itself is what is noticed
			p.add("silence", r.StaleS)
			p.add("look for silence", tickS)
		} else {
			p.add("transducer and line", c.LagS+c.DelayS)
			p.acquire(&b.Instruments[c.Instrument])
		}
	}
	switch r.Kind {
	case guard.Rate:
		p.add("slope's window", r.WindowS)
	case guard.OnEvent:
		p.Note = "the detection's own delay comes on top: a few samples for a fast opening, more for a slow one"
	}
	p.add("rule's delay", r.DelayOnS)
	p.add("program", loopS)
	p.deliver(b, r, output)
	if ch >= 0 && b.Channels[ch].IsPressure() {
		p.RisePa = b.RampPaS * p.TotalS
	}
	return p
}

func (p *Path) add(what string, s float64) {
	if s > 0 {
		p.Spans = append(p.Spans, Span{what, s})
		p.TotalS += s
	}
}

// acquire adds the way from the transducer to the program.
func (p *Path) acquire(in *Instrument) {
	byteS := bitsPerByte(in) / float64(max(in.Port.Baud, 1))
	switch {
	case in.Frame != nil:
		rows := float64(in.FrameRows)
		if rows == 0 {
			rows = float64((wire.MaxFrame*254/255 - frameFixed) / (4 * max(in.Frame.Columns, 1)))
		}
		p.add("rows of a frame gathered", rows/in.RateHz)
		p.add("frame on the line", (rows*4*float64(in.Frame.Columns)+frameFixed)*255/254*byteS)
	case in.Line != nil:
		p.add("sample just missed", 1/in.RateHz)
		p.add("line of text", float64(textNumber*in.Line.Fields+8)*byteS)
	case in.Modbus != nil:
		p.polled(in.RenewS, in.Modbus.PollS, in.Modbus.WorstDelayS(), modbusPoll(in)*byteS)
	case in.Query != nil:
		n := 0
		for _, q := range in.Query.Questions {
			n += len(q.Ask) + len(q.Prefix) + len(q.Suffix) + len(q.Decimals)*textNumber + 16
		}
		p.polled(in.RenewS, in.Query.PollS, in.Query.WorstDelayS(), float64(n)*byteS+float64(len(in.Query.Questions))*in.Query.GapS)
	}
	p.add("serial adapter", in.AdapterS)
}

func (p *Path) polled(renew, poll, lost, onLine float64) {
	p.add("measured before it was asked", renew)
	p.add("poll just missed", poll)
	p.add("asking and answering", onLine)
	p.add("one answer lost, quarantine", lost)
}

// deliver adds the way from the program to the output.
func (p *Path) deliver(b *Bench, r *guard.Rule, output int) {
	in := &b.Instruments[b.Outputs[output].Instrument]
	byteS := bitsPerByte(in) / float64(max(in.Port.Baud, 1))
	wait, timeout, bytes := 0.0, 0.0, 0
	switch {
	case in.Modbus != nil:
		wait, timeout, bytes = in.Modbus.WorstDelayS(), in.Modbus.TimeoutS, 16
	case in.Query != nil:
		wait, timeout = in.Query.WorstDelayS(), in.Query.TimeoutS
		for _, s := range in.Query.Switches {
			bytes = max(bytes, len(s.Off)+len(s.OffAnswer)+16, len(s.Ask)+len(s.IsOn)+16)
		}
	}
	once := float64(bytes)*byteS + timeout
	p.add("demand waits for a dead device", wait)
	ahead := 0
	for _, o := range r.Trip {
		if o != output && b.Outputs[o].Instrument == b.Outputs[output].Instrument {
			ahead++
		}
	}
	p.add("other outputs go first", float64(ahead)*once)
	p.add("write", once)
	p.ConfirmS = p.TotalS + once
}

// A PeakLoss is what sampling and lag may hide of a peak at the intended ramp,
// one-sided: ramp x (period + lag + line delay).
type PeakLoss struct {
	Channel  string  `json:"channel"`
	RampPaS  float64 `json:"ramp_Pa_s"`
	LossPa   float64 `json:"loss_Pa"`
	Part     float64 `json:"part_of_range"`
	TooSlow  bool    `json:"too_slow,omitempty"`
	Accepted string  `json:"accepted_by,omitempty"`

	channel int
}

// PeakLosses lists the specimen's channels; empty where no ramp is stated.
func (b *Bench) PeakLosses() []PeakLoss {
	var out []PeakLoss
	for i := range b.Channels {
		c := &b.Channels[i]
		if !c.IsPressure() || b.RampPaS == 0 || b.Instruments[c.Instrument].RateHz <= 0 {
			continue
		}
		l := PeakLoss{Channel: c.Name, RampPaS: b.RampPaS, Accepted: b.Slow[c.Name], channel: i}
		l.LossPa = b.RampPaS * (1/b.Instruments[c.Instrument].RateHz + b.Instruments[c.Instrument].RenewS + c.LagS + c.DelayS)
		if c.High > 0 {
			l.Part = l.LossPa / c.High
		}
		l.TooSlow = l.LossPa > peakPart*c.High
		out = append(out, l)
	}
	return out
}

// tooSlow refuses instruments that are too slow for the ramp, unless somebody
// accepted them by name.
func (r *reading) tooSlow() {
	b := r.bench
	for _, l := range b.PeakLosses() {
		if l.TooSlow && l.Accepted == "" {
			r.report("channel", l.channel, l.Channel, "instrument", fmt.Sprintf("%q", b.Instruments[b.Channels[l.channel].Instrument].Name), "", l.says(),
				"use a faster instrument or a slower ramp; or write slow_accepted_by = \"name of who decided\" in the channel")
		}
	}
	var told []int
	for _, p := range b.Paths() {
		if late, says := b.late(&p); late && b.Slow[p.Channel] == "" && !slices.Contains(told, p.rule) {
			told = append(told, p.rule)
			rule := &b.Guard.Rules[p.rule]
			r.report("rule", p.rule, rule.Name, "trip", show(rule.Limit/1e5), "bar", says,
				"lower the limit or the ramp, or use faster instruments; or write slow_accepted_by = \"name of who decided\" in channel \""+p.Channel+"\"")
		}
	}
}

func (l *PeakLoss) says() string {
	return fmt.Sprintf("at %s bar/s its sample rate and lag may hide %.3g bar of a peak, more than 0.5 %% of full scale", show(l.RampPaS/1e5), l.LossPa/1e5)
}

// late tells whether a pressure limit may be overrun beyond what its transducer
// can show before the output acts.
func (b *Bench) late(p *Path) (bool, string) {
	rule := &b.Guard.Rules[p.rule]
	if p.channel < 0 || p.RisePa == 0 || rule.Kind != guard.LimitHigh {
		return false, ""
	}
	c := &b.Channels[p.channel]
	if c.High == 0 || rule.Limit+p.RisePa <= c.High || c.Quantity != daq.Pressure {
		return false, ""
	}
	return true, fmt.Sprintf("from channel %q to output %q it may take %.2g s in the worst case, in which a ramp of %s bar/s goes %.3g bar beyond the limit, past full scale",
		p.Channel, p.Output, p.TotalS, show(b.RampPaS/1e5), p.RisePa/1e5)
}
