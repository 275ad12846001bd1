package guard

import (
	"slices"

	"ventward/daq"
)

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

// Phases lists the states of a test in the order of its course.
func Phases() []Phase {
	return []Phase{AtRest, Preparing, Armed, UnderTest, HoldingPressure, MakingSafe, PressureWatch}
}

// test is what is known of the specimen since it was put under pressure.
type test struct {
	Running  bool      `json:"running,omitempty"` // from pressurising to the end
	Openings []mark    `json:"openings,omitempty"`
	Full     bool      `json:"full,omitempty"` // more openings than are remembered
	High     []float64 `json:"high,omitempty"` // by channel: highest mean of a stretch, its own reference
	Rose     int64     `json:"rose,omitempty"` // bench time at which the pressure last rose, ns
	From     []float64 `json:"from,omitempty"` // by channel: the mean from which a rise counts
}

// opened notes that an event means an opening, or no longer does.
func (t *test) opened(id mark, opens bool) {
	i := slices.Index(t.Openings, id)
	switch {
	case opens && i < 0 && len(t.Openings) >= standingMax:
		t.Full = true
	case opens && i < 0:
		t.Openings = append(t.Openings, id)
	case !opens && i >= 0:
		t.Openings = slices.Delete(t.Openings, i, i+1)
	}
}

// enter moves the course of the test to a phase. Alarms of other phases fall
// silent by design; conditions that stand and trip in this one do so at once.
func (g *Guard) enter(p Phase, now int64) {
	if g.s.Phase == p {
		return
	}
	g.s.Phase, g.s.PhaseAt = p, now
	g.ready.Phase = true
	for i := range g.o.Rules {
		if len(g.o.Rules[i].Phases) > 0 {
			g.silence(i, now)
		}
		if g.s.Holds[i] {
			g.trip(i, now)
		}
	}
}

// advance moves the course by what the outputs and the pressure say.
func (g *Guard) advance(now int64) {
	switch {
	case g.s.Phase == MakingSafe && g.confirmedOff():
		g.enter(PressureWatch, now)
	case g.s.Phase == UnderTest && g.o.HoldAfterS > 0 && now-g.s.Test.Rose >= seconds(g.o.HoldAfterS):
		g.hold(now)
	}
}

// hold shuts the supply and leaves the specimen under pressure.
func (g *Guard) hold(now int64) {
	for i := range g.o.Outputs {
		if g.o.Outputs[i].Role == daq.RoleSupplyValve {
			g.s.Outputs[i].Permit = false
		}
	}
	g.demand(now)
	g.enter(HoldingPressure, now)
}

// confirmedOff tells that every output which is demanded off was read back off
// after that demand: what was read before it proves nothing.
// An output that a trip does not list stays as the course left it: what making
// safe switches is the bench's own list.
func (g *Guard) confirmedOff() bool {
	for i := range g.o.Outputs {
		o := &g.s.Outputs[i]
		if !g.o.Outputs[i].Heartbeat && !o.Want && (o.State != daq.OutputOff || o.Read < o.Serial) {
			return false
		}
	}
	return true
}

// follow keeps what the course needs of a specimen pressure: how high it was
// held, when it last rose, and since when it is near ambient.
func (g *Guard) follow(ch daq.ChannelID, s []daq.Sample, b *survey) {
	amb := g.ambient(ch)
	low := &g.s.Low[ch]
	switch {
	case b.flags&noMeasurement != 0 || b.max >= amb+g.safePa || b.min <= amb-g.safePa:
		*low = 0
	case *low == 0:
		*low = s[0].T
	}
	t := &g.s.Test
	if !t.Running {
		return
	}
	var n, sum float64
	for i := range s {
		if s[i].Q&daq.Bad == 0 && s[i].V-s[i].V == 0 {
			n++
			sum += s[i].V
		}
	}
	if n == 0 {
		return
	}
	mean := finite(sum / n)
	if !t.Known(ch) || mean > t.High[ch] {
		t.High[ch] = mean
	}
	if mean >= t.From[ch]+g.o.HoldRisePa {
		t.From[ch], t.Rose = mean, s[len(s)-1].T
	}
}

// Known tells whether the channel was read since the specimen was put under
// pressure.
func (t *test) Known(ch daq.ChannelID) bool { return t.High[ch] > unread }

// unread stands for the highest mean of a channel that was not read, Pa.
const unread = -1e300

// begin forgets the test before.
func (t *test) begin(now int64) {
	t.Running, t.Openings, t.Full, t.Rose = true, t.Openings[:0], false, now
	for i := range t.High {
		t.High[i], t.From[i] = unread, unread
	}
}

// ambient is what a specimen channel shows at ambient pressure, Pa in the
// channel's reference: the barometer where the bench has one.
func (g *Guard) ambient(ch daq.ChannelID) float64 {
	if g.o.Channels[ch].Reference != daq.Absolute {
		return 0
	}
	if g.barometer >= 0 {
		if v := g.s.Newest[g.barometer]; v.T != 0 {
			return v.V
		}
	}
	return orElse(g.o.AmbientPa, standardAtmospherePa)
}

// standardAtmospherePa is the standard atmosphere, exact by definition (10th
// CGPM, 1954).
const standardAtmospherePa = 101325

// Held describes a specimen that did not open.
type Held struct {
	AtLeastPa float64       `json:"at_least_Pa"` // the lower of the redundant transducers' highest means, Pa
	Reference daq.Reference `json:"reference"`
	// Pressurised tells that a transducer does not show near ambient, or shows
	// nothing: trapped gas is the worst case of the trade.
	Pressurised bool `json:"pressurised"`
}

// Held tells whether a test goes on or has gone by without an opening seen:
// then the specimen counts as held to at least AtLeastPa and, while Pressurised
// says so, as still under pressure. No drop seen does not mean not opened.
func (g *Guard) Held() (Held, bool) {
	t := &g.s.Test
	if !t.Running || len(t.Openings) > 0 || t.Full {
		return Held{}, false
	}
	var h Held
	have := false
	for _, ch := range g.specimens {
		if t.Known(ch) && (!have || t.High[ch] < h.AtLeastPa) {
			h.AtLeastPa, h.Reference, have = t.High[ch], g.o.Channels[ch].Reference, true
		}
		if low := g.s.Low[ch]; low == 0 || g.s.Now-g.s.Seen[ch] > g.freshNS {
			h.Pressurised = true
		}
	}
	return h, have
}
