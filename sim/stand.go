package sim

import (
	"math"
	"math/rand/v2"

	"ventward/daq"
)

// stand is the rig with its sensors, devices and outputs, without terminals
// and without real time.
type stand struct {
	bench   *Bench
	rig     *rig
	base    float64 // base step, s
	steps   int64   // base steps done
	slowAt  int64   // base step of the next advance of slow sensors
	sensors []*sensor
	fast    []*sensor
	slow    []*sensor
	devices []*device
	bare    []*device // without sensors
	coils   []bool    // commanded, per output
	relay   relay
	armed   []armed                                // faults that wait for an opening
	quiet   bool                                   // only the noise-free readings are of interest
	tap     func(x *sensor, t, clean, raw float64) // sees each reading; nil: nobody
}

// armed is a fault that waits for an opening.
type armed struct{ fault Fault }

// slowEvery is the number of base steps after which slow sensors advance.
const slowEvery = 10

// standOptions are what a Bench does not say.
type standOptions struct {
	seed        uint64
	base        float64                            // s; 0: 100 us
	sensor      func(c *daq.Channel) sensorOptions // nil: usual
	clock       func(index int) crystal            // nil: drawn
	calibration float64                            // see sensorOptions
}

func newStand(b *Bench, o standOptions) (*stand, error) {
	if err := b.Check(); err != nil {
		return nil, err
	}
	if o.base == 0 {
		o.base = 1e-4
	}
	r, err := newRig(b.Fixture)
	if err != nil {
		return nil, err
	}
	s := &stand{bench: b, rig: r, base: o.base, coils: make([]bool, len(b.Outputs))}
	s.relay.time = b.WatchdogS
	if s.relay.time == 0 {
		s.relay.time = 1
	}
	s.devicesOf(o)
	if err := s.sensorsOf(o); err != nil {
		return nil, err
	}
	for _, d := range s.devices {
		if len(d.sensors) == 0 && !d.asked() {
			s.bare = append(s.bare, d)
		}
	}
	s.rest()
	return s, nil
}

// stream is a source of random numbers of its own for each purpose, so that
// one does not shift another.
func stream(seed uint64, purpose, index int) *rand.Rand {
	return rand.New(rand.NewPCG(seed, uint64(purpose)<<32|uint64(index)))
}

const (
	forDevice = iota + 1
	forSensor
	forWorld
	forScenario
	forCells
)

func (s *stand) devicesOf(o standOptions) {
	for i := range s.bench.Instruments {
		in := &s.bench.Instruments[i]
		rng := stream(o.seed, forDevice, i)
		d := &device{in: in, index: i, n: in.columns(), rng: rng}
		c := crystal{ppm: rng.NormFloat64() * 25, wander: 0.5 + 1.5*rng.Float64(), period: 200 + 200*rng.Float64(), phase: rng.Float64() * 2 * math.Pi}
		if o.clock != nil {
			c = o.clock(i)
		}
		switch {
		case in.Modbus != nil:
			d.slave = newSlave(in.Modbus)
			d.perMsg = 1
		case in.Query != nil:
			d.meter = newMeter(in.Query)
			d.perMsg = 1
		default:
			first := rng.Float64() / in.RateHz // devices don't start together
			d.cadence = cadence{crystal: c, interval: 1 / in.RateHz, next: first}
			d.perMsg = rowsPerMessage(in)
		}
		d.column = make([]*sensor, d.n)
		s.devices = append(s.devices, d)
	}
	for _, d := range s.devices {
		if d.asked() {
			s.wire(d)
		}
	}
}

// rowsPerMessage is what the instrument says or about 5 ms of rows, as many as
// fit.
func rowsPerMessage(in *Instrument) int {
	if in.Frame == nil {
		return 1
	}
	n := in.RowsPerMessage
	if n <= 0 {
		n = int(math.Round(in.RateHz * 5e-3))
	}
	return max(1, min(n, rowsPerFrame(in.Columns)))
}

func (s *stand) sensorsOf(o standOptions) error {
	for i := range s.bench.Channels {
		c := &s.bench.Channels[i]
		rng := stream(o.seed, forSensor, i)
		so := sensorOptions{lag: -1, calibration: o.calibration, lineHz: 900 + 700*rng.Float64(), lineDamping: 0.1 + 0.15*rng.Float64()}
		if o.sensor != nil {
			so = o.sensor(c)
		}
		x, err := newSensor(*c, i, s.base, so, rng)
		if err != nil {
			return err
		}
		for k := range s.bench.Channels { // somebody's excitation
			if h := &s.bench.Channels[k].Curve; h.Kind == "bridge" && h.Excitation == c.Name {
				x.steady = h.ExcitationV
			}
		}
		d := s.devices[c.Instrument]
		if d.column[c.Column] == nil {
			d.column[c.Column] = x
			if !d.asked() {
				x.cadence = d.cadence
				d.sensors = append(d.sensors, x)
			}
		}
		s.sensors = append(s.sensors, x)
		if x.fast {
			s.fast = append(s.fast, x)
		} else {
			s.slow = append(s.slow, x)
		}
	}
	return nil
}

// rest settles every sensor.
func (s *stand) rest() {
	for _, x := range s.sensors {
		x.rest(s.rig)
	}
}

// wire connects a device that is asked to the sensors and outputs.
func (s *stand) wire(d *device) {
	value := func(i int) float64 {
		x := d.column[i]
		if x == nil {
			return 0
		}
		v := x.slow
		if x.fast {
			v, _ = x.filter.out()
		}
		return x.read(s.rig.t, v, s.rig)
	}
	known := func(o int) bool { return o >= 0 && o < len(s.coils) }
	of := func(i int) int {
		if d.meter != nil {
			return d.in.Query.Switches[i].Output
		}
		return d.in.Modbus.Coils[i].Output
	}
	output := func(i int) bool { return known(of(i)) && s.energised(of(i)) }
	setOutput := func(i int, on bool) {
		if known(of(i)) {
			s.command(of(i), on)
		}
	}
	if d.meter != nil {
		d.meter.value, d.meter.output, d.meter.setOutput = value, output, setOutput
		return
	}
	d.slave.value, d.slave.output, d.slave.setOutput = value, output, setOutput
}

// command takes a coil's new state.
func (s *stand) command(o int, on bool) {
	s.coils[o] = on
	if s.bench.Outputs[o].Heartbeat {
		s.relay.heartbeat(on, s.rig.t)
	}
	s.drive()
}

// guarded tells whether the bench has a heartbeat and with it a relay.
func (s *stand) guarded() bool {
	for i := range s.bench.Outputs {
		if s.bench.Outputs[i].Heartbeat {
			return true
		}
	}
	return false
}

// energised is what an output really is: its coil, behind the relay.
func (s *stand) energised(o int) bool {
	if s.bench.Outputs[o].Heartbeat {
		return s.coils[o]
	}
	return s.coils[o] && (s.relay.closed || !s.guarded())
}

// drive moves the valves to where the outputs want them.
func (s *stand) drive() {
	for o := range s.bench.Outputs {
		out := &s.bench.Outputs[o]
		open := s.energised(o) != out.OpenWhenOff
		switch out.Role {
		case daq.RoleSupplyValve:
			s.rig.supply.want = open
		case daq.RoleDumpValve:
			s.rig.dump.want = open || s.rig.handDump
		case daq.RoleTrigger:
			s.rig.heater = open
		}
	}
}

// hasDump tells whether an output drives the dump valve.
func (s *stand) hasDump() bool {
	for i := range s.bench.Outputs {
		if s.bench.Outputs[i].Role == daq.RoleDumpValve {
			return true
		}
	}
	return false
}

// advance goes on by n base steps.
func (s *stand) advance(n int) {
	for range n {
		s.baseStep()
		s.steps++
		s.rig.t = float64(s.steps) * s.base
		if s.steps >= s.slowAt {
			for _, x := range s.slow {
				x.drift(s.rig, slowEvery*s.base)
			}
			s.slowAt = s.steps + slowEvery
			s.takeArmed()
		}
		if s.relay.check(s.rig.t) {
			s.drive()
		}
	}
	for _, d := range s.bare {
		for d.cadence.next <= s.rig.t {
			d.cadence.advance()
		}
	}
}

// baseStep divides one base step as finely as the rig asks.
func (s *stand) baseStep() {
	const whole = 1 << maxSplit
	for pos := 0; pos < whole; {
		k := s.rig.splits(s.base)
		for pos%(whole>>k) != 0 {
			k++
		}
		pos += whole >> k
		s.subStep(k, s.base/float64(int(1)<<k))
	}
}

func (s *stand) subStep(k int, dt float64) {
	t0 := s.rig.t
	for _, x := range s.fast {
		x.y0, x.d0 = x.filter.out()
	}
	s.rig.step(dt)
	t1 := s.rig.t
	for _, x := range s.fast {
		x.filter.step(k, dt, x.truth(s.rig))
		if x.cadence.interval == 0 {
			continue // read over Modbus or a second reader of a column
		}
		for due := x.cadence.next - x.delay; due <= t1; due = x.cadence.next - x.delay {
			y, dy := x.filter.out()
			v := between(max(0, (due-t0)/dt), dt, x.y0, x.d0, y, dy)
			s.deliver(x, max(v, x.referred(0, s.rig))) // no line rings below vacuum
		}
	}
	for _, x := range s.slow {
		for x.cadence.interval > 0 && x.cadence.next <= t1 {
			s.deliver(x, x.slow)
		}
	}
}

// deliver takes a reading of x and hands it to its device.
func (s *stand) deliver(x *sensor, v float64) {
	raw := 0.0
	if !s.quiet {
		raw = x.read(x.cadence.next, v, s.rig)
	}
	s.devices[x.ch.Instrument].put(x.cadence.k, x.ch.Column, raw)
	if s.tap != nil {
		s.tap(x, x.cadence.next, v, raw)
	}
	x.cadence.advance()
}

// takeArmed starts faults whose opening is about to come.
func (s *stand) takeArmed() {
	keep := s.armed[:0]
	for _, a := range s.armed {
		if s.openingWithin(a.fault.Before) {
			s.start(a.fault)
			continue
		}
		keep = append(keep, a)
	}
	s.armed = keep
}

// openingWithin tells whether a shut feature will open within dt or has just
// begun to.
func (s *stand) openingWithin(dt float64) bool {
	for i := range s.rig.openings {
		o := &s.rig.openings[i]
		if o.state == shut && s.rig.untilOpen(o) <= dt+slowEvery*s.base {
			return true
		}
		if o.state == opened && s.rig.t-o.t0 < 0.05 {
			return true
		}
	}
	return false
}
