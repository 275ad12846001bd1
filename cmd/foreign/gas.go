package main

import "math"

// rGas is the molar gas constant in J/(mol K): exact in the SI since 2019.
const rGas = 8.314462618

// A gas is its molar mass in kg/mol and its ratio of specific heats: textbook
// values at 25 °C, from memory.
type gas struct {
	name  string
	molar float64
	gamma float64
}

var gases = []gas{
	{"N2", 0.0280134, 1.400},
	{"air", 0.0289652, 1.400},
	{"Ar", 0.039948, 1.667},
	{"CO2", 0.0440095, 1.289},
}

// outflow is the flow in mol/s through an effective area in m2, from p in Pa
// and temperature in K against back in Pa: the isentropic nozzle, choked below
// the critical ratio (any textbook of compressible flow; from memory).
func (g gas) outflow(area, p, temperature, back float64) float64 {
	if area <= 0 || p <= back {
		return 0
	}
	k := g.gamma
	ratio := math.Max(back/p, math.Pow(2/(k+1), k/(k-1)))
	v := 2 * k / (k - 1) * (math.Pow(ratio, 2/k) - math.Pow(ratio, (k+1)/k))
	return area * p / math.Sqrt(rGas*temperature*g.molar) * math.Sqrt(math.Max(v, 0))
}

// Laws of how a hole grows from nothing to its full area.
const (
	instant = iota
	linear
	smoothstep
	laws
)

// A hole is an opening of the specimen or a valve of the bench.
type hole struct {
	t0     float64 // start of opening, s
	width  float64 // from start to full area, s; 0: instant
	law    int
	area   float64 // effective, m2
	shuts  float64 // closes at this share of its opening pressure; 0: never
	kind   string  // the event's name; "" for a valve
	name   string  // the feature, if it has one
	shutAt float64 // state of one run: closed since, s; 0: open
	at     float64 // state of one run: opening pressure, Pa
}

// effective is the effective onset, s.
func (h *hole) effective() float64 { return h.t0 + h.width/2 }

// open is the area in m2 at time t.
func (h *hole) open(t float64) float64 {
	if t < h.t0 {
		return 0
	}
	share := 1.0
	if h.width > 0 && h.law != instant {
		share = math.Min((t-h.t0)/h.width, 1)
		if h.law == smoothstep {
			share *= share * (3 - 2*share)
		}
	}
	if h.shutAt > 0 {
		share *= math.Max(0, 1-(t-h.shutAt)/0.002)
	}
	return h.area * share
}

// follow closes a hole that reseals.
func (h *hole) follow(t, p, back float64) {
	if t < h.t0 || h.shuts <= 0 {
		return
	}
	if h.at == 0 {
		h.at = p
	}
	if h.shutAt == 0 && p-back < h.shuts*(h.at-back) && t > h.t0+h.width {
		h.shutAt = t
	}
}
