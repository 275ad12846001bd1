package detect

import "math"

// fillCooling bounds the slope at which the pressure of gas falls when a fill
// stops, relative to the ramp before: the gas was heated by compression at
// most at (gamma-1)/gamma of the rate of pressure (isentropic compression,
// gamma <= 1.67), and a margin.
// judge names an event from its shape, so far or for good.
func (m *Monitor) judge(r *record, final bool) {
	k := r.w
	if r.ev.Kind == Dump || r.ev.Kind == SensorFault || r.fitted && r.final {
		if final {
			m.unhalt(r)
		}
		return
	}
	s, ok := k.course()
	if !ok {
		if final {
			m.settled(r)
		}
		return
	}
	r.fastest = s.fastest
	kind, fault := m.shapeOf(r, k, &s, final)
	changed := false
	if kind != "" && kind != r.ev.Kind {
		changed = true
		switch kind {
		case SensorFault:
			r.toFault(fault, k.c.lastT)
		default:
			r.ev.Kind, r.ev.Fault = kind, ""
			if !r.ev.Opens() {
				r.ev.noOpening()
				r.ev.End = k.c.lastT
			}
		}
		if kind == SensorFault {
			k.c.p.disturb(int(1e9 / k.c.period))
		}
		r.shape = kind
		r.quiet = r.quiet && kind != SensorFault && kind != Rupture
	}
	if r.ev.Opens() && !r.fitted && s.n >= 8 {
		r.ev.DropPa = ptr(s.onset - s.lowest)
		changed = changed || final
	}
	if final {
		if r.ev.Named == 0 {
			r.ev.Named = k.c.lastT
			changed = true
		}
		m.settled(r)
		m.unhalt(r)
	}
	if changed {
		m.book.revise(r)
	}
	if final && k.until == 0 && r.ev.Opens() {
		m.resealed(r, k, &s)
	}
}

// noOpening takes the figures of an opening off an event that turned out to be
// none.
func (e *Event) noOpening() {
	e.Feature = ""
	e.DropPa, e.TauS, e.AreaM2, e.AreaUM2, e.AreaLowerM2 = nil, nil, nil, nil, nil
	e.Absent = nil
}

// resealed tells of a vent that has shut again: the pressure rises like before
// the opening, or stands, with gas left.
func (m *Monitor) resealed(r *record, k *watch, s *course) {
	if r.quiet || k.gauge(s.end) < 0.1*k.gauge(s.onset) || s.slopeSD > 0.05*math.Abs(s.steep) ||
		s.after < 0.9*math.Max(s.before, 0)-3*s.slopeSD || s.depth < 8*s.sd {
		return
	}
	e := m.book.open(Reseal, k.c, s.lowT, k.c.lastT)
	e.slack = k.ns
	e.ev.Named = k.c.lastT
	m.book.issue(e)
}

// settled says why figures are still missing when the event is closed.
func (m *Monitor) settled(r *record) {
	if !r.ev.Opens() || r.fitted {
		return
	}
	why := "no fit of the opening was made"
	if m.opt.Fixture.VolumeM3 == 0 {
		r.ev.without("area_m2", "no volume given")
	} else {
		r.ev.without("area_m2", why)
	}
	if r.ev.DropPa == nil {
		r.ev.without("drop_Pa", why)
	}
	r.ev.without("onset_u", why)
}
