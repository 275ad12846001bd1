package sim

import (
	"math"
	"math/rand/v2"

	"ventward/daq"
)

// source is what a sensor looks at.
type source int

const (
	ofNothing source = iota
	ofSpecimen
	ofSupply
	ofBarometer
	ofGas
	ofRoom
	ofSkin
	ofJunction
	ofCell
	ofSupplyValve
	ofDumpValve
	ofClosed // a contact that is healthy or closed
	ofCID
	ofTrigger
	ofForce
	ofSteady // a constant reading of its quantity
)

func sourceOf(c *daq.Channel) source {
	roles := map[daq.Role]source{
		daq.RoleSpecimen: ofSpecimen, daq.RoleSupply: ofSupply, daq.RoleBarometer: ofBarometer, daq.RoleSkin: ofSkin,
		daq.RoleGas: ofGas, daq.RoleRoom: ofRoom, daq.RoleJunction: ofJunction, daq.RoleCell: ofCell,
		daq.RoleDumpValve: ofDumpValve, daq.RoleSupplyValve: ofSupplyValve, daq.RoleShield: ofClosed,
		daq.RoleEStop: ofClosed, daq.RoleCID: ofCID, daq.RoleTrigger: ofTrigger,
	}
	if s, ok := roles[c.Role]; ok && c.Role != daq.RoleNone {
		return s
	}
	quantities := map[daq.Quantity]source{daq.Pressure: ofSpecimen, daq.Temperature: ofRoom, daq.Force: ofForce}
	if s, ok := quantities[c.Quantity]; ok {
		return s
	}
	return ofSteady
}

// sensor is one transducer with its converter.
type sensor struct {
	ch     daq.Channel
	id     int // in the bench's channel table
	source source
	inv    inverse
	fast   bool // follows each step of the rig through a filter
	filter *filter
	slow   float64 // value of a slow sensor after its lag
	lagS   float64

	whole    bool    // the reading is a whole count
	offset   float64 // calibration error, channel's unit
	gain     float64 // calibration error, relative
	noise    noise
	fault    sensorFault
	rng      *rand.Rand
	last     float64 // last raw reading
	cadence  cadence
	delay    float64                 // s
	y0, d0   float64                 // filter output at the start of the step
	coupling float64                 // how much of a pump's strokes it feels
	steady   float64                 // what it reads of nothing that changes; 0: usual
	extra    func(t float64) float64 // a false part of the reading, channel's unit; nil: none
	shunt    float64                 // raw, what a closed calibration shunt adds
}

// Noise is what a sensor adds to the truth, in the channel's unit.
type Noise struct {
	Sigma float64 `json:"sigma"` // standard deviation of one reading
	// Shape is gauss (default), heavy (Student's t with 5 degrees of freedom,
	// scaled to Sigma), flat (uniform) or red (each reading keeps Keep of the
	// one before).
	Shape string  `json:"shape,omitempty"`
	Keep  float64 `json:"keep,omitempty"`
	// Hum of HumHz with its third harmonic at a quarter of the amplitude.
	HumAmplitude float64 `json:"hum_amplitude,omitempty"`
	HumHz        float64 `json:"hum_hz,omitempty"` // 0: 50
}

type noise struct {
	Noise
	phase, phase3 float64 // turns
	state         float64
	factor        float64 // of a fault that raises it
	humFactor     float64
}

// next is the disturbance of a reading taken at t (s).
func (n *noise) next(t float64, rng *rand.Rand) float64 {
	var e float64
	switch n.Shape {
	case "heavy":
		s := 0.0
		for range 5 {
			g := rng.NormFloat64()
			s += g * g
		}
		e = rng.NormFloat64() / math.Sqrt(s/5) * math.Sqrt(3.0/5)
	case "flat":
		e = (rng.Float64() - 0.5) * math.Sqrt(12)
	case "red":
		n.state = n.Keep*n.state + math.Sqrt(1-n.Keep*n.Keep)*rng.NormFloat64()
		e = n.state
	default:
		e = rng.NormFloat64()
	}
	v := e * n.Sigma * n.factor
	if a := n.HumAmplitude + (n.humFactor-1)*n.Sigma; a > 0 {
		hz := n.HumHz
		if hz == 0 {
			hz = 50
		}
		w := hz * t
		v += a * (wave(w+n.phase) + 0.25*wave(3*w+n.phase3))
	}
	return v
}

// waveTable holds one turn of a sine and its first value again.
var waveTable = func() (t [4097]float64) {
	for i := range t {
		t[i] = math.Sin(2 * math.Pi * float64(i) / 4096)
	}
	return t
}()

// wave is the sine of x turns, good to 3e-7: hum needs no better.
func wave(x float64) float64 {
	x = (x - math.Floor(x)) * 4096
	i := int(x) & 4095
	return waveTable[i] + (x-float64(i))*(waveTable[i+1]-waveTable[i])
}

// sensorOptions are what a Bench does not say of a sensor.
type sensorOptions struct {
	noise       *Noise  // nil: by quantity
	lineHz      float64 // resonance of the impulse line; 0: none
	lineDamping float64
	lag         float64 // true time constant, s; < 0: by the channel
	calibration float64 // how many standard uncertainties a calibration error may reach; 0: none
}

func newSensor(c daq.Channel, id int, base float64, o sensorOptions, rng *rand.Rand) (*sensor, error) {
	inv, err := invert(&c)
	if err != nil {
		return nil, err
	}
	s := &sensor{ch: c, id: id, source: sourceOf(&c), inv: inv, rng: rng, whole: !c.Floats, delay: c.DelayS, coupling: 1}
	s.offset = c.Curve.UOffset * within(rng, o.calibration)
	s.gain = c.Curve.UGain * within(rng, o.calibration)
	s.lagS = o.lag
	if s.lagS < 0 {
		s.lagS = math.Max(0, c.LagS+c.LagUS*within(rng, 2))
	}
	s.noise = noise{factor: 1, humFactor: 1, phase: rng.Float64(), phase3: rng.Float64()}
	if o.noise != nil {
		s.noise.Noise = *o.noise
	} else {
		s.noise.Noise = usualNoise(&c, s.source)
	}
	if s.source == ofSpecimen || s.source == ofSupply {
		s.fast = true
		hz := o.lineHz
		if s.source == ofSupply {
			hz = 0
		}
		s.filter = newFilter(base, hz, o.lineDamping, s.lagS)
	}
	return s, nil
}

// within draws a standard normal number of at most limit in magnitude.
func within(rng *rand.Rand, limit float64) float64 {
	if limit <= 0 {
		return 0
	}
	for range 1000 {
		if x := rng.NormFloat64(); math.Abs(x) <= limit {
			return x
		}
	}
	return 0
}

// usualNoise is the noise of a middling sensor of its kind (common practice,
// no source): 0.04 % of full scale for pressure.
func usualNoise(c *daq.Channel, s source) Noise {
	switch c.Quantity {
	case daq.Pressure:
		if s == ofBarometer {
			return Noise{Sigma: 8}
		}
		fs := c.High
		if fs == 0 {
			fs = 6e6
		}
		return Noise{Sigma: 4e-4 * fs, HumAmplitude: 1.5e-4 * fs}
	case daq.Temperature:
		return Noise{Sigma: 0.04}
	case daq.Voltage:
		return Noise{Sigma: 0.4e-3, HumAmplitude: 0.2e-3}
	case daq.Current:
		return Noise{Sigma: 0.02e-3}
	case daq.Force:
		return Noise{Sigma: 0.8}
	}
	return Noise{}
}

// truth is what the sensor looks at, now, in the channel's unit.
func (s *sensor) truth(r *rig) float64 {
	switch s.source {
	case ofSpecimen:
		return s.referred(r.p, r) + s.coupling*r.driven()
	case ofSupply:
		return s.referred(r.supplyP, r)
	case ofBarometer:
		return r.ambient
	case ofGas:
		return r.temp - kelvin
	case ofSkin:
		if r.cell != nil {
			return r.cell.skin - kelvin
		}
		return r.wall - kelvin
	case ofRoom:
		return r.wall - kelvin
	case ofJunction:
		return r.wall - kelvin + junctionAbove
	case ofSupplyValve:
		return contact(r.supply.pos > 0.5)
	case ofDumpValve:
		return contact(r.dump.pos > 0.5)
	case ofClosed:
		return 1
	case ofCID:
		return contact(!r.cidOpen)
	case ofTrigger:
		return contact(r.trigger || r.heater)
	case ofCell:
		if r.cidOpen {
			return 0
		}
		if r.cell != nil {
			return r.cell.volts
		}
		return 3.62
	case ofForce:
		return (r.p - r.ambient) * canEndM2
	case ofSteady:
		if s.steady != 0 {
			return s.steady
		}
		return map[daq.Quantity]float64{daq.Voltage: 5, daq.Current: 0.004}[s.ch.Quantity]
	}
	return 0
}

const (
	standardAmbient = 101325.0 // Pa
	junctionAbove   = 1.5      // °C that a terminal block is warmer than the room
	canEndM2        = 3.464e-4 // end face of a can of 21 mm
)

func contact(on bool) float64 {
	if on {
		return 1
	}
	return 0
}

// referred is an absolute pressure in the channel's reference.
func (s *sensor) referred(p float64, r *rig) float64 {
	if s.ch.Reference == daq.Absolute {
		return p
	}
	return p - r.ambient
}

// rest settles the sensor at the present truth.
func (s *sensor) rest(r *rig) {
	v := s.truth(r)
	s.slow = v
	if s.fast {
		s.filter.rest(v)
	}
}

// drift advances a slow sensor by dt.
func (s *sensor) drift(r *rig, dt float64) {
	v := s.truth(r)
	if s.lagS > 0 {
		s.slow += (v - s.slow) * (1 - math.Exp(-dt/s.lagS))
	} else {
		s.slow = v
	}
}

// read takes one reading at t of a value v (channel's unit, noise-free): the
// raw reading.
func (s *sensor) read(t, v float64, r *rig) float64 {
	v += s.offset + s.gain*v + s.noise.next(t, s.rng)
	if s.extra != nil {
		v += s.extra(t)
	}
	if h := s.ch.High; h > 0 && v > 1.06*h {
		v = 1.06 * h // a transducer's output ends a little above its range
	}
	raw := s.inv.raw(v, r.wall-kelvin+junctionAbove, r.ambient) + s.shunt
	raw = s.fault.apply(raw, s, t)
	if s.whole {
		raw = math.Round(raw)
	}
	if s.ch.RailLow != 0 || s.ch.RailHigh != 0 {
		raw = math.Max(s.ch.RailLow, math.Min(s.ch.RailHigh, raw))
	}
	if s.whole {
		raw = math.Max(math.MinInt32, math.Min(math.MaxInt32, raw))
	}
	s.last = raw
	return raw
}
