package main

import "math"

// A setting changes the supply at a time.
type setting struct {
	t     float64 // s
	ramp  float64 // Pa/s from here on
	step  float64 // the set pressure jumps by this, Pa
	shut  bool    // the supply valve closes (or opens again with false)
	valve bool    // the setting is about the valve
}

// A supply pressurises the fixture: a regulator that follows a set pressure as
// far as its flow reaches, or a constant flow.
type supply struct {
	flow     bool    // constant flow, else regulated
	ramp     float64 // Pa/s
	most     float64 // of the flow that the ramp needs
	time     float64 // of the regulator's loop, s
	settings []setting
}

// A vessel is the fixture with what fills and empties it.
type vessel struct {
	gas         gas
	liquid      bool
	modulus     float64 // of a liquid and its fixture, Pa
	density     float64 // of a liquid, kg/m3
	volume      float64 // m3
	temperature float64 // of supply and wall, K
	wall        float64 // time constant of heat from gas to wall, s
	back        float64 // ambient pressure, Pa
	start       float64 // pressure at t = 0, Pa
	supply      supply
	holes       []hole
	leak        hole
	bulge       hole    // area here: volume gained a second on the mean, m3/s, faster and faster until it ends
	bulgeEnd    float64 // s
}

// flowState is what one run of a vessel carries along.
type flowState struct {
	n, p    float64 // mol, Pa
	set     float64 // the regulator's set pressure, Pa
	ramp    float64 // Pa/s
	shut    bool
	next    int // setting
	holes   []hole
	pending []setting
}

// begin is the state at t = 0, after the gas has come to the temperature that
// the ramp holds it at.
func (v *vessel) begin(without int) *flowState {
	s := &flowState{p: v.start, set: v.start, ramp: v.supply.ramp, pending: v.supply.settings}
	s.holes = append(s.holes, v.holes...)
	for i := range s.holes {
		if without >= 0 && i >= without && s.holes[i].kind != "" {
			s.holes[i].area = 0
		}
	}
	warm := 0.0
	if v.supply.ramp > 0 && !v.liquid {
		warm = v.temperature * (1 - 1/v.gas.gamma) * v.supply.ramp / v.start * v.wall
	}
	s.n = v.start * v.volume / (rGas * (v.temperature + math.Min(warm, 60)))
	return s
}

// due takes the settings whose time has come.
func (s *flowState) due(t float64) {
	for s.next < len(s.pending) && s.pending[s.next].t <= t {
		c := s.pending[s.next]
		s.next++
		if c.valve {
			s.shut = c.shut
			continue
		}
		s.ramp = c.ramp
		s.set += c.step
	}
}

// feed is the flow into the vessel at pressure p as the rate of pressure it
// makes, Pa/s.
func (v *vessel) feed(s *flowState, p float64) float64 {
	need := v.supply.ramp
	if s.shut {
		return 0
	}
	if v.supply.flow {
		return s.ramp
	}
	want := s.ramp + (s.set-p)/v.supply.time
	return math.Min(math.Max(want, 0), math.Max(need, 0.2e5)*v.supply.most)
}

// rates are the derivatives of amount and pressure.
func (v *vessel) rates(s *flowState, t, n, p float64) (dn, dp float64) {
	feed, grow := v.feed(s, p), 0.0
	if v.bulge.area > 0 && t >= v.bulge.t0 && t < v.bulgeEnd {
		grow = v.bulge.area * 2 * (t - v.bulge.t0) / (v.bulgeEnd - v.bulge.t0)
	}
	if v.liquid {
		out := 0.0
		for i := range s.holes {
			if p > v.back {
				out += s.holes[i].open(t) * math.Sqrt(2*(p-v.back)/v.density)
			}
		}
		return 0, feed - v.modulus/v.volume*(out+grow)
	}
	temperature := p * v.volume / (n * rGas)
	out := v.gas.outflow(v.leak.open(t), p, temperature, v.back)
	for i := range s.holes {
		out += v.gas.outflow(s.holes[i].open(t), p, temperature, v.back)
	}
	in := feed * v.volume / (rGas * v.temperature * v.gas.gamma)
	heat := n * (temperature - v.temperature) / v.wall
	dp = rGas / v.volume * (v.gas.gamma*(in*v.temperature-out*temperature) - heat)
	return in - out, dp - v.gas.gamma*p*grow/v.volume
}

// stirred tells whether something happened less than so long ago, or is about
// to: then a line may ring.
func (s *flowState) stirred(t, so float64) bool {
	near := func(at, lasts float64) bool { return t > at-2e-3 && t < at+lasts+so }
	for i := range s.holes {
		h := &s.holes[i]
		if near(h.t0, h.width) || h.shutAt > 0 && near(h.shutAt, 0.002) {
			return true
		}
	}
	for i := range s.pending {
		if near(s.pending[i].t, 0.02) {
			return true
		}
	}
	return t < so
}

// step advances the state from t by h at most and returns how far it got: a
// fast blow-down takes short steps.
func (v *vessel) step(s *flowState, t, h float64) float64 {
	s.due(t)
	_, dp := v.rates(s, t+h/8, s.n, s.p)
	if over := math.Abs(dp) * h / (0.02 * (s.p - v.back + 2000)); over > 1 {
		h = math.Max(h/over, 2e-7)
	}
	for i := range s.holes {
		if a := s.holes[i].t0; a > t && a < t+h {
			h = math.Max(a-t, 1e-9)
		}
	}
	n1, p1 := v.rates(s, t, s.n, s.p)
	n2, p2 := v.rates(s, t+h/2, s.n+n1*h/2, s.p+p1*h/2)
	// Just before the end: what opens there has not opened yet.
	n3, p3 := v.rates(s, t+h*(1-1e-6), s.n-n1*h+2*n2*h, s.p-p1*h+2*p2*h)
	s.n += h / 6 * (n1 + 4*n2 + n3)
	s.p = math.Max(s.p+h/6*(p1+4*p2+p3), 0.9*v.back)
	if s.set += s.ramp * h; s.shut {
		s.set = s.p
	}
	for i := range s.holes {
		s.holes[i].follow(t+h, s.p, v.back)
	}
	return h
}

// A transducer is what stands between the vessel and the converter: a line
// that rings and a first-order lag.
type transducer struct {
	lag  float64 // s
	ring float64 // Hz; 0: none
	damp float64 // share of critical
}

// play runs the vessel and returns the pressure and the noise-free reading at
// each time. Holes of the specimen from index without on don't open (-1: all
// open).
func (v *vessel) play(d transducer, times []float64, without int) (p, seen []float64) {
	s := v.begin(without)
	p, seen = make([]float64, len(times)), make([]float64, len(times))
	lead := v.supply.ramp * d.lag
	y, dy, x := s.p, v.supply.ramp, s.p-lead
	w := 2 * math.Pi * d.ring
	t := 0.0
	for i, end := range times {
		for t < end {
			before, last := s.p, y
			h := end - t
			rings := d.ring > 0 && s.stirred(t, 12/(d.damp*w))
			if h = math.Min(h, 1e-3); rings {
				h = math.Min(h, 0.08/w)
			}
			h = v.step(s, t, h)
			t += h
			switch {
			case d.ring > 0 && !rings: // it follows
				dy = (s.p - before) / h
				y = s.p - 2*d.damp/w*dy
			case rings:
				y, dy = swing(y, dy, before, s.p, h, w, d.damp)
			default:
				y = s.p
			}
			x = follow(x, last, y, h, d.lag)
		}
		p[i], seen[i] = s.p, x
	}
	return p, seen
}

// swing is one step of h seconds, by the midpoint rule, of a line that rings at w
// (1/s) with a share of critical damping, while its input goes straight from a to
// b.
func swing(y, dy, a, b, h, w, damp float64) (float64, float64) {
	half := y + h/2*dy
	halfway := dy + h/2*(w*w*(a-y)-2*damp*w*dy)
	return y + h*halfway, dy + h*(w*w*((a+b)/2-half)-2*damp*w*halfway)
}

// follow is what a first-order lag reads h seconds after it read x, while its
// input goes straight from a to b: the exact answer, however long the step.
func follow(x, a, b, h, lag float64) float64 {
	switch {
	case lag <= 0:
		return b
	case h <= 0:
		return x
	}
	behind := (b - a) / h * lag
	return b - behind + (x-a+behind)*math.Exp(-h/lag)
}
