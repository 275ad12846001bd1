package main

import (
	"math"
	"math/rand/v2"
)

// A bench is one trace to be: a vessel, what looks at it, and what goes wrong.
type bench struct {
	name       string
	seed       uint64
	rate       float64 // Hz
	length     float64 // s
	times      []float64
	missing    []span // no rows in these
	jitter     float64
	offset     float64 // s, of the first stamp
	vessel     vessel
	transducer transducer
	converter  converter
	sigma      float64 // Pa, white noise that the limits are computed with
	lagSD      float64 // s: how well the operator knows the lag
	alarmHours float64
	marks      []float64 // s: what ends a straight stretch
	faults     []fault   // of the first sensor
	second     bool      // a second sensor on the same volume
	faults2    []fault
	inputs     []input
	nuisance   bool // nothing opens
	plain      bool // counts for the figures' goals, else for detection only
	also       []note
	thermal    *cell
	spikes     int
}

// A span is a stretch of time, s.
type span struct{ from, to float64 }

// An input is a 0/1 column: it starts at its first level and changes at times.
type input struct {
	name  string
	first int
	at    []float64
}

// A note is an event that is expected besides openings.
type note struct {
	event    string
	at       float64 // s
	feasible bool
}

// logUniform draws evenly in the logarithm.
func logUniform(rng *rand.Rand, a, b float64) float64 {
	return a * math.Pow(b/a, rng.Float64())
}

// between draws evenly.
func between(rng *rand.Rand, a, b float64) float64 { return a + (b-a)*rng.Float64() }

func chance(rng *rand.Rand, p float64) bool { return rng.Float64() < p }

const (
	bar = 1e5
	ml  = 1e-6
	mm2 = 1e-6
	ms  = 1e-3
)

// opensAt is when the first opening of a burst trace is to be, and how long the
// trace goes on after it: fast traces are shorter, to keep them small.
func opensAt(rng *rand.Rand, rate float64) (t, after float64) {
	if rate >= 10000 {
		return between(rng, 1.2, 2.2), between(rng, 0.8, 1.5)
	}
	return between(rng, 2, 6), between(rng, 1.5, 3)
}

// burst is a gas bench on a steady ramp with one ordinary opening.
func burst(rng *rand.Rand, rate float64) *bench {
	b := &bench{rate: rate, alarmHours: 1000, plain: true}
	t0, after := opensAt(rng, rate)
	b.length = t0 + after
	v := &b.vessel
	v.gas = gases[rng.IntN(len(gases))]
	v.volume = logUniform(rng, 10, 500) * ml
	v.temperature = 273.15 + between(rng, 10, 40)
	v.wall = logUniform(rng, 0.3, 3)
	v.back = between(rng, 0.95, 1.04) * bar
	opens := between(rng, 8, 38) * bar
	v.supply = supply{flow: chance(rng, 0.5), ramp: logUniform(rng, 0.05, 5) * bar,
		most: logUniform(rng, 1.3, 15), time: logUniform(rng, 0.005, 0.2)}
	v.supply.ramp = math.Min(v.supply.ramp, (opens-2*bar)/t0)
	v.start = opens - v.supply.ramp*t0
	v.holes = []hole{opening(rng, t0, logUniform(rng, 0.5, 200)*mm2)}
	b.transducer.lag = logUniform(rng, 0.05, 3) * ms
	if chance(rng, 0.4) {
		b.transducer.ring, b.transducer.damp = between(rng, 300, 2000), between(rng, 0.08, 0.5)
	}
	b.convert(rng, opens)
	if chance(rng, 0.3) {
		b.jitter = between(rng, 0.01, 0.15)
	}
	if chance(rng, 0.3) {
		b.offset = math.Round(between(rng, 0, 2000))
	}
	return b
}

// opening is a vent with some law of its own.
func opening(rng *rand.Rand, t0, area float64) hole {
	h := hole{t0: t0, area: area, kind: "vent-opening", law: rng.IntN(laws)}
	if h.law != instant {
		h.width = logUniform(rng, 0.05, 5) * ms
	}
	return h
}

// convert chooses a converter whose range holds the pressure p.
func (b *bench) convert(rng *rand.Rand, p float64) {
	c := &b.converter
	c.full = []float64{60, 100, 160}[rng.IntN(3)] * bar
	if p > 0.85*60*bar {
		c.full = 160 * bar
	}
	c.bits = []int{12, 16, 24}[rng.IntN(3)]
	c.zero = b.vessel.back - []float64{0.02, 0.1, 0.25}[rng.IntN(3)]*c.full
	c.full *= 1.3
	c.white = math.Max(logUniform(rng, 2, 60)*100, 0.35*c.lsb())
	b.settle()
}

// settle computes the noise that the limits use.
func (b *bench) settle() {
	c := &b.converter
	b.sigma = math.Sqrt(c.white*c.white + c.pink*c.pink + c.lsb()*c.lsb()/12)
}

// first is the opening that a case is about.
func (b *bench) first() *hole { return &b.vessel.holes[0] }

// areaFor is the effective area in m2 through which the pressure would fall at
// a rate in Pa/s at pressure p.
func (b *bench) areaFor(rate, p float64) float64 {
	v := &b.vessel
	return rate * v.volume / (rGas * v.gas.gamma * v.temperature * v.gas.outflow(1, p, v.temperature, v.back))
}

// opensPressure is the pressure that the plain ramp reaches at t.
func (b *bench) opensPressure(t float64) float64 { return b.vessel.start + b.vessel.supply.ramp*t }

// clock makes the sample times, with jitter and without missing rows.
func (b *bench) clock(rng *rand.Rand) {
	n := int(b.length * b.rate)
	b.times = make([]float64, 0, n)
	for i := range n {
		t := (float64(i) + b.jitter*(rng.Float64()-0.5)) / b.rate
		t = math.Max(math.Round(t*1e7)/1e7, 0)
		gone := false
		for _, m := range b.missing {
			gone = gone || t >= m.from && t < m.to
		}
		if !gone {
			b.times = append(b.times, t)
		}
	}
}

// mark collects what ends straight stretches.
func (b *bench) mark() {
	for _, h := range b.vessel.holes {
		b.marks = append(b.marks, h.t0)
	}
	for _, s := range b.vessel.supply.settings {
		b.marks = append(b.marks, s.t)
	}
	if b.vessel.bulge.area > 0 {
		b.marks = append(b.marks, b.vessel.bulge.t0)
	}
}
