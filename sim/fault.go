package sim

import (
	"fmt"
	"math"
	"math/rand/v2"
)

// A Fault is something that goes wrong with a bench on purpose.
type Fault struct {
	Name       string  `json:"name"`
	Instrument string  `json:"instrument,omitempty"` // empty: the first one that fits
	Channel    string  `json:"channel,omitempty"`    // empty: the first one of the instrument that fits
	Seconds    float64 `json:"seconds,omitempty"`    // how long; 0: the fault's own usual time
	// At is now (default) or opening: Before seconds ahead of the next opening.
	At     string  `json:"at,omitempty"`
	Before float64 `json:"before,omitempty"`
	// Size is the fault's strength where it has one (a factor, ppm, bytes in
	// error per thousand); 0: the usual one.
	Size float64 `json:"size,omitempty"`
}

// FaultKind describes a fault that can be asked for by name.
type FaultKind struct {
	Name     string  // as in Fault.Name
	Sentence string  // what it does
	Sensor   bool    // it is one channel's; else a whole instrument's
	Seconds  float64 // usual time
	Size     float64 // usual size; 0: none
}

var faultKinds = []FaultKind{
	{"spike", "One to three readings of a channel jump far away and come back, once.", true, 0, 0},
	{"spikes", "Spikes of one to three readings come again and again, Size a second.", true, 5, 40},
	{"dropout", "The line falls silent while the device goes on sampling; its sequence tells what was lost.", false, 0.5, 0},
	{"frozen", "A channel repeats one reading, then jumps to the true one.", true, 1, 0},
	{"open-wire", "A channel's loop is open: its reading falls below the live zero or to the low rail.", true, 1, 0},
	{"rail", "A channel's converter sits at its upper end.", true, 0.5, 0},
	{"bit-flips", "Bits of messages are flipped on the line: Size messages in a thousand.", false, 5, 20},
	{"lost-bytes", "Bytes of messages are lost on the line: Size messages in a thousand.", false, 5, 20},
	{"stall", "The link holds everything back, then sends it in a burst.", false, 0.1, 0},
	{"unplug", "The terminal goes away and comes back later under the same name.", false, 4, 0},
	{"device-reset", "The device restarts: silence, then its sequence and tick begin at 0; one that is asked lets its outputs fall off.", false, 0.3, 0},
	{"thermal-shock", "Hot gas on a transducer's diaphragm: a false low reading of Size bar that recovers.", true, 6, 0.5},
	{"clock-drift", "The device's clock runs Size ppm off from now on.", false, 0, 400},
	{"noise", "A channel's noise is Size times as large.", true, 5, 10},
	{"hum", "Mains hum of Size standard deviations of the noise is added to a channel.", true, 5, 15},
	{"wrong-crc", "Answers of a Modbus line carry a wrong checksum.", false, 1, 0},
	{"silence", "A Modbus line does not answer.", false, 1, 0},
	{"late-answers", "Answers of a Modbus line come Size seconds late.", false, 2, 0.5},
	{"exception", "A Modbus line answers every question with exception 4 (device failure).", false, 1, 0},
}

// Faults lists every fault that can be asked for.
func Faults() []FaultKind { return append([]FaultKind(nil), faultKinds...) }

func faultKind(name string) (FaultKind, error) {
	for _, k := range faultKinds {
		if k.Name == name {
			return k, nil
		}
	}
	return FaultKind{}, fmt.Errorf("fault %q is unknown: see the list of sim.Faults", name)
}

// sensorFault is what is wrong with one sensor at the moment. Times are s of
// the rig.
type sensorFault struct {
	kind   string
	until  float64
	size   float64
	held   float64 // reading that is repeated
	begun  bool
	left   int     // readings of the present spike still to come
	from   float64 // when it began
	nextAt float64 // time of the next spike
	by     float64 // size of the present spike, raw
}

// start begins a fault of a sensor at t.
func (f *sensorFault) start(kind string, t, seconds, size float64) {
	*f = sensorFault{kind: kind, from: t, until: t + seconds, size: size, nextAt: t}
}

// apply changes the raw reading of s at t.
func (f *sensorFault) apply(raw float64, s *sensor, t float64) float64 {
	if f.kind == "" {
		return raw
	}
	if f.kind == "spike" || f.kind == "spikes" {
		return f.spike(raw, s, t)
	}
	if t >= f.until {
		s.noise.factor, s.noise.humFactor = 1, 1
		f.kind = ""
		return raw
	}
	switch f.kind {
	case "frozen":
		if !f.begun {
			f.begun, f.held = true, raw
		}
		return f.held
	case "open-wire":
		return openReading(s)
	case "rail":
		if s.ch.RailHigh != 0 {
			return s.ch.RailHigh
		}
		return s.inv.raw(1.06*s.ch.High, 0, standardAmbient)
	case "thermal-shock":
		return raw - f.shock(t)*bar*s.inv.counts(s.ch.High/2)
	case "noise":
		s.noise.factor = f.size
	case "hum":
		s.noise.humFactor = 1 + f.size
	}
	return raw
}

// shock is the false part of a reading after hot gas met the diaphragm: it
// comes within a twentieth of the fault's time and recovers, in parts of size.
func (f *sensorFault) shock(t float64) float64 {
	span := f.until - f.from
	x := (t - f.from) / span
	return f.size * -math.Expm1(-20*x) * math.Exp(-4*x) * (1 - x)
}

// openReading is what the converter says of an open loop.
func openReading(s *sensor) float64 {
	switch {
	case s.ch.RailLow != 0:
		return s.ch.RailLow
	case s.ch.OpenBelow != 0:
		return 0
	default:
		return s.inv.raw(s.ch.Low-0.25*(s.ch.High-s.ch.Low), 0, standardAmbient) // 4-20 mA: 0 mA lies a quarter of the span below
	}
}

func (f *sensorFault) spike(raw float64, s *sensor, t float64) float64 {
	if f.left == 0 {
		if f.kind == "spike" && f.begun || f.kind == "spikes" && t >= f.until {
			f.kind = ""
			return raw
		}
		if t < f.nextAt {
			return raw
		}
		f.begun = true
		f.left = 1 + s.rng.IntN(3)
		f.by = spikeSize(s)
		f.nextAt = t + s.rng.ExpFloat64()/max(f.size, 1e-9)
	}
	f.left--
	return raw + f.by
}

// spikeSize is a jump of 5 to 60 % of the range, either way, in raw counts.
func spikeSize(s *sensor) float64 {
	span := s.ch.High - s.ch.Low
	if span <= 0 {
		span = 200 * s.noise.Sigma
	}
	by := (0.05 + 0.55*s.rng.Float64()) * span * s.inv.counts(s.ch.Low+span/2)
	if s.rng.IntN(2) == 0 {
		return -by
	}
	return by
}

// lineFault is what is wrong with one instrument's line at the moment.
type lineFault struct {
	until map[string]float64 // end of each, s of the rig
	size  map[string]float64
}

func (f *lineFault) start(kind string, t, seconds, size float64) {
	if f.until == nil {
		f.until, f.size = map[string]float64{}, map[string]float64{}
	}
	f.until[kind], f.size[kind] = t+seconds, size
}

// on tells whether a kind of fault is on at t.
func (f *lineFault) on(kind string, t float64) bool { return f.until != nil && t < f.until[kind] }

// damage spoils a message in place (flipped bits) or shortens it (lost bytes)
// by the faults that are on; it tells whether it did.
func (f *lineFault) damage(msg []byte, t float64, rng *rand.Rand) ([]byte, bool) {
	done := false
	if f.on("bit-flips", t) && rng.Float64()*1000 < f.size["bit-flips"] {
		i := rng.IntN(len(msg))
		msg[i] ^= 1 << rng.IntN(8)
		done = true
	}
	if f.on("lost-bytes", t) && rng.Float64()*1000 < f.size["lost-bytes"] {
		i := rng.IntN(len(msg))
		msg = append(msg[:i], msg[min(len(msg), i+1+rng.IntN(3)):]...)
		done = true
	}
	return msg, done
}
