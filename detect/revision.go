package detect

import "maps"

// Finding takes what the fit of a window found.
func (m *Monitor) Finding(f Finding) {
	r := m.book.at(f.Event)
	if r == nil || r.final && !f.Final {
		return
	}
	if m.strays(r, &f) { // the fit fell back upon the opening before
		f = Finding{Event: f.Event, Serial: f.Serial, Final: f.Final, Kind: f.Kind, Fault: f.Fault, Flags: f.Flags}
	}
	if r.ev.Kind == FirstVenting {
		m.book.began(r, &f)
		return
	}
	r.fitted = true
	r.final = f.Final
	e := &r.ev
	if r.shape == Dump || r.shape == SensorFault || r.gentle() { // inputs, sensor or course have spoken
		return
	}
	if f.Kind != "" && (e.Opens() || f.Kind == VentOpening || f.Kind == Rupture) && !r.gentle() {
		e.Kind, e.Fault = f.Kind, f.Fault
		r.shape = f.Kind
	}
	take(&e.OnsetU, f.OnsetU)
	take(&e.StartU, f.StartU)
	take(&e.PressurePa, f.PressurePa)
	take(&e.PressureUPa, f.PressureUPa)
	take(&e.FitDof, f.FitDof)
	take(&e.PeakLossPa, f.PeakLossPa)
	take(&e.DropPa, f.DropPa)
	take(&e.RampPaS, f.RampPaS)
	e.outflow(&f)
	if f.Onset != nil {
		e.Onset = *f.Onset
	}
	if f.Start != nil {
		e.Start = *f.Start
	}
	for _, g := range f.Flags {
		e.flag(g)
	}
	e.Absent = maps.Clone(f.Absent)
	if f.Final && e.Named == 0 {
		e.Named = max(e.Decided, m.now)
	}
	m.label(r)
	m.book.revise(r)
}

// outflow takes what a finding says of the outflow as a whole: a bound takes back
// the area that an earlier finding gave, and an area the bound.
func (e *Event) outflow(f *Finding) {
	if f.TauS != nil || f.Absent["tau_s"] != "" {
		e.TauS = clone(f.TauS)
	}
	if f.AreaM2 != nil || f.AreaLowerM2 != nil || f.Absent["area_m2"] != "" {
		e.AreaM2, e.AreaUM2, e.AreaLowerM2 = clone(f.AreaM2), clone(f.AreaUM2), clone(f.AreaLowerM2)
	}
}

// strays tells whether a finding puts the onset where the channel's opening
// before it has its own: then the fit has explained the other one.
func (m *Monitor) strays(r *record, f *Finding) bool {
	if f.Onset == nil {
		return false
	}
	for i := len(m.book.recs) - 1; i >= 0; i-- {
		x := m.book.recs[i]
		if x.ev.ID < r.ev.ID && x.seat == r.seat && x.ev.Opens() {
			return *f.Onset <= max(x.ev.Onset, x.ev.Decided)
		}
	}
	return false
}

// began gives a first venting the onset that its fit found.
func (b *book) began(r *record, f *Finding) {
	if f.Onset != nil {
		r.ev.Onset = *f.Onset
	}
	take(&r.ev.OnsetU, f.OnsetU)
	if why := f.Absent["onset_u"]; why != "" {
		r.ev.without("onset_u", why)
	}
	b.revise(r)
}

// take lets a figure that was computed replace the one before.
func take[T any](to **T, from *T) {
	if from != nil {
		*to = clone(from)
	}
}

// gentle tells that the course has shown the event to be no opening.
func (r *record) gentle() bool {
	return r.shape == SupplyStep || r.shape == Leak || r.shape == Bulge
}
