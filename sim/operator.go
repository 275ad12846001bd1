package sim

import (
	"fmt"
	"math"
)

// What a person at the bench can do beside the daemon: shut the supply by hand
// or open it again, turn the regulator, fill fast, hold the dump valve, set the
// trigger line, let a pump run, close a bridge's calibration shunt.

const (
	fillRate     = 20e5 // Pa/s of a fast fill
	regulatorTau = 5e-3 // s in which a regulator leads to a new pressure
	pumpHz       = 12.0 // strokes a second, where none are said
)

// port is what lies between the fixture and a specimen. A plugged one lets
// next to nothing through: behind it the specimen keeps its pressure when the
// fixture has long lost it.
type port struct {
	plugged bool
	tau     float64 // s in which the specimen follows the fixture
	p       float64 // Pa absolute in the specimen
}

// pluggedPart is the specimen's volume behind a plugged port, in parts of the
// fixture's.
const pluggedPart = 0.1

// step lets the specimen behind a plugged port follow the fixture.
func (o *port) step(r *rig, dt float64) {
	if !o.plugged {
		return
	}
	d := (r.p - o.p) * -math.Expm1(-dt/o.tau)
	o.p += d
	r.p -= d * pluggedPart
	r.mass = r.p * r.v / (r.gas.R * r.temp)
}

// inside is the pressure that the specimen's features feel, Pa absolute.
func (r *rig) inside() float64 {
	if r.port.plugged {
		return r.port.p
	}
	return r.p
}

// act ends a fast fill at its pressure.
func (r *rig) act() {
	if r.fillP > 0 && r.p-r.ambient >= r.fillP {
		r.fillP = 0
		r.handShut = true
	}
}

// operate does what a person does at the bench; ok is false where do is none
// of it.
func (s *stand) operate(c *Command) (ok bool, err error) {
	r := s.rig
	open := c.Open == nil || *c.Open
	switch c.Do {
	case "ramp":
		if !(c.BarS > 0 && c.BarS <= 1000) {
			return true, fmt.Errorf("ramp: bar_s is %g: give a rate between 0 and 1000", c.BarS)
		}
		r.ramp, r.setP, r.fillP = c.BarS*bar, 0, 0
	case "regulator":
		if !within0(c.Bar, 1000) {
			return true, fmt.Errorf("regulator: bar is %g: give a gauge pressure from 0 (back to the ramp) to 1000", c.Bar)
		}
		r.setP, r.setTau = c.Bar*bar, regulatorTau
		r.tell(Truth{Event: "supply-step", StartNS: ns(r.t), OnsetNS: ns(r.t), PressurePa: r.p - r.ambient})
	case "fill":
		if !(c.Bar > 0 && c.Bar <= 1000) {
			return true, fmt.Errorf("fill: bar is %g: give the gauge pressure to fill to, up to 1000", c.Bar)
		}
		r.fillP, r.handShut = c.Bar*bar, false
	case "supply":
		r.handShut = !open
	case "dump":
		r.handDump = open
		r.dump.want = open
		s.drive()
		if r.dump.want {
			r.tell(Truth{Event: "dump", StartNS: ns(r.t), OnsetNS: ns(r.t), PressurePa: r.p - r.ambient})
		}
	case "trigger":
		r.trigger = open
	case "pump":
		return true, s.pump(c)
	case "shunt":
		return true, s.shunt(c.Channel, c.Size, open)
	default:
		return false, nil
	}
	return true, nil
}

// pump lets a pump's strokes be felt, or stops it.
func (s *stand) pump(c *Command) error {
	if !within0(c.Bar, 100) || !within0(c.Hz, 1000) {
		return fmt.Errorf("pump: bar is %g, hz is %g: give an amplitude from 0 (none) to 100 bar and up to 1000 strokes a second", c.Bar, c.Hz)
	}
	hz, a, from := c.Hz, c.Bar*bar, s.rig.t
	if hz == 0 {
		hz = pumpHz
	}
	s.rig.pulse = nil
	if a > 0 {
		s.rig.pulse = func(t float64) float64 {
			x := 2*math.Pi*hz*(t-from) + 0.3*math.Sin(2*math.Pi*0.3*t)
			return a * (math.Sin(x) + 0.3*math.Sin(2*x+1) + 0.1*math.Sin(3*x+2))
		}
	}
	return nil
}

// shunt closes or opens the calibration shunt of a bridge: a resistor across one
// arm, which unbalances it by a known signal whatever the pressure.
func (s *stand) shunt(channel string, size float64, closed bool) error {
	if size == 0 {
		size = 1
	}
	if !(size > 0 && size <= 10) {
		return fmt.Errorf("shunt: size is %g: give how many times the stated signal it makes, up to 10", size)
	}
	for _, x := range s.sensors {
		c := &x.ch.Curve
		if x.ch.Name != channel || c.ShuntMVV == 0 {
			continue
		}
		x.shunt = 0
		if closed {
			x.shunt = size * c.ShuntMVV * c.Gain * x.inv.gain // inv.gain: raw of the channel's unit
		}
		return nil
	}
	return fmt.Errorf("shunt: no bridge %q with a shunt: name one whose channel states it", channel)
}
