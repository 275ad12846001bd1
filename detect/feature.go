package detect

import "math"

// label names the feature whose range holds the opening pressure; where none
// does, the nearest that has not opened yet. It labels; it is never the reason
// for a call.
func (m *Monitor) label(r *record) {
	e := &r.ev
	e.Feature = ""
	e.drop(FlagOutsideRange)
	e.drop(FlagOutOfOrder)
	if !e.Opens() || e.PressurePa == nil || len(m.opt.Features) == 0 {
		return
	}
	g := *e.PressurePa
	if e.Reference == "absolute" {
		g -= m.ambient
	}
	held, nearest, least := -1, -1, math.Inf(1)
	last := -1
	for i := range m.opt.Features {
		f := &m.opt.Features[i]
		if m.opened(f.Name, e.ID) {
			last = i
			if held < 0 && f.off(g) == 0 && m.onlyOne(i, g) {
				held = i
			}
			continue
		}
		d := f.off(g)
		if d == 0 && (held < 0 || m.opened(m.opt.Features[held].Name, e.ID)) {
			held = i
		}
		if d < least {
			nearest, least = i, d
		}
	}
	i := held
	if i < 0 {
		if i = nearest; i < 0 {
			return
		}
		e.flag(FlagOutsideRange)
	}
	e.Feature = m.opt.Features[i].Name
	if i < last {
		e.flag(FlagOutOfOrder)
	}
}

// onlyOne tells whether no other feature's range holds g.
func (m *Monitor) onlyOne(i int, g float64) bool {
	for k := range m.opt.Features {
		if k != i && m.opt.Features[k].off(g) == 0 {
			return false
		}
	}
	return true
}

// off is how far g is outside the feature's range, Pa; 0 inside.
func (f *Feature) off(g float64) float64 {
	switch {
	case f.LowPa != nil && g < *f.LowPa:
		return *f.LowPa - g
	case f.HighPa != nil && g > *f.HighPa:
		return g - *f.HighPa
	}
	return 0
}

// opened tells whether the feature is the label of an earlier event.
func (m *Monitor) opened(name string, before int) bool {
	for _, r := range m.book.recs {
		if r.ev.ID < before && r.ev.Opens() && r.ev.Feature == name {
			return true
		}
	}
	return false
}

// drop takes a flag away.
func (e *Event) drop(f Flag) {
	for i, g := range e.Flags {
		if g == f {
			e.Flags = append(e.Flags[:i], e.Flags[i+1:]...)
			return
		}
	}
}
