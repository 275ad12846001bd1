package detect

import "ventward/daq"

// stepDigital takes a sample of a 0/1 input.
func (m *Monitor) stepDigital(c *channel, x *daq.Sample) {
	if x.Q&daq.Bad != 0 {
		return
	}
	d := c.d
	on := x.V >= 0.5
	if d.known && on == d.on {
		d.prev = x.T
		return
	}
	from := d.prev
	was := d.known
	if !was {
		from = x.T
	}
	d.known, d.on, d.prev = true, on, x.T
	if v := m.valveOf(c.cfg.Role); v != nil {
		v.isInput = true
		m.turn(v, on, from, x.T)
		return
	}
	if c.cfg.Role == daq.RoleCID && was && !on {
		r := m.book.open(ContinuityLoss, c, x.T, x.T)
		r.ev.Named = x.T
		m.book.issue(r)
	}
}
