package main

import (
	"math"
	"math/rand/v2"
)

// A story is a named case: it takes an ordinary burst trace and makes of it
// what the case is about.
type story struct {
	name string
	tell func(b *bench, rng *rand.Rand)
}

// nothing makes a trace on which nothing opens.
func nothing(b *bench) {
	b.nuisance, b.plain = true, false
	b.vessel.holes = nil
}

// openings are the cases in which something opens.
var openings = []story{
	{"vent", func(*bench, *rand.Rand) {}},
	{"vent-resolved", func(b *bench, rng *rand.Rand) {
		v := &b.vessel
		v.volume = logUniform(rng, 60, 500) * ml
		tau := math.Max(0.02, 120/b.rate) * logUniform(rng, 1, 10)
		b.first().area = b.areaFor(b.opensPressure(b.first().t0)/tau, b.opensPressure(b.first().t0))
		b.transducer.lag = math.Min(b.transducer.lag, 0.5*ms)
		b.first().width = math.Min(b.first().width, 2*ms)
	}},
	{"rupture", func(b *bench, rng *rand.Rand) {
		b.vessel.volume = logUniform(rng, 10, 200) * ml
		b.first().kind, b.first().area = "rupture", logUniform(rng, 200, 2000)*mm2
		b.first().width = math.Min(b.first().width, 0.5*ms)
	}},
	{"top-then-bottom", func(b *bench, rng *rand.Rand) { second(b, rng, between(rng, 0.1, 0.7)) }},
	{"balanced-then-bottom", func(b *bench, rng *rand.Rand) { second(b, rng, between(rng, 0.93, 1.0)) }},
	{"after-step", func(b *bench, rng *rand.Rand) {
		s := &b.vessel.supply
		t := b.first().t0 - 0.025
		size := between(rng, 0.5, 2) * bar
		rises := between(rng, 0.006, 0.012) // s, as fast as the supply's flow lets it
		s.flow, s.time = false, 0.002
		s.most = size / rises / math.Max(s.ramp, 0.2*bar)
		s.settings = []setting{{t: t, ramp: s.ramp, step: size}}
		b.first().area = b.areaFor(between(rng, 2, 6)*size/rises, b.opensPressure(b.first().t0)+size)
		b.first().width = math.Min(b.first().width, 3*ms)
	}},
	{"reseal", func(b *bench, rng *rand.Rand) {
		moderate(b, rng)
		b.first().shuts = between(rng, 0.97, 0.99)
		b.first().width = math.Min(b.first().width, 0.5*ms)
		b.plain = false
	}},
	{"spike-then-vent", func(b *bench, rng *rand.Rand) {
		moderate(b, rng)
		b.spike(rng, b.first().t0-between(rng, 2, 14)/b.rate)
	}},
	{"liquid", func(b *bench, rng *rand.Rand) {
		liquid(b, rng)
	}},
	{"lag-longer", func(b *bench, rng *rand.Rand) {
		p := b.opensPressure(b.first().t0)
		b.transducer.lag = logUniform(rng, 1, 5) * ms
		b.first().area = b.areaFor(p/(b.transducer.lag*between(rng, 0.2, 0.9)), p)
	}},
	{"close-pair", func(b *bench, rng *rand.Rand) {
		moderate(b, rng)
		next := opening(rng, b.first().t0+5*ms, b.first().area*logUniform(rng, 2, 6))
		next.width = math.Min(next.width, 0.5*ms)
		b.first().width = math.Min(b.first().width, 0.5*ms)
		b.vessel.holes = append(b.vessel.holes, next)
	}},
	{"after-dump", func(b *bench, rng *rand.Rand) {
		moderate(b, rng)
		t := b.first().t0 - 0.020
		dump(b, rng, t)
	}},
	{"frames-lost-on-onset", func(b *bench, rng *rand.Rand) {
		b.missing = append(b.missing, span{b.first().t0 - between(rng, 0, 5)/b.rate, b.first().t0 + between(rng, 1, 20)/b.rate})
		b.plain = false
	}},
	{"bulge-then-rupture", func(b *bench, rng *rand.Rand) { bulges(b, rng) }},
	{"cid-then-vent", func(b *bench, rng *rand.Rand) {
		at := b.first().t0 - between(rng, 0.1, 0.8)
		b.inputs = append(b.inputs, input{"cid", 1, []float64{at}})
		b.also = append(b.also, note{"continuity-loss", at, true})
	}},
	{"spikes-40-a-second", func(b *bench, rng *rand.Rand) {
		b.rain(rng, 40)
		moderate(b, rng)
		b.plain = false
	}},
	{"hum", func(b *bench, rng *rand.Rand) {
		b.hum(rng)
		moderate(b, rng)
		b.plain = false
	}},
	{"pump", func(b *bench, rng *rand.Rand) {
		b.pump(rng)
		moderate(b, rng)
		b.plain = false
	}},
	{"pink-noise", func(b *bench, rng *rand.Rand) {
		b.converter.pink = b.converter.white * between(rng, 0.3, 1)
		b.settle()
		b.plain = false
	}},
	{"gap-then-vent", func(b *bench, rng *rand.Rand) {
		t := b.first().t0 - between(rng, 0.2, 0.8)
		b.missing = append(b.missing, span{t - between(rng, 0.05, 0.6), t})
		b.marks = append(b.marks, t)
	}},
	{"two-sensors", func(b *bench, rng *rand.Rand) { b.second = true }},
	{"two-sensors-one-frozen", func(b *bench, rng *rand.Rand) {
		b.second, b.plain = true, false
		b.faults2 = append(b.faults2, fault{what: "frozen", from: b.first().t0 - between(rng, 0.2, 0.6), to: b.length})
	}},
	{"quiet-quantised", func(b *bench, rng *rand.Rand) {
		b.converter.bits = 12
		b.converter.white = between(rng, 0.1, 0.3) * b.converter.lsb()
		b.settle()
		b.plain = false
	}},
	{"saturated", func(b *bench, rng *rand.Rand) {
		moderate(b, rng)
		p := b.opensPressure(b.first().t0)
		b.converter.full = p - b.converter.zero - between(rng, 0.2, 2)*bar
		b.plain = false
		b.marks = append(b.marks, b.first().t0-1e-6)
	}},
}

// nuisances are the cases in which nothing opens.
var nuisances = []story{
	{"ramp", func(b *bench, rng *rand.Rand) { nothing(b) }},
	{"regulator-steps", func(b *bench, rng *rand.Rand) {
		nothing(b)
		s := &b.vessel.supply
		s.flow, s.time, s.most = false, logUniform(rng, 0.003, 0.2), logUniform(rng, 10, 400)
		for range 1 + rng.IntN(3) {
			s.settings = append(s.settings, setting{t: between(rng, 0.3, b.length), ramp: s.ramp, step: between(rng, 0.2, 4) * bar})
		}
		inOrder(s.settings)
	}},
	{"dump", func(b *bench, rng *rand.Rand) {
		t := b.first().t0
		nothing(b)
		dump(b, rng, t)
		b.also = append(b.also, note{"dump", t, true})
	}},
	{"spikes", func(b *bench, rng *rand.Rand) {
		nothing(b)
		b.rain(rng, between(rng, 0.5, 6))
	}},
	{"spikes-40-a-second-quiet", func(b *bench, rng *rand.Rand) { nothing(b); b.rain(rng, 40) }},
	{"dropout", func(b *bench, rng *rand.Rand) { nothing(b); b.broken(rng, "missing", 0.005, 0.5) }},
	{"open-wire", func(b *bench, rng *rand.Rand) { nothing(b); b.broken(rng, "low", 0.01, 1.5) }},
	{"rail", func(b *bench, rng *rand.Rand) { nothing(b); b.broken(rng, "high", 0.01, 1.5) }},
	{"frozen", func(b *bench, rng *rand.Rand) {
		nothing(b)
		b.vessel.supply.ramp = math.Max(b.vessel.supply.ramp, 0.5*bar)
		b.vessel.start = math.Max(2*bar, b.vessel.start-b.vessel.supply.ramp*b.length)
		b.broken(rng, "frozen", 0.1, 1.5)
	}},
	{"gaps", func(b *bench, rng *rand.Rand) {
		nothing(b)
		for range 1 + rng.IntN(4) {
			t := between(rng, 0.3, b.length-0.3)
			b.missing = append(b.missing, span{t, t + logUniform(rng, 0.002, 0.4)})
		}
	}},
	{"hum-quiet", func(b *bench, rng *rand.Rand) { nothing(b); b.hum(rng) }},
	{"pump-quiet", func(b *bench, rng *rand.Rand) { nothing(b); b.pump(rng) }},
	{"thermal-shock", func(b *bench, rng *rand.Rand) {
		nothing(b)
		t := between(rng, 0.6, b.length-0.6)
		b.faults = append(b.faults, fault{what: "thermal", from: t, to: t + logUniform(rng, 0.1, 1), size: between(rng, 0.2, 2) * bar})
	}},
	{"ramp-stop", func(b *bench, rng *rand.Rand) {
		nothing(b)
		s := &b.vessel.supply
		t := between(rng, 0.8, b.length-0.5)
		s.settings = []setting{{t: t}, {t: t, valve: true, shut: chance(rng, 0.5)}}
	}},
	{"fill-then-cooling", func(b *bench, rng *rand.Rand) {
		nothing(b)
		v := &b.vessel
		v.supply.flow = true
		v.supply.ramp = logUniform(rng, 4, 20) * bar
		v.start = between(rng, 1.1, 3) * bar
		t := between(rng, 0.6, 1.4)
		b.converter.full = 100 * bar
		v.supply.settings = []setting{{t: t}, {t: t, valve: true, shut: true}}
	}},
	{"cid-only", func(b *bench, rng *rand.Rand) {
		nothing(b)
		t := between(rng, 0.6, b.length-0.5)
		b.inputs = append(b.inputs, input{"cid", 1, []float64{t}})
		b.also = append(b.also, note{"continuity-loss", t, true})
	}},
	{"leak", func(b *bench, rng *rand.Rand) { leaks(b, rng) }},
	{"noise-bursts", func(b *bench, rng *rand.Rand) { nothing(b); b.converter.burst = between(rng, 0.5, 3) }},
	{"pink-quiet", func(b *bench, rng *rand.Rand) {
		nothing(b)
		b.converter.pink = b.converter.white * between(rng, 0.3, 1.5)
		b.converter.drift = between(rng, -1, 1) * b.converter.white
	}},
	{"quantised-quiet", func(b *bench, rng *rand.Rand) {
		nothing(b)
		b.converter.bits = 12
		b.converter.white = between(rng, 0.02, 0.3) * b.converter.lsb()
	}},
	{"at-rest", func(b *bench, rng *rand.Rand) {
		nothing(b)
		b.vessel.supply.ramp, b.vessel.start = 0, b.vessel.back
	}},
	{"one-of-two-breaks", func(b *bench, rng *rand.Rand) {
		nothing(b)
		b.second = true
		t := between(rng, 0.6, b.length-0.5)
		b.faults2 = append(b.faults2, fault{what: []string{"low", "high", "frozen", "missing"}[rng.IntN(4)], from: t, to: t + logUniform(rng, 0.02, 2)})
	}},
}

// moderate gives the opening a fall that is fast but not over at once.
func moderate(b *bench, rng *rand.Rand) {
	p := b.opensPressure(b.first().t0)
	b.first().area = b.areaFor(p/logUniform(rng, 0.03, 0.5), p)
	b.first().width = math.Min(b.first().width, 3*ms)
}

// second has the first opening take a share of the ramp, and a bigger one come
// later.
func second(b *bench, rng *rand.Rand, share float64) {
	v := &b.vessel
	v.supply.flow = true
	v.supply.ramp = math.Max(v.supply.ramp, 0.8*bar)
	v.start = math.Max(4*bar, b.opensPressure(0))
	t0 := b.first().t0
	b.first().area = b.areaFor(share*v.supply.ramp, b.opensPressure(t0))
	b.first().name = "top vent"
	next := opening(rng, t0+between(rng, 0.3, 0.7), logUniform(rng, 10, 150)*mm2)
	next.name = "bottom vent"
	v.holes = append(v.holes, next)
	b.length = math.Max(b.length, next.t0+0.7)
}

// liquid makes a stiff bench: little is stored, and the fall is over at once.
func liquid(b *bench, rng *rand.Rand) {
	v := &b.vessel
	v.liquid, v.modulus, v.density = true, between(rng, 0.5, 1.6)*1e9, []float64{870, 998}[rng.IntN(2)]
	v.volume = logUniform(rng, 10, 100) * ml
	v.supply.flow = true
	b.first().area = logUniform(rng, 0.5, 60) * mm2
	b.first().width = math.Min(b.first().width, 0.3*ms)
}

// dump opens the dump valve at t; its command comes a little before the gas.
func dump(b *bench, rng *rand.Rand, t float64) {
	p := b.opensPressure(t)
	area := b.areaFor(p/logUniform(rng, 0.2, 2), p)
	b.vessel.holes = append(b.vessel.holes, hole{t0: t + between(rng, 0, 0.008), width: 0.01, law: linear, area: area})
	b.inputs = append(b.inputs, input{"dump_valve", 0, []float64{t}})
	b.marks = append(b.marks, t)
}

// bulges lets the volume grow, slowly at first, before the base fails: growth
// that began at its full rate would look like a small vent, and only like that.
func bulges(b *bench, rng *rand.Rand) {
	v := &b.vessel
	v.supply.flow = true
	v.supply.ramp = math.Max(v.supply.ramp, 0.8*bar)
	v.start = math.Max(4*bar, b.opensPressure(0))
	h := b.first()
	h.kind, h.area = "rupture", logUniform(rng, 200, 1000)*mm2
	h.width = math.Min(h.width, 0.5*ms)
	lasts, share := between(rng, 0.1, 0.5), between(rng, 0.15, 0.45)
	p := b.opensPressure(h.t0)
	v.bulge = hole{t0: h.t0 - lasts, area: share * v.supply.ramp * v.volume / (v.gas.gamma * p)}
	v.bulgeEnd = h.t0
	n := lasts * b.rate
	fall := share * v.supply.ramp * lasts
	b.also = append(b.also, note{"bulge", h.t0 - lasts, fall*fall*n/180 > allowance*b.sigma*b.sigma})
}

// leaks shuts the supply and lets the specimen leak from then on.
func leaks(b *bench, rng *rand.Rand) {
	nothing(b)
	v := &b.vessel
	v.wall = math.Min(v.wall, 0.5)
	v.supply.ramp = math.Min(v.supply.ramp, 0.3*bar)
	v.start = math.Max(8*bar, v.start)
	t := between(rng, 0.3, 0.6)
	b.length = t + between(rng, 3, 5)
	v.supply.settings = []setting{{t: t}, {t: t, valve: true, shut: true}}
	rate := logUniform(rng, 0.02, 0.3) * bar
	v.leak = hole{t0: 0, area: b.areaFor(rate, b.opensPressure(t))}
	v.supply.ramp += rate // the leak is there all along
	lasts := b.length - t
	fall := rate * lasts
	b.also = append(b.also, note{"leak", t, fall*fall*lasts*b.rate/12 > 4*allowance*b.sigma*b.sigma})
}

// inOrder sorts settings by time.
func inOrder(s []setting) {
	for i := range s {
		for j := i; j > 0 && s[j].t < s[j-1].t; j-- {
			s[j], s[j-1] = s[j-1], s[j]
		}
	}
}

// spike adds an excursion of 1 to 3 samples that comes back.
func (b *bench) spike(rng *rand.Rand, t float64) {
	size := logUniform(rng, 8, 2000) * b.sigma
	if chance(rng, 0.5) {
		size = -size
	}
	n := float64(1 + rng.IntN(3))
	b.faults = append(b.faults, fault{what: "spike", from: t, to: t + (n-0.5)/b.rate, size: size, seed: rng.Uint64()})
	b.spikes++
}

// rain is spikes at a mean rate a second.
func (b *bench) rain(rng *rand.Rand, rate float64) {
	for t := rng.ExpFloat64() / rate; t < b.length; t += rng.ExpFloat64()/rate + 5/b.rate {
		b.spike(rng, t)
	}
}

// broken is one stretch of a fault.
func (b *bench) broken(rng *rand.Rand, what string, shortest, longest float64) {
	t := between(rng, 0.5, b.length-0.5)
	b.faults = append(b.faults, fault{what: what, from: t, to: t + logUniform(rng, shortest, longest)})
}

// hum is mains pick-up.
func (b *bench) hum(rng *rand.Rand) {
	b.converter.hum = logUniform(rng, 2, 15) * b.sigma
	b.converter.humHz = []float64{50, 60}[rng.IntN(2)] * between(rng, 0.998, 1.002)
}

// pump is the pulsation of a pump.
func (b *bench) pump(rng *rand.Rand) {
	b.converter.pump = logUniform(rng, 3, 30) * b.sigma
	b.converter.pumpT = between(rng, 0.05, 0.4)
}
