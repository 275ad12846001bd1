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

// CellScenario names a case of a runaway rig to play. The same scenario gives
// the same trace.
type CellScenario struct {
	Kind string  `json:"kind"` // of CellScenarios
	Seed uint64  `json:"seed"`
	Rate float64 `json:"rate_hz"` // of the vessel's pressure
	Slow float64 `json:"slow_hz"` // of temperatures and voltage; 0: 10
}

// CellKind describes one case of a runaway rig.
type CellKind struct {
	Name     string
	Sentence string
	Nuisance bool // nothing vents and nothing runs away
	write    func(*cellScript)
}

// CellScenarios lists every case of a runaway rig.
func CellScenarios() []CellKind { return append([]CellKind(nil), cellKinds...) }

var cellKinds = []CellKind{
	{"runaway", "A charged cell vents and runs away.", false, func(*cellScript) {}},
	{"plugged-vent", "The top vent is plugged: the gas comes when the next feature gives way.", false, writePlugged},
	{"vent-only", "A cell without charge vents and does not run away.", false, writeVentOnly},
	{"couple-dropouts", "The skin's thermocouple drops out now and then on the way to runaway.", false, writeDropouts},
	{"no-venting", "Heated gently, nothing opens, and it cools.", true, func(w *cellScript) { w.closed(); w.heaterW = w.uniform(20, 50) }},
	{"fast-heater", "A heater of several °C/s and no runaway.", true, writeFastHeater},
	{"fast-heater-glitch", "The same, and the voltage drops out for a moment.", true, writeGlitch},
	{"couple-open", "The skin's thermocouple breaks and reads the upper end.", true, writeCoupleOpen},
	{"couple-reversed", "The skin's thermocouple is connected the wrong way round.", true, writeReversed},
	{"sense-wire", "The voltage's sense wire breaks while the cell is only warm.", true, writeSenseWire},
}

// CellTrace is a case of a runaway rig played without terminals.
type CellTrace struct {
	Scenario CellScenario
	Fixture  Fixture // as stated, the true volume within its uncertainty
	Series   []CellSeries
	Truth    []Truth
	Results  Results
	Span     int64 // ns
}

// CellSeries is one channel: its own times, readings in the channel's unit (NaN:
// missing), and what they would be without noise and errors.
type CellSeries struct {
	Channel daq.Channel
	RateHz  float64
	T       []int64
	V       []float64
	Clean   []float64
}

// cellScript is a case being written.
type cellScript struct {
	rng      *rand.Rand
	piece    Specimen
	heaterW  float64
	offS     float64 // the heater is off from then on, unless the cell runs away before
	lengthS  float64
	faults   []cellFault
	reversed bool
	uneven   float64 // part of the gas's excess over the wall by which its thermometer's place differs from the mean
}

// cellFault is what goes wrong with a channel from a time on, s.
type cellFault struct {
	channel  string
	from, to float64
	reads    float64 // NaN: nothing
}

func (w *cellScript) uniform(a, b float64) float64 { return a + (b-a)*w.rng.Float64() }

// closed is a cell of which nothing opens and nothing reacts.
func (w *cellScript) closed() {
	w.piece.Cell.Tame, w.piece.Features, w.piece.CIDPa = true, nil, 0
	w.offS = w.uniform(25, 50)
}

func writePlugged(w *cellScript) { w.piece.Features = w.piece.Features[1:] }

// A cell without charge has only its vapour to open it: it takes longer.
func writeVentOnly(w *cellScript) {
	w.piece.Cell.Tame = true
	w.heaterW, w.lengthS = w.uniform(48, 56), w.uniform(360, 390)
}

func writeDropouts(w *cellScript) {
	for range 4 {
		t := w.uniform(5, w.lengthS)
		w.faults = append(w.faults, cellFault{"t_skin", t, t + w.uniform(0.1, 3), math.NaN()})
	}
}

func writeFastHeater(w *cellScript) {
	w.closed()
	w.heaterW = w.uniform(90, 250) // 1.4 to 3.8 °C/s
	w.offS = w.uniform(20, 60)
}

func writeGlitch(w *cellScript) {
	writeFastHeater(w)
	t := w.uniform(8, w.offS)
	w.faults = append(w.faults, cellFault{"u_cell", t, t + w.uniform(0.05, 0.6), 0})
}

func writeCoupleOpen(w *cellScript) {
	w.closed()
	t := w.uniform(5, w.offS)
	w.faults = append(w.faults, cellFault{"t_skin", t, t + w.uniform(0.3, 40), 1372})
}

func writeReversed(w *cellScript) { w.closed(); w.reversed = true }

func writeSenseWire(w *cellScript) {
	w.closed()
	w.heaterW = w.uniform(20, 50)
	t := w.uniform(5, w.offS)
	w.faults = append(w.faults, cellFault{"u_cell", t, 1e9, 0})
}

// PlayCell plays a case of a runaway rig.
func PlayCell(sc CellScenario) (*CellTrace, error) {
	i := 0
	for i < len(cellKinds) && cellKinds[i].Name != sc.Kind {
		i++
	}
	if i == len(cellKinds) {
		return nil, fmt.Errorf("cell scenario %q is unknown: see the list of sim.CellScenarios", sc.Kind)
	}
	if sc.Slow == 0 {
		sc.Slow = 10
	}
	if !(sc.Rate >= 10 && sc.Rate <= 20000) || !(sc.Slow >= 1 && sc.Slow <= sc.Rate) {
		return nil, fmt.Errorf("cell scenario %q: rates %g and %g Hz: give 10 to 20000, and 1 up to the first", sc.Kind, sc.Rate, sc.Slow)
	}
	h := fnv.New32a()
	fmt.Fprint(h, sc.Kind, sc.Rate, sc.Slow) // each rate sees other cells
	w := &cellScript{rng: stream(sc.Seed, forCells, int(h.Sum32()>>1)), offS: math.Inf(1)}
	plan := CellPlan{Name: "S", Pieces: 1, BottomVent: w.rng.IntN(2) == 0, CapacityAh: w.uniform(2.5, 5.2)}
	w.piece = plan.draw(w.rng).Pieces[0]
	w.heaterW, w.lengthS = w.uniform(35, 60), w.uniform(330, 360)
	w.uneven = w.uniform(-unevenMost, unevenMost)
	cellKinds[i].write(w)
	if cellKinds[i].Nuisance {
		w.lengthS = w.offS + w.uniform(20, 40)
	}
	return w.play(sc)
}

// bench is the vessel's bench: a fast pressure, slow temperatures.
func (w *cellScript) bench(sc CellScenario) Bench {
	b := Bench{Name: "trace", Fixture: Fixture{Runaway: true, VolumeM3: w.uniform(2e-3, 6e-3), HeaterW: w.heaterW,
		AmbientPa: w.uniform(97e3, 103e3), RoomC: w.uniform(19, 27)}.withDefaults()}
	b.Fixture.VolumeUM3 = w.uniform(0.002, 0.01) * b.Fixture.VolumeM3
	rates := []float64{sc.Rate, sc.Slow}
	for i, names := range [][]string{{"p"}, {"t_skin", "t_gas", "u_cell"}} {
		for k, name := range names {
			c := daq.Channel{Name: name, Role: daq.Role(name), Instrument: i, Column: k, Floats: true, Zeroed: true, Certificate: "trace"}
			c.Curve.Kind, c.Curve.Gain = "linear", 1
			switch name {
			case "p":
				c.Quantity, c.Reference, c.High, c.LagS = daq.Pressure, daq.Absolute, 4e6, 1e-3
				c.Curve.UOffset, c.Curve.UGain = 400, 5e-4
			case "u_cell":
				c.Quantity = daq.Voltage
			default:
				c.Quantity, c.LagS = daq.Temperature, w.uniform(0.1, 0.8)
				c.Curve.UOffset, c.Curve.UGain = 0.4, 1e-3
			}
			b.Channels = append(b.Channels, c)
		}
		b.Instruments = append(b.Instruments, Instrument{Instrument: daq.Instrument{Name: fmt.Sprint(i), Protocol: "frame", Columns: len(names), RateHz: rates[i], TickHz: 1e9},
			Frame: &wire.FrameOptions{Columns: len(names)}})
	}
	return b
}

// unevenMost bounds how uneven the gas of a vessel is (common practice, no
// source).
const unevenMost = 0.1

// beginC is the temperature that a played cell has been brought to before the
// trace begins: it saves the dull part of each.
const beginC = 60

func (w *cellScript) play(sc CellScenario) (*CellTrace, error) {
	stated := w.bench(sc)
	b := stated
	b.Fixture.VolumeM3 += b.Fixture.VolumeUM3 * within(w.rng, 3)
	sigma := w.uniform(40, 400)
	s, err := newStand(&b, standOptions{seed: sc.Seed, base: math.Min(1e-3, math.Max(1e-4, 1/sc.Rate)), calibration: 4,
		clock: func(int) crystal { return crystal{period: 1} },
		sensor: func(c *daq.Channel) sensorOptions {
			o := sensorOptions{lag: -1, calibration: 4}
			if c.Quantity == daq.Pressure {
				o.noise = &Noise{Sigma: sigma}
			}
			return o
		}})
	if err != nil {
		return nil, fmt.Errorf("cell scenario %q seed %d: %w", sc.Kind, sc.Seed, err)
	}
	s.rig.take(&w.piece)
	s.rig.cell.body, s.rig.cell.skin = beginC+kelvin, beginC+kelvin
	s.rig.cell.pressure()
	s.rest()
	tr := &CellTrace{Scenario: sc, Fixture: stated.Fixture}
	for _, c := range b.Channels {
		tr.Series = append(tr.Series, CellSeries{Channel: c, RateHz: b.Instruments[c.Instrument].RateHz})
	}
	s.tap = func(x *sensor, t, clean, raw float64) {
		ser := &tr.Series[x.id]
		ser.T, ser.V, ser.Clean = append(ser.T, ns(t)), append(ser.V, w.spoil(x, t, raw, s.rig)), append(ser.Clean, clean)
	}
	ran := false
	for s.rig.t < w.lengthS {
		if s.rig.cell.ran && !ran {
			ran, w.lengthS = true, s.rig.t+w.uniform(50, 70) // the gas comes to rest
		}
		s.rig.heater = !ran && s.rig.t < w.offS && s.rig.cell.body < 230+kelvin
		s.advance(1)
		for _, d := range s.devices {
			d.forget(min(d.complete()-d.sent, 1<<20))
		}
	}
	tr.Truth = s.rig.takeTruth()
	sort.SliceStable(tr.Truth, func(i, j int) bool { return tr.Truth[i].StartNS < tr.Truth[j].StartNS })
	tr.Results, tr.Span = *s.rig.results(), ns(s.rig.t)
	return tr, nil
}

// spoil applies the script's faults to a reading.
func (w *cellScript) spoil(x *sensor, t, v float64, r *rig) float64 {
	if w.reversed && x.ch.Name == "t_skin" { // the junction block is at room temperature
		v = 2*(r.wall-kelvin) - v
	}
	if x.ch.Name == "t_gas" {
		v += w.uneven * (r.temp - r.wall)
	}
	for _, f := range w.faults {
		if f.channel == x.ch.Name && t >= f.from && t < f.to {
			v = f.reads
		}
	}
	return v
}
