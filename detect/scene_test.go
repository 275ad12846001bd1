package detect

import (
	"math"
	"math/rand/v2"

	"ventward/daq"
)

// The scenes of this package's tests: pressure traces made from first
// principles here, sharing nothing with any other simulator of the module.
// A vessel is fed by a supply and empties through openings by isentropic
// nozzle flow (choked below the critical ratio; the textbook formula, J. D.
// Anderson, Modern Compressible Flow), the sensor lags by a first-order
// element, and everything a bench adds is put on top.

const ambientPa = 101325.0

// opening is a hole that opens smoothly between t and t+width.
type opening struct {
	t, width float64 // s
	k        float64 // choked outflow relative to the content, 1/s
	shut     float64 // s; reseals at this time; 0: never
}

// scene describes a trace; times in s, pressures in Pa.
type scene struct {
	rate, length float64
	start        float64 // absolute pressure at t = 0
	ramp         func(t float64) float64
	step         func(t float64) float64 // added before the lag: what the supply imposes
	openings     []opening
	lag          float64
	sigma        float64
	colour       float64 // AR(1) coefficient of the noise
	lsb          float64
	hum, humHz   float64
	pump, pumpHz float64
	ring, ringHz float64 // amplitude as a share of the fall's slope step; decays in ringTau
	ringTau      float64
	post         func(i int, t, v float64, r *rand.Rand) (float64, bool) // damage; false: no sample
	gauge        bool
}

// nozzle is the outflow of a nozzle relative to choked flow at pressure p
// against back-pressure b, for a gas with gamma 1.4.
func nozzle(p, b float64) float64 {
	const g = 1.4
	x := b / p
	if x >= 1 {
		return 0
	}
	crit := math.Pow(2/(g+1), g/(g-1))
	if x <= crit {
		return 1
	}
	flow := func(x float64) float64 { return math.Sqrt(math.Pow(x, 2/g) - math.Pow(x, (g+1)/g)) }
	return flow(x) / flow(crit)
}

// clean integrates the vessel with the openings whose number is below upTo.
func (s *scene) clean(upTo int) []float64 {
	n := int(s.length * s.rate)
	const sub = 8
	dt := 1 / (s.rate * sub)
	out := make([]float64, n)
	p := s.start
	seen := p
	if s.step != nil {
		seen += s.step(0)
	}
	for i := range n {
		for j := range sub {
			t := float64(i)/s.rate + float64(j)*dt
			d := 0.0
			if s.ramp != nil {
				d = s.ramp(t)
			}
			for _, o := range s.openings[:upTo] {
				if t < o.t || o.shut > 0 && t > o.shut {
					continue
				}
				open := 1.0
				if o.width > 0 && t < o.t+o.width {
					x := (t - o.t) / o.width
					open = x * x * (3 - 2*x)
				}
				d -= o.k * open * p * nozzle(p, ambientPa)
			}
			p += d * dt
			level := p
			if s.step != nil {
				level += s.step(t)
			}
			if s.lag > 0 {
				seen += (level - seen) * (1 - math.Exp(-dt/s.lag))
			} else {
				seen = level
			}
		}
		out[i] = seen
	}
	return out
}

// samples adds noise and all, and gives the samples of a channel.
func (s *scene) samples(r *rand.Rand) []daq.Sample {
	v := s.clean(len(s.openings))
	phase, phase2 := r.Float64()*2*math.Pi, r.Float64()
	out := make([]daq.Sample, 0, len(v))
	ar := 0.0
	for i, x := range v {
		t := float64(i) / s.rate
		e := r.NormFloat64()
		ar = s.colour*ar + math.Sqrt(1-s.colour*s.colour)*e
		x += s.sigma * ar
		if s.hum > 0 {
			x += s.hum * math.Sin(2*math.Pi*s.humHz*t+phase)
		}
		if s.pump > 0 { // half-wave pulses with a sharp rise
			u := math.Mod(s.pumpHz*t+phase2, 1)
			x += s.pump * (math.Exp(-u*6) - 0.1663)
		}
		if s.ring > 0 {
			for _, o := range s.openings {
				if t > o.t {
					x += s.ring * math.Exp(-(t-o.t)/s.ringTau) * math.Sin(2*math.Pi*s.ringHz*(t-o.t))
				}
			}
		}
		if s.gauge {
			x -= ambientPa
		}
		ok := true
		if s.post != nil {
			x, ok = s.post(i, t, x, r)
		}
		if !ok {
			continue
		}
		raw := x
		if s.lsb > 0 {
			raw = math.Round(x / s.lsb)
			x = raw * s.lsb
		}
		out = append(out, daq.Sample{T: int64(math.Round(t * 1e9)), V: x, Raw: raw})
	}
	return out
}

// limit gives N_lim of opening k, the number of samples after its start at
// which the departure, projected off the line through the samples since the
// previous opening (at most 1 s), holds ln g of information; and the whole
// information sum r^2/sigma^2 up to the next opening. 0: never reached.
func (s *scene) limit(k int, lng float64) (nlim int, energy float64) {
	with, without := s.clean(k+1), s.clean(k)
	first := int(math.Ceil(s.openings[k].t * s.rate))
	last := len(with)
	if k+1 < len(s.openings) {
		last = int(s.openings[k+1].t * s.rate)
	}
	b := int(math.Min(s.rate, float64(first)))
	if k > 0 {
		b = min(b, first-int(s.openings[k-1].t*s.rate))
	}
	last = min(last, first+int(s.rate))
	var rr, r0, r1 float64
	for i := first; i < last; i++ {
		r := (with[i] - without[i]) / math.Sqrt(s.sigma*s.sigma+s.lsb*s.lsb/12)
		j := float64(i - first + b)
		rr += r * r
		r0 += r
		r1 += r * j
		n := j + 1
		jbar := (n - 1) / 2
		e := rr - r0*r0/n
		if n > 2 {
			c := r1 - jbar*r0
			e -= c * c * 12 / (n * (n*n - 1))
		}
		energy = e
		if nlim == 0 && e >= 2*lng {
			nlim = i - first + 1
		}
	}
	return nlim, energy
}

// bench is the options of a bench with one pressure channel.
func benchOf(s *scene) Options {
	ref := daq.Absolute
	if s.gauge {
		ref = daq.Gauge
	}
	return Options{
		Rig: BurstRig, Medium: Gas,
		Fixture:  Fixture{AmbientPa: ambientPa, Gas: "N2", TemperatureK: 296},
		Channels: []daq.Channel{{Name: "p", Role: daq.RoleSpecimen, Quantity: daq.Pressure, Reference: ref, Step: s.lsb, LagS: s.lag}},
		RateHz:   []float64{s.rate},
	}
}

// run plays samples through a fresh monitor in batches of 50 and returns the
// last revision of each event, in order of number.
func run(o Options, smp []daq.Sample) []Event {
	ev, _ := runAll(o, smp)
	return ev
}

func runAll(o Options, smp []daq.Sample) ([]Event, []Window) {
	m, err := New(o)
	if err != nil {
		panic(err)
	}
	var wins []Window
	last := map[int]int{}
	var out []Event
	take := func() {
		r := m.Take()
		wins = append(wins, r.Windows...)
		for _, e := range r.Events {
			if i, ok := last[e.ID]; ok {
				out[i] = e
				continue
			}
			last[e.ID] = len(out)
			out = append(out, e)
		}
	}
	for len(smp) > 0 {
		n := min(50, len(smp))
		m.Step(0, smp[:n])
		m.Tick(smp[n-1].T)
		take()
		smp = smp[n:]
	}
	m.Close()
	take()
	return out, wins
}
