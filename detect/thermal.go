package detect

import "ventward/daq"

// A thermal follows a runaway rig's temperatures and cell voltage.
type thermal struct{}

func (t *thermal) init(m *Monitor) {}

// reading takes a measurement of a skin or gas thermocouple or the cell's
// voltage.
func (t *thermal) reading(m *Monitor, c *channel, x *daq.Sample) {}

// vented takes a rise of the vessel's pressure.
func (t *thermal) vented(m *Monitor, c *channel, onset int64, pa, step float64) {
	r := m.book.open(FirstVenting, c, onset, c.lastT)
	r.ev.StepPa = ptr(step)
	m.book.issue(r)
}
