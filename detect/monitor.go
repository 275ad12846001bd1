package detect

import "ventward/daq"

// Ready is what the calls since the last Take produced. The caller acts on
// its fields in order.
type Ready struct {
	Events  []Event  // new events and new revisions, in the order they were decided
	Windows []Window // finished windows for the fit worker
}

// Monitor watches one bench.
type Monitor struct {
	ready Ready
}

// New returns a monitor, or an error that names the option, its value and the
// next move.
func New(o Options) (*Monitor, error) { return &Monitor{}, nil }

// Step takes consecutive samples of one channel, in the order they were taken.
// It keeps no reference to s. It marks samples that turn out to be no
// measurement (Spike, Frozen) in place where it can still tell.
func (m *Monitor) Step(ch daq.ChannelID, s []daq.Sample) {}

// Tick tells that bench time has reached now (ns) though no sample may have
// come, so that windows are closed and silence is noticed.
func (m *Monitor) Tick(now int64) {}

// Command tells of a valve's command or state as the bench's own outputs know
// it (role supply_valve or dump_valve), for benches whose valves have no input
// channel: open at bench time now.
func (m *Monitor) Valve(role daq.Role, open bool, now int64) {}

// Finding takes what the fit of a window found.
func (m *Monitor) Finding(f Finding) {}

// Close ends the record: windows still open are closed as they are.
func (m *Monitor) Close() {}

// Take returns what became ready since the last call; valid until the next
// call of any method.
func (m *Monitor) Take() *Ready { r := m.ready; m.ready = Ready{}; return &r }

// NoisePa is the monitor's present estimate of a pressure channel's noise
// (standard deviation of one sample, Pa); 0 before it is known or for other
// channels.
func (m *Monitor) NoisePa(ch daq.ChannelID) float64 { return 0 }
