package main

import (
	"math"
	"math/rand/v2"
)

// A cell heats in a closed vessel of inert gas, vents, and perhaps runs away.
// The kinetics are one reaction of Arrhenius form whose rate is held below what
// conduction allows; the numbers are of the order that the trade reports
// (common practice, no source).
type cell struct {
	heater     float64 // K/s while on
	off        float64 // s: the heater is switched off
	total      float64 // K: what the reaction can add; 0: no reaction
	oneAt      float64 // K: where it adds 1 K/s
	activation float64 // K: E/R
	fastest    float64 // K/s
	cools      float64 // s: time constant of skin to vessel
	ventAt     float64 // K: first venting; 0: never
	ventGas    float64 // mol
	ventTime   float64 // s
	dip        float64 // K
	dipTime    float64 // s
	gas        float64 // mol of the runaway
	gasTime    float64 // s: least duration of its release
	jet        float64 // K: temperature of the gas that comes
	gasCools   float64 // s
	drop       float64 // V that is left when the voltage has gone; < 0: it stays
	dropAt     float64 // K
	couple     float64 // s: lag of the thermocouples
	tcNoise    float64 // K
	faults     []fault // of the skin couple, in kelvin
	glitches   []span  // of the cell voltage
	capacity   float64 // Ah
	reversed   bool
	purge      float64 // s: the operator adds gas; 0: never
	purged     float64 // mol
}

// A course is what happened to a cell: the traces without noise, and the truth.
type course struct {
	p, skin, gas, volts []float64 // p as the transducer sees it
	vent, runaway       float64   // s; NaN: never
	rapid               float64   // s: the rate reached 1 K/s
	settled             float64   // mol of gas at the end
	peak, peakC         float64
	dip                 float64 // K, as the couple sees it
}

const tWarm = 273.15

// A cellState is what the integration of a cell carries along.
type cellState struct {
	skin, gas float64 // K
	amount    float64 // mol in the vessel
	left      float64 // share of the reaction
	owed      float64 // mol that the reaction has made and that has not come out
	volts     float64
	purged    float64 // mol
	cold      bool    // the heater is off for good
	dead      bool    // the voltage goes
	since     float64 // s: 1 K/s or more since; NaN: slower
}

// runs integrates the cell in its vessel.
func (b *bench) runs() *course {
	c, v := b.thermal, &b.vessel
	n := len(b.times)
	o := &course{p: make([]float64, n), skin: make([]float64, n), gas: make([]float64, n), volts: make([]float64, n),
		vent: math.NaN(), runaway: math.NaN(), rapid: math.NaN()}
	s := &cellState{skin: v.temperature + 60, gas: v.temperature, left: 1, volts: 4.1, since: math.NaN(),
		amount: v.start * v.volume / (rGas * v.temperature)}
	begin := s.amount
	skinSeen, gasSeen, undipped := s.skin, s.gas, s.skin
	seen := v.start
	t := 0.0
	for i, end := range b.times {
		steps := max(1, int(math.Ceil((end-t)/0.002)))
		h := (end - t) / float64(steps)
		for range steps {
			t += h
			before := s.pressure(v)
			warms := s.heat(c, v, o, t, h)
			s.breathe(c, v, o, t, h)
			s.judge(o, t, warms)
			seen = follow(seen, before, s.pressure(v), h, b.transducer.lag)
		}
		lag := -math.Expm1(-1 / b.rate / c.couple)
		skinSeen += (s.skin + c.chill(t, o.vent) - skinSeen) * lag
		undipped += (s.skin - undipped) * lag
		o.dip = math.Max(o.dip, undipped-skinSeen)
		gasSeen += (s.gas - gasSeen) * lag
		o.p[i], o.skin[i], o.gas[i], o.volts[i] = seen, skinSeen, gasSeen, s.volts
		o.peak, o.peakC = math.Max(o.peak, s.pressure(v)), math.Max(o.peakC, s.skin-tWarm)
	}
	o.settled = s.amount - begin - s.purged
	return o
}

func (s *cellState) pressure(v *vessel) float64 { return s.amount * rGas * s.gas / v.volume }

// heat warms the cell for h seconds and returns its rate, K/s.
func (s *cellState) heat(c *cell, v *vessel, o *course, t, h float64) float64 {
	warms := -(s.skin - v.temperature) / c.cools
	if t < c.off && !s.cold {
		warms = c.heater
	}
	if c.total > 0 {
		own := math.Min(math.Exp(c.activation*(1/c.oneAt-1/s.skin))*s.left, c.fastest)
		s.cold = s.cold || own > 5 // somebody switches the heater off
		s.left = math.Max(0, s.left-own*h/c.total)
		s.owed += c.gas * own * h / c.total
		warms += own
	}
	s.skin += warms * h
	if math.IsNaN(o.vent) && c.ventAt > 0 && s.skin > c.ventAt {
		o.vent = t
	}
	if s.dead = s.dead || c.drop >= 0 && s.skin > c.dropAt; s.dead {
		s.volts += (c.drop - s.volts) * -math.Expm1(-h/0.05)
	}
	return warms
}

// breathe lets gas into the vessel and cools it.
func (s *cellState) breathe(c *cell, v *vessel, o *course, t, h float64) {
	come := 0.0
	if c.total > 0 {
		come = math.Min(s.owed, c.gas/c.gasTime*h)
		s.owed -= come
	}
	if !math.IsNaN(o.vent) {
		u := t - o.vent
		come += c.ventGas * math.Max(math.Exp(-math.Max(u-h, 0)/c.ventTime)-math.Exp(-u/c.ventTime), 0)
	}
	in := 0.0
	if c.purge > 0 && t > c.purge && s.purged < c.purged {
		in = c.purged / 3 * h
		s.purged += in
	}
	s.gas += ((c.jet-s.gas)*come + (v.temperature-s.gas)*in) / (s.amount + come + in)
	s.gas -= (s.gas - v.temperature) / c.gasCools * h
	s.amount += come + in
}

// judge applies the criteria: 1 K/s for more than 3 s, and a quarter of the
// voltage gone.
func (s *cellState) judge(o *course, t, warms float64) {
	switch {
	case warms < 1:
		s.since = math.NaN()
		return
	case math.IsNaN(s.since):
		s.since = t
	}
	if t-s.since > 3 && s.volts < 0.75*4.1 && math.IsNaN(o.runaway) {
		o.runaway, o.rapid = t, s.since
	}
}

// chill is the dip of the skin after the first venting, K.
func (c *cell) chill(t, vent float64) float64 {
	if math.IsNaN(vent) || t < vent {
		return 0
	}
	u := t - vent
	return -c.dip * (1 - math.Exp(-u/0.4)) * math.Exp(-u/c.dipTime)
}

// runaway is a bench with a cell that fails as cells do.
func runaway(rng *rand.Rand, rate float64) *bench {
	b := &bench{rate: rate, alarmHours: 1000, length: between(rng, 300, 420), plain: true}
	v := &b.vessel
	v.gas = gases[rng.IntN(3)]
	v.volume = logUniform(rng, 1, 12) * 1e-3
	v.temperature = 273.15 + between(rng, 18, 28)
	v.back = between(rng, 0.96, 1.03) * bar
	v.start = v.back + []float64{0.02, 0.5, 2}[rng.IntN(3)]*bar
	c := &cell{heater: between(rng, 0.25, 0.8), total: between(rng, 250, 550), oneAt: 273.15 + between(rng, 160, 200),
		activation: between(rng, 13000, 17000), fastest: logUniform(rng, 20, 150), cools: between(rng, 40, 120),
		ventAt: 273.15 + between(rng, 115, 145), ventTime: logUniform(rng, 0.02, 0.3), dip: between(rng, 1.5, 8), dipTime: between(rng, 3, 12),
		gasTime: logUniform(rng, 0.3, 3), jet: between(rng, 450, 900), gasCools: between(rng, 4, 14), drop: between(rng, 0, 0.6),
		couple: logUniform(rng, 0.1, 1), tcNoise: logUniform(rng, 0.03, 0.3), capacity: between(rng, 2.5, 5)}
	c.gas = c.capacity * between(rng, 1, 2.4) / 24.5
	c.ventGas = c.gas * between(rng, 0.05, 0.25)
	c.off = 1e9
	c.dropAt = c.ventAt + between(rng, -10, 30)
	b.thermal = c
	d := &b.converter
	d.full = 60 * bar
	d.zero, d.bits = v.back-d.full*0.1, []int{16, 24}[rng.IntN(2)]
	d.white = math.Max(logUniform(rng, 0.3, 5)*100, 0.35*d.lsb())
	b.transducer.lag = logUniform(rng, 0.2, 5) * ms
	b.settle()
	return b
}

// benign has no reaction and no venting.
func benign(b *bench) {
	b.nuisance, b.plain = true, false
	b.thermal.total, b.thermal.ventAt, b.thermal.drop = 0, 0, -1
	b.thermal.off = b.length * 0.45
}

// failures are the runaway rig's cases in which a cell fails.
var failures = []story{
	{"runaway", func(*bench, *rand.Rand) {}},
	{"runaway-plugged", func(b *bench, rng *rand.Rand) { // no first venting: all the gas comes at once
		b.thermal.ventAt = 0
	}},
	{"runaway-couple-dropouts", func(b *bench, rng *rand.Rand) {
		for range 3 {
			t := between(rng, 5, b.length-5)
			b.thermal.faults = append(b.thermal.faults, fault{what: "missing", from: t, to: t + between(rng, 0.2, 3)})
		}
	}},
	{"venting-only", func(b *bench, rng *rand.Rand) {
		b.thermal.total, b.thermal.drop = 0, -1
		b.thermal.off = (b.thermal.ventAt-b.vessel.temperature-60)/b.thermal.heater + between(rng, 5, 30)
	}},
}

// harmless are the runaway rig's nuisances.
var harmless = []story{
	{"fast-heater", func(b *bench, rng *rand.Rand) {
		benign(b)
		b.thermal.heater = between(rng, 1.2, 3)
		b.thermal.off = between(rng, 20, 80)
	}},
	{"fast-heater-glitch", func(b *bench, rng *rand.Rand) {
		benign(b)
		b.thermal.heater = between(rng, 1.2, 3)
		b.thermal.off = between(rng, 30, 80)
		t := between(rng, 5, b.thermal.off)
		b.thermal.glitches = []span{{t, t + logUniform(rng, 0.02, 0.5)}}
	}},
	{"couple-open", func(b *bench, rng *rand.Rand) {
		benign(b)
		t := between(rng, 5, b.length-30)
		b.thermal.faults = []fault{{what: "high", from: t, to: t + logUniform(rng, 0.5, 60)}}
	}},
	{"couple-reversed", func(b *bench, rng *rand.Rand) { benign(b); b.thermal.reversed = true }},
	{"heat-and-cool", func(b *bench, rng *rand.Rand) { benign(b) }},
	{"purge", func(b *bench, rng *rand.Rand) {
		benign(b)
		b.thermal.purge = between(rng, 20, 200)
		b.thermal.purged = between(rng, 0.02, 0.3)
		b.inputs = append(b.inputs, input{"supply_valve", 0, []float64{b.thermal.purge, b.thermal.purge + 3}})
	}},
	{"voltage-lost", func(b *bench, rng *rand.Rand) { // a cut sense wire, no heat
		benign(b)
		b.thermal.drop, b.thermal.dropAt = 0, b.vessel.temperature+60+between(rng, 2, 20)
		b.thermal.heater = between(rng, 0.1, 0.6)
	}},
	{"pressure-spikes", func(b *bench, rng *rand.Rand) { benign(b); b.rain(rng, 0.2) }},
}
