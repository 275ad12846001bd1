package sim

import "fmt"

// cause checks a fault, fills what it leaves open and starts it, or arms it
// for the next opening.
func (s *stand) cause(f *Fault) error {
	k, err := faultKind(f.Name)
	if err != nil {
		return err
	}
	if f.Seconds == 0 {
		f.Seconds = k.Seconds
	}
	if f.Size == 0 {
		f.Size = k.Size
	}
	if k.Sensor {
		x, err := s.findSensor(*f)
		if err != nil {
			return err
		}
		f.Channel = x.ch.Name
	} else {
		d, err := s.findDevice(*f)
		if err != nil {
			return err
		}
		f.Instrument = d.in.Name
	}
	switch f.At {
	case "", "now":
		s.start(*f)
	case "opening":
		if f.Before == 0 {
			f.Before = 0.05
		}
		if len(s.armed) >= 64 {
			return fmt.Errorf("fault %q: 64 faults wait for an opening already: load the next specimen first", f.Name)
		}
		s.armed = append(s.armed, armed{*f})
	default:
		return fmt.Errorf("fault %q: at %q is unknown: use now or opening", f.Name, f.At)
	}
	return nil
}

// start begins a fault that was checked.
func (s *stand) start(f Fault) {
	t := s.rig.t
	if x, err := s.findSensor(f); f.Channel != "" && err == nil {
		x.fault.start(f.Name, t, f.Seconds, f.Size)
		return
	}
	d, err := s.findDevice(f)
	if err != nil {
		return
	}
	if f.Name == "clock-drift" {
		s.driftClock(d, f.Size)
		return
	}
	d.fault.start(f.Name, t, f.Seconds, f.Size)
}

// driftClock changes a device's clock from the first row that none of its
// sensors has taken.
func (s *stand) driftClock(d *device, ppm float64) {
	k := d.cadence.k
	for _, x := range d.sensors {
		k = max(k, x.cadence.k)
	}
	for _, x := range d.sensors {
		x.cadence.changeAt, x.cadence.changePPM = k+1, ppm
	}
	d.cadence.changeAt, d.cadence.changePPM = k+1, ppm
}

// findSensor finds the channel that a fault names, or the first fast one of
// the instrument it names.
func (s *stand) findSensor(f Fault) (*sensor, error) {
	for _, x := range s.sensors {
		switch {
		case f.Channel != "" && x.ch.Name == f.Channel:
			return x, nil
		case f.Channel == "" && x.source == ofSpecimen &&
			(f.Instrument == "" || s.devices[x.ch.Instrument].in.Name == f.Instrument):
			return x, nil
		}
	}
	return nil, fmt.Errorf("fault %q: no channel %q on instrument %q: name one of the bench", f.Name, f.Channel, f.Instrument)
}

// findDevice finds the instrument that a fault names, or the first one that
// speaks a protocol the fault belongs to.
func (s *stand) findDevice(f Fault) (*device, error) {
	modbus := map[string]bool{"wrong-crc": true, "silence": true, "late-answers": true, "exception": true}[f.Name]
	for _, d := range s.devices {
		if f.Instrument == d.in.Name || f.Instrument == "" && d.asked() == modbus {
			if modbus && !d.asked() {
				return nil, fmt.Errorf("fault %q: instrument %q is not one that is asked (modbus, query)", f.Name, d.in.Name)
			}
			return d, nil
		}
	}
	return nil, fmt.Errorf("fault %q: no instrument %q that it fits: name one of the bench", f.Name, f.Instrument)
}
