package sim

import (
	"fmt"
	"hash/fnv"
	"math"
	"math/rand/v2"
	"sort"

	"ventward/daq"
	"ventward/daq/wire"
)

// Scenario names a case to play. The same scenario gives the same trace.
type Scenario struct {
	Kind string  `json:"kind"` // of Scenarios
	Seed uint64  `json:"seed"` // draws everything that the fields below leave open
	Rate float64 `json:"rate_hz,omitempty"`
	// Sensors is how many redundant pressure sensors watch the volume; 0: one
	// or two, drawn.
	Sensors int `json:"sensors,omitempty"`
	// SigmaPa is the noise of the first sensor; 0: drawn.
	SigmaPa float64 `json:"sigma_Pa,omitempty"`
	// White leaves out hum, resonance and odd noise shapes.
	White bool `json:"white,omitempty"`
}

// ScenarioKind describes one case.
type ScenarioKind struct {
	Name     string
	Sentence string
	Openings int  // true openings in it; a nuisance has none
	Liquid   bool // plays on a liquid bench
	write    func(*script)
}

// Scenarios lists every kind of case.
func Scenarios() []ScenarioKind {
	return append([]ScenarioKind(nil), kinds()...)
}

// Play plays a scenario.
func Play(sc Scenario) (*Trace, error) { return play(sc, -1) }

// script is a case being written: what is drawn, then what happens when.
type script struct {
	rng     *rand.Rand
	fix     Fixture
	startPa float64 // gauge pressure at the start
	lenS    float64 // how long it lasts
	sensors []scriptSensor
	running bool // the supply valve is open at the start
	steady  bool // the ramp is long under way at the start
	liquid  bool
	modulus float64

	features []Feature
	bulgeP   float64
	bulgeC   float64
	acts     []act
	cuts     [][2]float64 // s, stretches whose rows are lost
	truth    []Truth
	pulse    func(t float64) float64
	holdP    float64 // regulator
	holdTau  float64
}

type scriptSensor struct {
	high, step, sigma, lag, lagU, hz, damping float64
	noise                                     Noise
	absolute                                  bool
	extra                                     func(t float64) float64
}

type act struct {
	at float64
	do func(*stand)
}

func (w *script) at(t float64, do func(*stand)) { w.acts = append(w.acts, act{t, do}) }

// uniform draws between a and b; logarithmic draws evenly in the logarithm.
func (w *script) uniform(a, b float64) float64 { return a + (b-a)*w.rng.Float64() }
func (w *script) logarithmic(a, b float64) float64 {
	return a * math.Exp(w.rng.Float64()*math.Log(b/a))
}
func (w *script) chance(p float64) bool { return w.rng.Float64() < p }

// begin draws the bench: volume, ramp, sensors with their noise.
func begin(sc Scenario) *script {
	kind := fnv.New32a()
	kind.Write([]byte(sc.Kind))
	rng := stream(sc.Seed, forScenario, int(kind.Sum32())) // the same seed gives each kind a bench of its own
	w := &script{rng: rng, running: true, steady: true, modulus: 0.4e9}
	w.fix = Fixture{
		VolumeM3: w.logarithmic(10e-6, 100e-6), RampPaS: w.logarithmic(0.05e5, 5e5), RoomC: w.uniform(20, 26),
		AmbientPa: w.uniform(97e3, 103e3), WallTauS: w.uniform(0.4, 3), ValveTravelS: w.logarithmic(3e-3, 30e-3),
	}.withDefaults()
	w.fix.Needle = w.chance(0.5)
	n := sc.Sensors
	if n == 0 {
		n = 1 + rng.IntN(2)
	}
	absolute := w.chance(0.3)
	for i := range n {
		x := scriptSensor{high: []float64{6e6, 1e7}[rng.IntN(2)], absolute: absolute}
		x.sigma = w.logarithmic(300, 6000)
		if i == 0 && sc.SigmaPa > 0 {
			x.sigma = sc.SigmaPa
		}
		x.step = x.sigma * w.logarithmic(0.02, 1.5)
		x.lag = w.logarithmic(1e-4, 3e-3)
		x.lagU = 0.05 * x.lag
		x.noise = Noise{Sigma: x.sigma}
		if !sc.White {
			w.spice(&x)
		}
		w.sensors = append(w.sensors, x)
	}
	w.lenS = w.uniform(3, 6)
	w.startPa = w.uniform(10e5, 35e5)
	return w
}

// spice gives a sensor an impulse line, hum and a shape of its noise.
func (w *script) spice(x *scriptSensor) {
	if w.chance(0.7) {
		x.hz, x.damping = w.logarithmic(300, 3000), w.logarithmic(0.05, 0.4)
	}
	switch w.rng.IntN(6) {
	case 0:
		x.noise.Shape = "heavy"
	case 1:
		x.noise.Shape = "flat"
	case 2:
		x.noise.Shape, x.noise.Keep = "red", w.uniform(0.1, 0.7)
	}
	if w.chance(0.5) {
		x.noise.HumAmplitude = x.sigma * w.logarithmic(0.05, 2)
		x.noise.HumHz = []float64{50, 60, 49.9, 100}[w.rng.IntN(4)] * w.uniform(0.998, 1.002)
	}
}

// orificeFor is the area that gives a blow-down of time constant tau.
func (w *script) orificeFor(tau float64) float64 {
	g, err := gasByName(w.fix.Gas)
	if err != nil {
		return 1e-6
	}
	return w.fix.VolumeM3 / (tau * g.choke * math.Sqrt(g.R*(w.fix.RoomC+kelvin)))
}

// opens adds a feature that opens at time t.
func (w *script) opens(name string, t, width, area float64) *Feature {
	w.features = append(w.features, Feature{Name: name, Event: "vent-opening", AtS: t, WidthS: width, AreaM2: area})
	return &w.features[len(w.features)-1]
}

// shutSupply shuts the supply valve at t, as a daemon that saw an opening
// would; benches differ in whether they do.
func (w *script) shutSupply(t float64) {
	w.at(t, func(s *stand) { s.rig.supply.want = false })
}

// fault begins a fault of sensor i at t and notes it in the truth.
func (w *script) fault(i int, t float64, kind string, seconds, size float64, called string) {
	name := w.sensorName(i)
	w.at(t, func(s *stand) { s.sensors[i].fault.start(kind, s.rig.t, seconds, size) })
	w.truth = append(w.truth, Truth{Event: "sensor-fault", Fault: called, Channel: name, StartNS: ns(t), OnsetNS: ns(t), EndNS: ns(t + seconds)})
}

func (w *script) sensorName(i int) string { return fmt.Sprintf("p%d", i+1) }

// bench is the instrument and channels that the script plays on.
func (w *script) bench(rate float64) Bench {
	b := Bench{Name: "trace", Fixture: w.fix}
	ref := func(absolute bool) daq.Reference {
		if absolute {
			return daq.Absolute
		}
		return daq.Gauge
	}
	for i, x := range w.sensors {
		lo, hi := converter(x.step, x.high)
		c := daq.Channel{
			Name: w.sensorName(i), Role: daq.RoleSpecimen, Quantity: daq.Pressure, Reference: ref(x.absolute), Column: i,
			High: x.high, RailLow: lo, RailHigh: hi, Step: x.step, LagS: x.lag, LagUS: x.lagU,
			Zeroed: true, Certificate: "trace",
		}
		c.Curve.Kind, c.Curve.Gain = "linear", x.step
		c.Curve.UOffset, c.Curve.UGain = 2.5e-4*x.high, 2.5e-4
		b.Channels = append(b.Channels, c)
	}
	for _, role := range []daq.Role{daq.RoleSupplyValve, daq.RoleDumpValve, daq.RoleCID} {
		c := daq.Channel{Name: string(role), Role: role, Quantity: daq.Digital, Column: len(b.Channels)}
		c.Curve.Kind, c.Curve.Gain = "linear", 1
		b.Channels = append(b.Channels, c)
	}
	n := len(b.Channels)
	b.Instruments = []Instrument{{Instrument: daq.Instrument{Name: "trace", Protocol: "frame", Columns: n, RateHz: rate, TickHz: 1e9},
		Frame: &wire.FrameOptions{Columns: n}}}
	return b
}

// play plays a scenario, leaving out feature without (-1: none).
func play(sc Scenario, without int) (*Trace, error) {
	kind, ok := kindByName(sc.Kind)
	if !ok {
		return nil, fmt.Errorf("scenario %q is unknown: see the list of sim.Scenarios", sc.Kind)
	}
	if sc.Rate == 0 {
		sc.Rate = 10000
	}
	if !(sc.Rate >= 10 && sc.Rate <= 200e3) {
		return nil, fmt.Errorf("scenario %q: rate %g Hz: give 10 to 200000", sc.Kind, sc.Rate)
	}
	w := begin(sc)
	w.liquid = kind.Liquid
	kind.write(w)
	b := w.bench(sc.Rate)
	s, err := newStand(&b, standOptions{seed: sc.Seed, base: math.Min(2e-4, math.Max(2e-5, 1/sc.Rate)),
		clock:  func(int) crystal { return crystal{period: 1} },
		sensor: w.sensorOptions})
	if err != nil {
		return nil, fmt.Errorf("scenario %q seed %d: %w", sc.Kind, sc.Seed, err)
	}
	s.quiet = without >= 0
	w.setUp(s, without)
	tr := &Trace{Scenario: sc, Instrument: b.Instruments[0].Instrument, Fixture: w.fix, Liquid: w.liquid, RateHz: sc.Rate,
		Span: ns(w.lenS), features: w.features}
	rows := int(w.lenS*sc.Rate) + 2
	for i, x := range s.sensors {
		tr.Series = append(tr.Series, Series{Channel: b.Channels[i], Sigma: x.noise.Sigma, LagS: x.lagS,
			Raw: make([]float64, 0, rows), V: make([]float64, 0, rows), Clean: make([]float64, 0, rows)})
	}
	tr.T, tr.Lost = make([]int64, 0, rows), make([]uint32, 0, rows)
	w.run(s, tr)
	tr.Truth = append(w.truth, s.rig.takeTruth()...)
	sort.SliceStable(tr.Truth, func(i, j int) bool { return tr.Truth[i].StartNS < tr.Truth[j].StartNS })
	return tr, nil
}

func (w *script) sensorOptions(c *daq.Channel) sensorOptions {
	if c.Column >= len(w.sensors) {
		return sensorOptions{noise: &Noise{}}
	}
	x := &w.sensors[c.Column]
	return sensorOptions{noise: &x.noise, lineHz: x.hz, lineDamping: x.damping, lag: -1, calibration: 4}
}

// setUp brings the stand to the start of the script.
func (w *script) setUp(s *stand, without int) {
	r := s.rig
	r.liquid, r.modulus, r.pulse = w.liquid, w.modulus, w.pulse
	r.setP, r.setTau = w.holdP, w.holdTau
	r.bulgeP, r.bulgeC = w.bulgeP, w.bulgeC
	if w.running {
		r.supply.want, r.supply.pos = true, 1
	}
	r.set(r.ambient + w.startPa)
	if w.steady && w.running {
		r.runUp(w.startPa)
	}
	var fs []Feature
	for i, f := range w.features {
		if i != without {
			fs = append(fs, f)
		}
	}
	r.load(fs)
	s.rest()
	if w.steady && w.running {
		for _, x := range s.fast { // the lag of a long ramp
			x.filter.trail(r.slope)
		}
	}
	for i := range w.sensors {
		s.sensors[i].extra = w.sensors[i].extra
	}
	sort.SliceStable(w.acts, func(i, j int) bool { return w.acts[i].at < w.acts[j].at })
}

// run plays the script and fills the trace.
func (w *script) run(s *stand, tr *Trace) {
	lost := uint32(0)
	s.tap = func(x *sensor, t, clean, raw float64) {
		ser := &tr.Series[x.id]
		ser.Raw = append(ser.Raw, raw)
		ser.V = append(ser.V, value(&x.ch, raw))
		ser.Clean = append(ser.Clean, clean)
		if x.id == 0 {
			tr.T = append(tr.T, ns(t))
		}
	}
	acts := w.acts
	steps := int(math.Round(w.lenS / s.base))
	for range steps {
		for len(acts) > 0 && acts[0].at <= s.rig.t {
			acts[0].do(s)
			acts = acts[1:]
		}
		s.advance(1)
		s.devices[0].forget(min(s.devices[0].complete()-s.devices[0].sent, 1<<20))
	}
	w.align(tr)
	// Strike the rows that were lost.
	keep := 0
	for i := range tr.T {
		if w.cut(float64(tr.T[i]) * 1e-9) {
			lost++
			continue
		}
		tr.T[keep] = tr.T[i]
		tr.Lost = append(tr.Lost, lost)
		lost = 0
		for c := range tr.Series {
			x := &tr.Series[c]
			x.Raw[keep], x.V[keep], x.Clean[keep] = x.Raw[i], x.V[i], x.Clean[i]
		}
		keep++
	}
	tr.T = tr.T[:keep]
	for c := range tr.Series {
		x := &tr.Series[c]
		x.Raw, x.V, x.Clean = x.Raw[:keep], x.V[:keep], x.Clean[:keep]
	}
}

// align drops rows that not every column has.
func (w *script) align(tr *Trace) {
	n := len(tr.T)
	for c := range tr.Series {
		n = min(n, len(tr.Series[c].Raw))
	}
	tr.T = tr.T[:n]
	for c := range tr.Series {
		x := &tr.Series[c]
		x.Raw, x.V, x.Clean = x.Raw[:n], x.V[:n], x.Clean[:n]
	}
}

func (w *script) cut(t float64) bool {
	for _, c := range w.cuts {
		if t >= c[0] && t < c[1] {
			return true
		}
	}
	return false
}

func kindByName(name string) (ScenarioKind, bool) {
	for _, k := range kinds() {
		if k.Name == name {
			return k, true
		}
	}
	return ScenarioKind{}, false
}
