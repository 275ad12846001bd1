package detect

import "ventward/daq"

const (
	silenceNs   = int64(1e9) // a channel silent for longer than this and
	silenceSpan = 20         // this many periods has a gap
)

// stepSensor takes samples of a channel that is neither a specimen pressure
// nor an input: temperature, voltage, supply pressure, barometer.
func (m *Monitor) stepSensor(c *channel, s []daq.Sample) {
	h := &c.health
	for i := range s {
		x := &s[i]
		if c.period == 0 {
			c.learnPeriod(x.T)
		}
		c.count++
		if x.Q&daq.Bad != 0 || x.V-x.V != 0 {
			c.seenT = x.T
			if h.outage(x) {
				m.faultAt(c, h.badKind, h.badFrom, x.T)
			} else if h.bad > outageMin {
				h.lastSeen = x.T
				m.book.prolong(h.episode, x.T)
			}
			continue
		}
		if h.code(x) {
			x.Q |= daq.Frozen
			if h.bad == 0 {
				h.bad, h.badKind = outageMin, FaultFrozen
				m.faultAt(c, FaultFrozen, h.runFrom, x.T)
			}
			h.lastSeen = x.T
			m.book.prolong(h.episode, x.T)
			c.seenT = x.T
			continue
		}
		if h.bad >= outageMin {
			m.book.prolong(h.episode, x.T)
			h.lastSeen = x.T
		}
		if c.lastT != 0 && c.period > 0 && x.T-c.lastT > max(silenceNs, silenceSpan*c.period) && h.bad == 0 {
			m.faultAt(c, FaultGap, c.lastT, x.T)
		}
		h.bad = 0
		c.lastT, c.seenT, c.last = x.T, x.T, x.V
		m.reading(c, x)
	}
}

// reading uses a measurement of a slow channel.
func (m *Monitor) reading(c *channel, x *daq.Sample) {
	switch c.cfg.Role {
	case daq.RoleBarometer:
		if c.cfg.Quantity == daq.Pressure && x.V > 0 {
			m.ambient = x.V
		}
	case daq.RoleSkin, daq.RoleGas, daq.RoleCell:
		m.thermal.reading(m, c, x)
	}
}

// listen notices the silence of a channel that has spoken before.
func (m *Monitor) listen(c *channel, now int64) {
	if c.count == 0 || c.period == 0 {
		return
	}
	quiet := now-c.seenT > max(silenceNs, silenceSpan*c.period)
	switch {
	case quiet && !c.silent:
		c.silent = true
		if c.d == nil {
			m.faultAt(c, FaultGap, c.seenT, now)
		}
	case quiet && c.d == nil:
		c.health.lastSeen = now
		m.book.prolong(c.health.episode, now)
	case !quiet:
		c.silent = false
	}
}
