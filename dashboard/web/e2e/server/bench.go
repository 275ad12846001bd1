package main

import (
	"math"
	"net/url"
	"strconv"
	"sync"
	"time"

	"ventward/daq"
	"ventward/detect"
	"ventward/guard"
	"ventward/stream"
)

const bar = 1e5

func ptr[T any](v T) *T { return &v }

// channels is the invented bench: two redundant transducers, the supply, a
// barometer, two temperatures.
var channels = []daq.Channel{
	{Name: "p1", Role: daq.RoleSpecimen, Quantity: daq.Pressure, Reference: daq.Gauge, High: 60 * bar, Zeroed: true, CalDue: "2099-03-01"},
	{Name: "p2", Role: daq.RoleSpecimen, Quantity: daq.Pressure, Reference: daq.Gauge, High: 60 * bar, Zeroed: true, CalDue: "2099-03-01"},
	{Name: "p_supply", Role: daq.RoleSupply, Quantity: daq.Pressure, Reference: daq.Gauge, High: 100 * bar, Zeroed: true, CalDue: "2099-03-01"},
	{Name: "p_ambient", Role: daq.RoleBarometer, Quantity: daq.Pressure, Reference: daq.Absolute, High: 1.2 * bar, Zeroed: true, CalDue: "2001-03-01"},
	{Name: "t_skin", Role: daq.RoleSkin, Quantity: daq.Temperature, Low: -40, High: 1200},
	{Name: "t_gas", Role: daq.RoleGas, Quantity: daq.Temperature, Low: -40, High: 1200},
}

var rates = []float64{2000, 2000, 2000, 100, 10, 10}

// A bench is what the page is shown. Its mutex stands for the loop.
type bench struct {
	mu       sync.Mutex
	hub      *stream.Hub
	zero     time.Time
	next     []int64 // bench time of the next sample of each channel, ns
	noise    uint64
	ramp     float64 // bar/s
	level    float64 // bar at since
	since    int64
	spike    bool
	quality  daq.Quality // of p1
	stalled  int64       // until this bench time nothing is published
	silent   bool        // p1 gives no samples
	run      *stream.RunState
	peak     float64
	phase    string
	phaseAt  int64
	tripped  int64
	supply   bool
	alarms   []guard.Alarm
	trips    []guard.Trip
	dump     daq.OutputState
	names    [2]string
	entered  []string
	held     *guard.Held
	cut      *stream.RunState
	waits    []guard.Check
	load     guard.Load
	rig      string
	beating  bool
	commands []daq.Command
	state    int
	told     int64 // bench time of the last state published, ns
	shot     int
	replay   bool
	paused   bool // the replay
}

func newBench() *bench {
	return &bench{
		hub:    stream.NewHub(stream.HubOptions{Channels: channels}),
		zero:   time.Now(),
		next:   make([]int64, len(channels)),
		noise:  1,
		ramp:   1,
		phase:  "under test",
		supply: true,
		trips: []guard.Trip{
			{Rule: "over-pressure", Outputs: []int{0}},
			{Rule: "opening", Outputs: []int{0}},
			{Rule: "pressure not measured", Outputs: []int{0}, ProofDue: "2001-03-01", Overdue: true},
		},
		dump:    daq.OutputOff,
		rig:     "burst",
		beating: true,
	}
}

func (b *bench) now() int64 { return int64(time.Since(b.zero)) }

// gauss is roughly normal with standard deviation 1, the same on every run.
func (b *bench) gauss() float64 {
	sum := -6.0
	for range 12 {
		b.noise = b.noise*6364136223846793005 + 1442695040888963407
		sum += float64(b.noise>>11) / (1 << 53)
	}
	return sum
}

func (b *bench) pressure(t int64) float64 {
	return math.Max(0, b.level+b.ramp*float64(t-b.since)/1e9)
}

// step publishes what came since the last step.
func (b *bench) step() {
	now := b.now()
	if now < b.stalled {
		return
	}
	for ch := range channels {
		b.samples(ch, now)
	}
	b.hub.Flush(now)
	if b.state++; b.state%10 == 0 {
		b.hub.State(b.describe(now))
	}
}

func (b *bench) samples(ch int, now int64) {
	period := int64(1e9 / rates[ch])
	var s []daq.Sample
	for ; b.next[ch] <= now; b.next[ch] += period {
		s = append(s, daq.Sample{T: b.next[ch], V: b.value(ch, b.next[ch])})
	}
	if ch == 0 {
		b.tamper(s)
		if b.silent {
			return
		}
	}
	b.hub.Samples(daq.ChannelID(ch), s)
}

func (b *bench) value(ch int, t int64) float64 {
	switch ch {
	case 0:
		p := b.pressure(t)*bar + 0.02*bar*b.gauss()
		b.peak = math.Max(b.peak, p)
		return p
	case 1:
		return (b.pressure(t)+0.04)*bar + 0.02*bar*b.gauss()
	case 2:
		return 80*bar + 0.05*bar*b.gauss()
	case 3:
		return 1.0132*bar + 4*b.gauss()
	case 4:
		return 23.4 + 0.1*b.gauss()
	}
	return 24.1 + 0.6*math.Sin(float64(t)/8e9) + 0.1*b.gauss()
}

// tamper puts the wished damage into p1's samples: one sample's spike, or a
// quality.
func (b *bench) tamper(s []daq.Sample) {
	for i := range s {
		s[i].Q |= b.quality
	}
	if b.spike && len(s) > 0 {
		s[len(s)/2].V += 12 * bar
		s[len(s)/2].Q |= daq.Spike
		b.spike = false
	}
}

// act does what a test asks for.
func (b *bench) act(what string, q url.Values) bool {
	now := b.now()
	f, _ := strconv.ParseFloat(q.Get("v"), 64)
	switch what {
	case "stall":
		b.stalled = now + int64(f*1e9)
	case "silence":
		b.silent = f != 0
	case "spike":
		b.spike = true
	case "quality":
		b.quality = daq.Quality(f)
	case "pressure":
		b.level, b.since = f, now
	case "ramp":
		b.level, b.since, b.ramp = b.pressure(now), now, f
	case "phase":
		b.phase, b.phaseAt = q.Get("name"), now
	case "replay":
		b.replay = f != 0
	case "run":
		b.shot++
		b.start("M47-0231", "L7", 11+b.shot, now-int64(f*1e9))
	case "opening":
		b.hub.Event(b.opening(int(f), now, q.Get("feature")))
	case "fit":
		b.hub.Event(b.fitted(int(f), now, q.Get("feature")))
	case "fault":
		b.hub.Event(detect.Event{ID: int(f), Rev: 1, Kind: detect.SensorFault, Fault: detect.FaultSpike, Onset: now, Decided: now + 1e6, End: now + 1e6})
	case "trip":
		b.trip(1, now)
		b.trips[1].Stands = f != 0
	case "alarm":
		b.raise(int(f), guard.Priority(q.Get("priority")), q.Get("text"), now)
	default:
		if !b.safety(what, q, f, now) {
			return false
		}
	}
	b.hub.State(b.describe(now))
	return true
}

// obey does what a command of the page asks for.
func (b *bench) obey(c daq.Command) {
	now := b.now()
	switch c.Verb {
	case "acknowledge":
		b.alarm(c, func(a *guard.Alarm) { a.State, a.Who = a.State.After(guard.Acknowledges), c.Who }, now)
	case "pause", "play":
		b.paused = c.Verb == "pause"
	case "start":
		shot, _ := strconv.Atoi(c.Args["shot"])
		b.start(c.Args["specimen"], c.Args["lot"], shot, now)
	case "end":
		b.run = nil
		b.hub.Run(nil, now)
	case "abort":
		b.trip(1, now)
		b.phase, b.phaseAt = "making safe", now
	default:
		b.guarded(c, now)
	}
	b.hub.Command(c, nil, now)
	b.hub.State(b.describe(now))
}

func (b *bench) start(specimen, lot string, shot int, at int64) {
	b.run = &stream.RunState{ID: "20260301-101500-" + strconv.Itoa(shot), Specimen: specimen, Lot: lot, Shot: shot, Start: at, StartUTC: b.zero.Add(time.Duration(at)).UTC().Format(time.RFC3339Nano)}
	b.hub.Run(b.run, b.now())
}

func (b *bench) raise(id int, p guard.Priority, text string, now int64) {
	a := guard.Alarm{ID: id, Rule: "rule " + strconv.Itoa(id), Priority: p, State: guard.Unacknowledged, Since: now, Changed: now, Channel: 0, Value: b.pressure(now) * bar, Message: text, Text: "Stay behind the shield. Check the supply valve at the bench."}
	b.alarms = append(b.alarms, a)
	b.hub.Alarm(a)
}

func (b *bench) opening(id int, now int64, feature string) detect.Event {
	return detect.Event{
		ID: id, Rev: 1, Kind: detect.VentOpening, Feature: feature, Channel: 0, Channels: []daq.ChannelID{0, 1},
		Decided: now, Onset: now - 800_000, PeakPa: ptr(b.pressure(now)*bar + 6000), Reference: daq.Gauge,
	}
}

func (b *bench) fitted(id int, now int64, feature string) detect.Event {
	e := b.opening(id, now, feature)
	e.Rev, e.Named = 2, now+6e7
	e.OnsetU, e.Start, e.StartU = ptr(int64(210_000)), e.Onset-400_000, ptr(int64(1_100_000))
	e.PressurePa, e.PressureUPa = ptr(18.42*bar), ptr(0.05*bar)
	e.DropPa, e.AreaM2, e.AreaUM2, e.RampPaS = ptr(3.1*bar), ptr(4.9e-6), ptr(0.2e-6), ptr(1.01*bar)
	e.PeakLossPa = ptr(120.0)
	e.Flags = []detect.Flag{detect.FlagSupplyRunning}
	return e
}

func (b *bench) describe(now int64) stream.State {
	b.told = now
	s := stream.State{
		Bench: "Kiln 2", Rig: b.rig, Simulated: true, Replay: b.playing(now), Now: now, NowUTC: b.zero.Add(time.Duration(now)).UTC().Format(time.RFC3339Nano),
		Phase: b.phase, PhaseAt: b.phaseAt, Run: b.run,
		Watchdog: b.watchdog(now), Names: b.names, Held: b.held, CutShort: b.cut, Waits: b.waits, Load: b.load,
		Trips: b.trips,
		Outputs: []stream.OutputState{
			{Name: "supply valve", Role: daq.RoleSupplyValve, Demanded: b.supply, State: level(b.supply), Agrees: true, Since: b.tripped},
			{Name: "dump valve", Role: daq.RoleDumpValve, State: b.dump, Agrees: b.dump == daq.OutputOff, Since: b.tripped},
			{Name: "heartbeat", Demanded: true, State: daq.OutputOn, Agrees: true, Since: now - 120e6},
		},
		Lines: []stream.LineState{
			{Name: "fast", Up: true, Settled: true, Checked: true, ClockU: 1.2e-4, Counters: daq.Counters{Rows: uint64(now / 500_000)}},
			{Name: "ambient", Up: true, Settled: true, Checked: false, ClockU: 1.1e-3, Counters: daq.Counters{Rows: uint64(now / 10_000_000), Bad: 3, LostRows: 3}},
			{Name: "relay", Up: true, Settled: true, Checked: true, ClockU: 4e-3, Counters: daq.Counters{Rows: uint64(now / 100_000_000)}},
		},
		Record:   stream.RecordState{Recording: b.run != nil, LagS: 0.4, FreeBytes: 53e9},
		LoopLagS: 0.0008,
		Features: []stream.FeatureState{
			{Name: "top vent", LowPa: ptr(17 * bar), HighPa: ptr(22 * bar)},
			{Name: "bottom vent", LowPa: ptr(25 * bar), HighPa: ptr(32 * bar)},
			{Name: "housing", LowPa: ptr(40 * bar)},
		},
		PeakLoss: ptr(0.012 * bar), PeakPa: ptr(b.peak), TripPa: ptr(48 * bar),
	}
	if b.rig == "runaway" { // a heater, no supply
		s.Outputs[0].Name, s.Outputs[0].Role = "heater", daq.RoleTrigger
	}
	if b.phase == "at rest" || b.phase == "preparing" {
		s.Guards = b.guards()
	}
	if b.ramp != 0 {
		s.RampPaS = ptr(b.ramp * bar)
	}
	for ch, c := range channels {
		v := b.value(ch, now)
		s.Sensors = append(s.Sensors, stream.SensorState{
			Name: c.Name, Role: c.Role, Quantity: c.Quantity, Reference: c.Reference, Value: &v, At: now, AgeS: 0.02, U: ptr(0.001 * c.High),
			Quality: "good", Noise: 0.0004 * c.High, Low: c.Low, High: c.High, RateHz: rates[ch], Due: c.CalDue, Zeroed: c.Zeroed,
		})
	}
	return s
}

func level(on bool) daq.OutputState {
	if on {
		return daq.OutputOn
	}
	return daq.OutputOff
}

// playing is how the bench plays where it stands in for a replay.
func (b *bench) playing(now int64) *stream.ReplayState {
	if !b.replay {
		return nil
	}
	return &stream.ReplayState{Speed: 1, Paused: b.paused, At: now, End: now + 30e9}
}
