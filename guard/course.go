package guard

import "ventward/daq"

// Phase is the state of a test, in the trade's words. "Vented" or "safe" is
// never a state: a zero reading proves nothing.
type Phase string

const (
	AtRest          Phase = "at rest"
	Preparing       Phase = "preparing"
	Armed           Phase = "armed"
	UnderTest       Phase = "under test"
	HoldingPressure Phase = "holding pressure"
	MakingSafe      Phase = "making safe"
	PressureWatch   Phase = "pressure watch"
)

// enter moves the course of the test to a phase.
func (g *Guard) enter(p Phase, now int64) {
	if g.s.Phase == p {
		return
	}
	g.s.Phase, g.s.PhaseAt = p, now
	g.ready.Phase = true
}

// advance moves the course by what the outputs and the pressure say.
func (g *Guard) advance(now int64) {
	if g.s.Phase == MakingSafe && g.confirmedOff() {
		g.enter(PressureWatch, now)
	}
}

// confirmedOff tells that every output which is demanded off was read back off.
// An output that a trip does not list stays as the course left it: what making
// safe switches is the bench's own list.
func (g *Guard) confirmedOff() bool {
	for i := range g.o.Outputs {
		o := &g.s.Outputs[i]
		if !g.o.Outputs[i].Heartbeat && !o.Want && o.State != daq.OutputOff {
			return false
		}
	}
	return true
}
