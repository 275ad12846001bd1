package main

import (
	"encoding/json"
	"fmt"
	"strconv"

	"ventward/config"
	"ventward/daq"
	"ventward/detect"
	"ventward/guard"
)

// setup is the body of a run's first entry: the bench description in force and
// what the guard had latched and unanswered when the record began.
type setup struct {
	Bench *config.Bench   `json:"bench"`
	Guard json.RawMessage `json:"guard,omitempty"`
	// Clocks is what each instrument's clock had learnt when the record began.
	Clocks []json.RawMessage `json:"clocks,omitempty"`
	// Condition is what the conditioner remembered: junctions and gaps.
	Condition json.RawMessage `json:"condition,omitempty"`
	Algorithm int             `json:"algorithm"`
	Start     int64           `json:"start"` // bench time of run time zero
}

// algorithm numbers the detection and judgement: it grows whenever the same
// entries may give other events, alarms or figures.
const algorithm = 5

// An engine turns entries into samples, events, alarms and demands. It is a
// pure function of the entries it has taken: live, replay, analyze and verify
// run the same code.
type engine struct {
	bench  *config.Bench
	clocks []*daq.Clock
	stamps []daq.Stamp
	cond   *daq.Conditioner
	watch  *detect.Monitor
	judge  *guard.Guard
	lastAt []int64      // by instrument: bench time of its newest batch
	valves []outputRead // by output
	main   int          // the first specimen pressure channel; -1: none
	peak   peakHold

	newest  []daq.Sample   // by channel: the newest sample
	samples [][]daq.Sample // of the entry last taken, by channel; valid until the next take
	touched []daq.ChannelID
	sink    func(daq.ChannelID, []daq.Sample) // channel, made once: a closure a batch would be garbage
	now     int64                             // bench time of the batch being taken
	out     outcome
}

// outcome is what one entry led to, in the order to act on it.
type outcome struct {
	Demands []daq.Demand
	Alarms  []guard.Alarm
	Events  []detect.Event
	Windows []detect.Window
	Moved   bool  // trips or the course of the test moved
	Refusal error // a command was refused
}

func newEngine(s setup) (*engine, error) {
	b := s.Bench
	e := &engine{bench: b, lastAt: make([]int64, len(b.Instruments)), valves: make([]outputRead, len(b.Outputs)), stamps: make([]daq.Stamp, len(b.Instruments)),
		samples: make([][]daq.Sample, len(b.Channels)), newest: make([]daq.Sample, len(b.Channels)), main: mainPressure(b.Channels)}
	ins := make([]daq.Instrument, len(b.Instruments))
	for i := range b.Instruments {
		ins[i] = b.Instruments[i].Instrument
		e.clocks = append(e.clocks, daq.NewClock(daq.ClockOptions{Instrument: ins[i]}))
	}
	e.sink = e.channel
	var err error
	if e.cond, err = daq.NewConditioner(b.Channels, ins); err != nil {
		return nil, fmt.Errorf("channels: %w", err)
	}
	if e.watch, err = detect.New(b.Detect); err != nil {
		return nil, fmt.Errorf("detection: %w", err)
	}
	if e.judge, err = guard.New(b.Guard); err != nil {
		return nil, fmt.Errorf("rules: %w", err)
	}
	return e, e.restore(s)
}

// restore begins from what the guard and the clocks knew when a record began.
func (e *engine) restore(s setup) error {
	if err := e.judge.Restore(s.Guard); err != nil {
		return err
	}
	if err := e.cond.Restore(s.Condition); err != nil {
		return err
	}
	for i := range min(len(s.Clocks), len(e.clocks)) {
		if err := e.clocks[i].Restore(s.Clocks[i]); err != nil {
			return fmt.Errorf("clock of %s: %w", e.bench.Instruments[i].Name, err)
		}
	}
	return nil
}

// snapshot is the setup with which a record that begins now must begin.
func (e *engine) snapshot() setup {
	s := setup{Bench: e.bench, Guard: e.judge.Snapshot(), Condition: e.cond.Snapshot(), Algorithm: algorithm}
	for _, c := range e.clocks {
		s.Clocks = append(s.Clocks, c.Snapshot())
	}
	return s
}

func mainPressure(chans []daq.Channel) int {
	for i := range chans {
		if chans[i].IsPressure() {
			return i
		}
	}
	return -1
}

// take runs one entry through condition, watch and judge. The outcome is valid
// until the next take.
func (e *engine) take(en *daq.Entry) *outcome {
	e.out = outcome{Demands: e.out.Demands[:0], Alarms: e.out.Alarms[:0], Events: e.out.Events[:0], Windows: e.out.Windows[:0]}
	for _, ch := range e.touched {
		e.samples[ch] = nil
	}
	e.touched = e.touched[:0]
	switch en.Kind {
	case daq.EntryBatch:
		e.batch(en)
	case daq.EntryTick:
		e.watch.Tick(en.At)
	case daq.EntryCommand:
		e.command(en)
	case daq.EntryFinding:
		e.finding(en)
	case daq.EntryReadback:
		e.readback(en)
	case daq.EntryLink:
		e.judge.Link(*en.Link, en.At)
	}
	e.collect(en.At)
	if en.Kind == daq.EntryTick { // last, so that an edge is sent only after every rule was judged
		e.judge.Wall(en.At, en.Wall)
		e.judge.Tick(en.At)
		e.gather(en.At)
	}
	return &e.out
}

func (e *engine) batch(en *daq.Entry) {
	b := en.Batch
	if int(b.Instrument) >= len(e.clocks) {
		return
	}
	st := e.clocks[b.Instrument].Take(b)
	e.stamps[b.Instrument], e.lastAt[b.Instrument] = st, en.At
	e.judge.Clock(int(b.Instrument), st.Settled)
	e.now = en.At
	e.cond.Take(b, st, e.sink)
}

// channel takes the samples of one channel of a batch: watch, then judge.
func (e *engine) channel(ch daq.ChannelID, s []daq.Sample) {
	e.samples[ch] = s
	e.touched = append(e.touched, ch)
	e.watch.Step(ch, s)
	e.newest[ch] = s[len(s)-1]
	e.judge.Sample(ch, s, e.now)
	if int(ch) == e.main {
		e.peak.take(s)
	}
}

func (e *engine) command(en *daq.Entry) {
	c := en.Command
	if err := e.judge.Command(*c, en.At); err != nil {
		e.out.Refusal = err
		return
	}
	if c.Verb == "arm" {
		e.peak = peakHold{}
	}
	if c.Verb == "end" {
		e.watch.Close()
	}
	if c.Verb == "notice" && c.Args["what"] == guard.NoticeStandstill && c.Args["ok"] == "false" {
		e.stoodStill(en)
	}
}

// stoodStill tells the monitor what the watchdog relay did while the program
// stood still: it took the power from every valve, its own time after the last
// edge, though their coils stayed as they were.
func (e *engine) stoodStill(en *daq.Entry) {
	s, err := strconv.ParseFloat(en.Command.Args["value"], 64)
	if err != nil || e.bench.WatchdogS == 0 || !(s >= e.bench.WatchdogS-e.bench.HeartbeatS) {
		return
	}
	to := en.At - int64((s-e.bench.WatchdogS)*1e9)
	from := to - int64(e.bench.HeartbeatS*1e9)
	for i := range e.bench.Outputs {
		if o := &e.bench.Outputs[i]; o.Role == daq.RoleSupplyValve || o.Role == daq.RoleDumpValve {
			e.watch.ValveBetween(o.Role, o.OpenWhenOff, from, to)
		}
	}
}

func (e *engine) finding(en *daq.Entry) {
	var f detect.Finding
	if err := json.Unmarshal(en.Body, &f); err != nil {
		return // a damaged record is verify's to report
	}
	e.watch.Finding(f)
}

func (e *engine) readback(en *daq.Entry) {
	r := *en.Readback
	e.judge.Readback(r, en.At)
	if r.Output < 0 || r.Output >= len(e.bench.Outputs) {
		return
	}
	o := &e.bench.Outputs[r.Output]
	if o.Role != daq.RoleSupplyValve && o.Role != daq.RoleDumpValve {
		return
	}
	v := &e.valves[r.Output]
	if r.State == daq.OutputUnknown {
		v.doubt(v.read)
		e.watch.ValveUnknown(o.Role)
		return
	}
	from := en.At
	if v.since != 0 {
		from = v.since
	}
	e.watch.ValveBetween(o.Role, (r.State == daq.OutputOn) != o.OpenWhenOff, from, en.At)
	if v.read = en.At; r.Serial >= v.serial {
		v.since = 0
	}
}

// An outputRead is what is known of when a valve's output changed: not before
// it was asked to, or was read back last.
type outputRead struct {
	read   int64  // bench time of the newest read-back
	since  int64  // bench time from which on it may have changed; 0: it has not
	serial uint64 // newest demand
}

func (v *outputRead) doubt(since int64) {
	if v.since == 0 {
		v.since = since
	}
}

// collect hands the monitor's events to the guard and gathers what both say.
func (e *engine) collect(at int64) {
	rd := e.watch.Take()
	e.out.Windows = append(e.out.Windows, rd.Windows...)
	for i := range rd.Events {
		ev := rd.Events[i]
		if ch := int(ev.Channel); ch >= 0 && ch < len(e.bench.Channels) {
			ev.ClockU = e.stamps[e.bench.Channels[ch].Instrument].UNS
		}
		e.out.Events = append(e.out.Events, ev)
		e.judge.Event(ev, at)
	}
	e.gather(at)
}

func (e *engine) gather(at int64) {
	g := e.judge.Take()
	for i := range g.Demands {
		v := &e.valves[g.Demands[i].Output]
		v.doubt(at)
		v.serial = g.Demands[i].Serial
	}
	e.out.Demands = append(e.out.Demands, g.Demands...)
	e.out.Alarms = append(e.out.Alarms, g.Alarms...)
	e.out.Moved = e.out.Moved || g.Trips || g.Phase
}

// peakHold is the highest valid specimen pressure since arming, and the ramp
// over about the last second, now and when that pressure was reached.
type peakHold struct {
	max      float64 // Pa
	have     bool
	t0       int64
	v0       float64
	rampPaS  float64
	climbPaS float64 // the ramp on which the highest pressure was reached
}

// take looks at the last sample of a stretch for the ramp and at all for the
// peak.
func (p *peakHold) take(s []daq.Sample) {
	for i := range s {
		if s[i].Q&daq.Bad == 0 && (!p.have || s[i].V > p.max) {
			p.max, p.have, p.climbPaS = s[i].V, true, p.rampPaS
		}
	}
	last := &s[len(s)-1]
	if last.Q&daq.Bad != 0 {
		return
	}
	switch {
	case p.t0 == 0:
		p.t0, p.v0 = last.T, last.V
	case last.T-p.t0 >= 1e9:
		p.rampPaS = (last.V - p.v0) / (float64(last.T-p.t0) * 1e-9)
		p.t0, p.v0 = last.T, last.V
	}
}
