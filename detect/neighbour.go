package detect

import (
	"math"
	"slices"

	"ventward/daq"
)

const (
	lateNs    = int64(3e9) // after an opening that a sensor at its end may show it
	lateFlat  = 0.1        // of the fall meanwhile that it may have fallen itself,
	lateLevel = 0.15       // and by which it may read something else where it begins to
)

// late finds the opening that another sensor of the volume has seen and that
// channel c, which rested while the pressure fell, shows from t on only: it was
// at its end.
func (m *Monitor) late(c *channel, k *watch, t int64) *record {
	for i := len(m.book.recs) - 1; i >= 0; i-- {
		r := m.book.recs[i]
		if t-r.ev.Onset > lateNs {
			return nil
		}
		o := &m.channels[r.seat]
		if !r.ev.Opens() || r.ev.Onset >= t || o.p == nil || o.cfg.Role != c.cfg.Role || slices.Contains(r.ev.Channels, c.id) {
			continue
		}
		there, n := o.p.meanNear(t, max(o.period, c.period))
		if n == 0 || r.ev.PressurePa == nil {
			continue
		}
		fell := *r.ev.PressurePa - there
		here := k.v0 + k.slope*float64(t-k.t0)*1e-9
		own := -k.slope * float64(t-r.ev.Onset) * 1e-9
		if fell > 16*c.p.sigma() && own < lateFlat*fell &&
			math.Abs(k.gauge(here)-k.gaugeOf(there, o.cfg.Reference)) < lateLevel*fell {
			return r
		}
	}
	return nil
}

// contradicted tells whether a healthy redundant sensor, which followed the
// ramp like this one, does not see the fall.
func (m *Monitor) contradicted(k *watch, s *course) bool {
	if s.depth < 8*s.sd || s.depth > shockMost*k.gauge(s.onset) {
		return false
	}
	for i := range m.channels {
		c := &m.channels[i]
		if c.p == nil || c == k.c || c.period == 0 || c.cfg.Role != k.c.cfg.Role {
			continue
		}
		if misses(c, k, s) {
			return true
		}
	}
	return false
}

// misses tells that sensor c can tell, and does not show the fall that the watch
// follows.
func misses(c *channel, k *watch, s *course) bool {
	p := c.p
	if len(p.cap.t) == 0 || !p.noise.ready() || c.seenT < s.deepT {
		return false
	}
	half := max(int64(k.ns)/2, 4*c.period)
	on := p.cap.find(s.t)
	from := p.cap.find(s.t - int64(s.span)*k.c.period)
	guard := int((max(k.ns/4, 2*c.period) + int64(c.cfg.LagS*1e9)) / c.period)
	lo, hi := p.cap.find(s.deepT-half), p.cap.find(s.deepT+half)
	v, slope, ok := p.cap.line(from, on-guard, s.t)
	mean, n := p.cap.mean(lo, hi)
	if !ok || n < 3 || on-guard-from < 16 || lo <= on {
		return false
	}
	if 2*n < hi-lo || p.cap.q[lo&p.cap.mask]&daq.Saturated != 0 {
		return false
	}
	t := float64(s.deepT-s.t) * 1e-9
	span := float64(on-guard-from) * float64(c.period) * 1e-9
	sd := p.sigma() * p.excess()
	slopeErr := sd * slopeSD(on-guard-from) / (float64(c.period) * 1e-9)
	if math.Abs(slope-s.before)*span > 0.2*math.Abs(s.before)*span+6*slopeErr*span+6*p.sigma() {
		return false // it does not follow the pressure anyway
	}
	dev := v + math.Max(s.before, 0)*math.Min(t, s.goOn) - mean
	err := 3 * (sd/math.Sqrt(float64(n)) + sd*2/math.Sqrt(float64(on-guard-from)))
	return err <= 0.3*s.depth && dev < 0.3*s.depth+err
}
