package main

import (
	"math"
	"math/rand/v2"
)

// A converter turns pressure into counts and back: range, resolution and the
// noise before it.
type converter struct {
	full  float64 // Pa over the zero of the range
	zero  float64 // Pa
	bits  int
	white float64 // Pa, standard deviation
	pink  float64 // Pa: eight octaves of slow noise
	hum   float64 // Pa, amplitude
	humHz float64
	pump  float64 // Pa, amplitude: pulses of a pump
	pumpT float64 // s between pulses
	burst float64 // bursts a second, each some ms of five-fold noise
	drift float64 // Pa a second, slow wander of the zero
}

// lsb is the size of a count, Pa.
func (c *converter) lsb() float64 { return c.full / float64(int(1)<<c.bits) }

// noise adds to the readings what the converter and its wiring add. Phases and
// times of bursts come from the random numbers.
func (c *converter) noise(rng *rand.Rand, times, x []float64) {
	var slow [8]float64
	phase, beat := rng.Float64()*2*math.Pi, rng.Float64()
	second := rng.Float64() * 0.4 // the hum's second harmonic
	until := -1.0
	last := 0.0
	for i, t := range times {
		s := c.white
		if dt := t - last; c.burst > 0 && rng.Float64() < c.burst*dt {
			until = t + 0.001 + 0.004*rng.Float64()
		}
		if t < until {
			s *= 5
		}
		last = t
		x[i] += s*rng.NormFloat64() + c.drift*t
		if c.pink > 0 {
			for k := range slow {
				a := 0.5 * math.Pow(0.4, float64(k))
				slow[k] += -a*slow[k] + math.Sqrt(a*(2-a))*rng.NormFloat64()
				x[i] += c.pink / math.Sqrt(8) * slow[k]
			}
		}
		if c.hum > 0 {
			w := 2*math.Pi*c.humHz*t + phase
			x[i] += c.hum * (math.Sin(w) + second*math.Sin(2*w+1)) / (1 + second)
		}
		if c.pump > 0 {
			f := math.Mod(t/c.pumpT+beat, 1)
			x[i] += c.pump * math.Exp(-f*6) * math.Sin(2*math.Pi*math.Min(2*f, 1))
		}
	}
}

// count rounds to whole counts and clips to the range.
func (c *converter) count(x []float64) {
	step := c.lsb()
	for i := range x {
		q := math.Round((x[i] - c.zero) / step)
		q = math.Min(math.Max(q, 0), float64(int(1)<<c.bits-1))
		x[i] = c.zero + q*step
	}
}

// A fault is something that a sensor, its wire or its line does.
type fault struct {
	what string
	from float64 // s
	to   float64 // s
	size float64 // Pa
	seed uint64
}

// spoil applies a fault to the readings; a missing one becomes NaN.
func (f *fault) spoil(c *converter, times, x []float64) {
	rng := rand.New(rand.NewPCG(f.seed, 77))
	first, last := index(times, f.from), index(times, f.to)
	if first >= len(x) {
		return
	}
	held := x[first]
	for i := first; i < min(max(last, first+1), len(x)); i++ {
		switch f.what {
		case "spike":
			x[i] += f.size * (0.7 + 0.6*rng.Float64())
		case "high":
			x[i] = c.zero + c.full
		case "low":
			x[i] = c.zero
		case "frozen":
			x[i] = held
		case "missing":
			x[i] = math.NaN()
		}
	}
	if f.what == "thermal" { // hot gas on the diaphragm: a false low reading that recovers
		for i := first; i < len(x); i++ {
			t := times[i] - f.from
			x[i] -= f.size * (math.Exp(-t/(f.to-f.from)) - math.Exp(-t/(0.1*(f.to-f.from))))
		}
	}
}
