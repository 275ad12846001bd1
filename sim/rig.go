package sim

import "math"

// kelvin is 0 °C in K.
const kelvin = 273.15

// rig is the fixture, its supply and the specimen that closes it. Time is s
// since the rig was made; pressures are absolute.
type rig struct {
	fix     Fixture
	gas     gas
	ambient float64 // Pa
	wall    float64 // K, of the room, the fixture's wall and the supply gas

	t        float64 // s
	v        float64 // m3, now
	mass     float64 // kg
	temp     float64 // K
	p        float64 // Pa
	slope    float64 // Pa/s over the last step
	supplyP  float64 // Pa before the supply valve
	supply   valve
	dump     valve
	ramp     float64 // Pa/s that the needle is set to
	setP     float64 // > 0: a regulator leads to this pressure instead of a ramp
	setTau   float64 // s, time constant of that regulator
	leakArea float64 // m2
	cidP     float64 // gauge pressure at which it does; 0: there is none
	cidOpen  bool    // the current interrupt device has acted
	handDump bool    // somebody holds the dump valve open by hand
	handShut bool    // somebody holds the supply shut by hand
	fillP    float64 // > 0: a fast fill goes on up to this gauge pressure
	port     port    // between fixture and specimen

	bulgeP float64 // gauge pressure at which the bottom starts to bulge; 0: never
	bulgeC float64 // relative volume a Pa above it
	bulged bool

	cell     *cellState // of a runaway rig; nil: a burst bench
	heater   bool       // of a runaway rig is on
	trigger  bool       // somebody set the trigger line
	wallArea float64    // m2, of a runaway rig's vessel
	settled  Results    // of the cell that is in

	liquid   bool
	modulus  float64                 // Pa, effective bulk modulus of liquid and fixture
	density  float64                 // kg/m3
	pulse    func(t float64) float64 // extra pressure of a pump, Pa; nil: none
	openings []opening
	happened []Truth // since the last takeTruth; times in ns of the rig
}

// valve takes travel seconds from shut to open.
type valve struct {
	want   bool
	pos    float64 // 0 shut .. 1 open
	travel float64
}

func (v *valve) step(dt float64) {
	d := dt / v.travel
	if v.want {
		v.pos = math.Min(1, v.pos+d)
	} else {
		v.pos = math.Max(0, v.pos-d)
	}
}

func newRig(f Fixture) (*rig, error) {
	f = f.withDefaults()
	g, err := gasByName(f.Gas)
	if err != nil {
		return nil, err
	}
	r := &rig{fix: f, gas: g, ambient: f.AmbientPa, wall: f.RoomC + kelvin, v: f.VolumeM3,
		ramp: f.RampPaS, supplyP: f.AmbientPa + f.SupplyPa, modulus: 0.4e9, density: 1000}
	r.supply.travel, r.dump.travel = f.ValveTravelS, f.ValveTravelS
	r.temp = r.wall
	r.liquid = f.Liquid
	r.set(r.ambient)
	if f.Runaway {
		r.wallArea = vesselWall(f.VolumeM3)
		r.takeCell(Cell{Tame: true})
	}
	return r, nil
}

// set brings the fixture to a pressure at its present temperature.
func (r *rig) set(p float64) {
	r.p = p
	r.mass = p * r.v / (r.gas.R * r.temp)
}

// runUp brings the fixture to a gauge pressure the way a long ramp does, so
// that gas and wall are in the balance that such a ramp leaves, and goes on.
func (r *rig) runUp(gauge float64) {
	r.supply.want, r.supply.pos = true, 1
	target := r.ambient + gauge
	r.set(math.Max(1.1*r.ambient, target-6*r.fix.WallTauS*r.ramp))
	const dt = 1e-3
	for i := 0; i < 200000 && r.p < target; i++ {
		r.step(dt)
	}
	r.t = 0
}

// load puts a specimen in: all its features shut.
func (r *rig) load(fs []Feature) {
	r.openings = r.openings[:0]
	for _, f := range fs {
		r.openings = append(r.openings, opening{Feature: f})
	}
}

// area is the total area to the outside at time t.
func (r *rig) area(t float64) float64 {
	a := r.leakArea + r.dump.pos*r.fix.DumpAreaM2
	for i := range r.openings {
		a += r.openings[i].area(t)
	}
	return a
}

// inflow is the supply's mass flow in kg/s into gas of mass m and temperature
// T at pressure p. A needle gives a constant flow: the ramp that it is set to
// holds once gas and wall are in balance. A ramp controller gives what the set
// ramp needs while the fixture is shut, also while the first gas heats up: from
// dp/dt = R/V d(mT)/dt with the energy balance of rates.
func (r *rig) inflow(p, m, T float64) float64 {
	if r.supply.pos == 0 || r.handShut || p >= r.supplyP {
		return 0
	}
	rate := r.ramp
	switch {
	case r.fillP > 0:
		rate = fillRate
	case r.setP > 0:
		rate = math.Max(0, (r.setP+r.ambient-p)/r.setTau)
	}
	flow := rate * r.fix.VolumeM3 / (r.gas.R * r.wall)
	if !r.fix.Needle && r.setP == 0 && r.fillP == 0 {
		heat := m * (r.wall - T) / r.fix.WallTauS
		need := (rate*r.fix.VolumeM3/r.gas.R - heat) / (r.gas.gamma * r.wall)
		flow = math.Max(0, math.Min(1.5*flow, need))
	}
	throttle := math.Min(1, 20*(1-p/r.supplyP)) // near the supply's pressure it gives less
	return r.supply.pos * throttle * flow
}

// rates are the time derivatives of mass and temperature by the first law for
// an open rigid volume of ideal gas: m cv dT = cp Tin dmin - R T dmout - cv T
// dmin + h A (Tw - T), with the wall's conductance written as m cv / tau.
func (r *rig) rates(area, m, T float64) (dm, dT float64) {
	p := m * r.gas.R * T / r.v
	in := r.inflow(p, m, T)
	var out, back float64
	if area > 0 {
		if f := area * r.gas.flux(p, T, r.ambient); f >= 0 {
			out = f
		} else {
			back = -f
		}
	}
	g := r.gas.gamma
	dT = ((in+back)*(g*r.wall-T)-out*(g-1)*T)/m + (r.wall-T)/r.fix.WallTauS
	return in + back - out, dT
}

// splits returns k such that base/2^k is a step fine enough from now on.
func (r *rig) splits(base float64) int {
	if r.cell != nil {
		return 0 // its steps are exact where they are fast
	}
	want := base
	lim := func(dt float64) { want = math.Min(want, dt) }
	area := 0.0
	for i := range r.openings {
		o := &r.openings[i]
		if o.moving(r.t) {
			lim(o.WidthS / 16)
			area += o.AreaM2
		}
		if o.state == shut {
			lim(math.Max(r.untilOpen(o)/2, base/64))
		}
	}
	area += r.area(r.t)
	if area > 0 && !r.liquid {
		lim(r.tau(area) / 5)
	}
	k := 0
	for want < base*0.999 && k < maxSplit {
		base /= 2
		k++
	}
	return k
}

// untilOpen is a guess of the time until o opens.
func (r *rig) untilOpen(o *opening) float64 {
	if o.AtS > 0 {
		return math.Max(0, o.AtS-r.t)
	}
	if r.cell != nil {
		return r.cell.untilOpen(o, r.p)
	}
	left := o.OpensPa - (r.inside() - r.ambient)
	if r.slope <= 0 || left <= 0 {
		if left <= 0 {
			return 0
		}
		return math.Inf(1)
	}
	return left / r.slope
}

// tau is the local time constant of a blow-down through area. Nearer to
// balance than laminar it does not matter: there the step is exact.
func (r *rig) tau(area float64) float64 {
	x := r.p/r.ambient - 1
	if math.Abs(x) < laminar {
		return math.Inf(1)
	}
	t := r.v / (area * r.gas.choke * math.Sqrt(r.gas.R*r.temp) * r.gas.gamma)
	if x < 1 {
		t *= math.Sqrt(math.Max(x, 0.01)) // the slope of the square root grows towards balance
	}
	return t
}

// step advances the rig by dt. The caller chooses dt by splits.
func (r *rig) step(dt float64) {
	before := r.p
	r.valves(dt)
	switch {
	case r.cell != nil:
		r.openCell()
		r.stepVessel(dt)
	case r.liquid:
		r.open()
		r.stepLiquid(dt)
	default:
		r.open()
		r.stepGas(dt)
	}
	r.port.step(r, dt)
	r.act()
	r.t += dt
	r.slope = (r.p - before) / dt
}

func (r *rig) valves(dt float64) {
	r.supply.step(dt)
	r.dump.step(dt)
	flowing := 0.0
	if r.supply.pos > 0 {
		flowing = r.supply.pos * math.Min(1, r.ramp/5e5)
	}
	want := r.ambient + r.fix.SupplyPa*(1-0.01*flowing) // the bottle's regulator droops by 1 % at 5 bar/s
	r.supplyP += (want - r.supplyP) * math.Min(1, dt/0.05)
}

// open lets features open and close that have come to it.
func (r *rig) open() {
	dp := r.inside() - r.ambient
	if r.cidP > 0 && !r.cidOpen && dp >= r.cidP {
		r.cidOpen = true
		r.tell(Truth{Event: "continuity-loss", StartNS: ns(r.t), OnsetNS: ns(r.t), PressurePa: dp, RampPaS: r.slope})
	}
	for i := range r.openings {
		o := &r.openings[i]
		switch {
		case o.state == shut && (o.AtS > 0 && r.t >= o.AtS || o.AtS == 0 && dp >= o.OpensPa):
			o.state, o.t0 = opened, r.t
			at := r.t + o.WidthS/2
			r.tell(Truth{Event: o.Event, Feature: o.Name, StartNS: ns(r.t), OnsetNS: ns(at),
				PressurePa: dp + r.slope*o.WidthS/2, RampPaS: r.slope, AreaM2: o.AreaM2, WidthS: o.WidthS})
		case o.state == opened && o.ResealsPa > 0 && dp <= o.ResealsPa && r.t > o.t0+o.WidthS:
			o.state, o.t1 = resealed, r.t
			r.tell(Truth{Event: "reseal", Feature: o.Name, StartNS: ns(r.t), OnsetNS: ns(r.t + o.WidthS/2),
				PressurePa: dp, RampPaS: r.slope})
		}
	}
}

func (r *rig) stepGas(dt float64) {
	if a := r.area(r.t + dt); a > 0 && math.Abs(r.p/r.ambient-1) < laminar {
		r.settle(a, dt)
		return
	}
	a0, a1, a2 := r.area(r.t), r.area(r.t+dt/2), r.area(r.t+dt)
	m, T := r.mass, r.temp
	if a2 == 0 { // shut: everything is slow
		m1, T1 := r.rates(0, m, T)
		m2, T2 := r.rates(0, m+dt/2*m1, T+dt/2*T1)
		r.mass, r.temp = m+dt*m2, T+dt*T2
		r.swell()
		r.p = r.mass * r.gas.R * r.temp / r.v
		return
	}
	m1, T1 := r.rates(a0, m, T)
	m2, T2 := r.rates(a1, m+dt/2*m1, T+dt/2*T1)
	m3, T3 := r.rates(a1, m+dt/2*m2, T+dt/2*T2)
	m4, T4 := r.rates(a2, m+dt*m3, T+dt*T3)
	r.mass = m + dt/6*(m1+2*m2+2*m3+m4)
	r.temp = T + dt/6*(T1+2*T2+2*T3+T4)
	r.swell()
	r.p = r.mass * r.gas.R * r.temp / r.v
}

// settle is the exact relaxation to balance with the outside through a, where
// the flow is proportional to the pressure difference.
func (r *rig) settle(a, dt float64) {
	conductance := a * r.gas.subcritical(r.ambient, r.temp, 1-laminar) / (laminar * r.ambient) // kg/(s Pa)
	tau := r.v / (r.gas.R * r.temp * conductance)
	warm := (r.wall - r.temp) / r.fix.WallTauS
	rest := r.ambient + (r.inflow(r.p, r.mass, r.temp)+r.mass*warm/r.temp)/conductance
	r.p = rest + (r.p-rest)*math.Exp(-dt/tau)
	r.temp += warm * dt
	r.mass = r.p * r.v / (r.gas.R * r.temp)
}

// swell lets a thin bottom bulge.
func (r *rig) swell() {
	if r.bulgeP == 0 {
		return
	}
	over := math.Max(0, r.p-r.ambient-r.bulgeP)
	if over > 0 && !r.bulged {
		r.bulged = true
		r.tell(Truth{Event: "bulge", StartNS: ns(r.t), OnsetNS: ns(r.t), PressurePa: r.p - r.ambient, RampPaS: r.slope})
	}
	if v := r.fix.VolumeM3 * (1 + r.bulgeC*over); v > r.v {
		r.v = v // it does not come back
	}
}

// stepLiquid is a nearly rigid volume of liquid: what flows in raises the
// pressure by the bulk modulus; what flows out through an orifice,
// A sqrt(2 dp/rho), lets the square root of the pressure fall in a straight
// line, which is exact for a constant area.
func (r *rig) stepLiquid(dt float64) {
	in := 0.0
	if r.supply.pos > 0 && !r.handShut {
		in = r.ramp * r.supply.pos
		switch {
		case r.fillP > 0:
			in = fillRate * r.supply.pos
		case r.setP > 0:
			in = math.Max(0, (r.setP+r.ambient-r.p)/r.setTau) * r.supply.pos
		}
	}
	dp := math.Max(0, r.p-r.ambient)
	if a := r.area(r.t + dt/2); a > 0 {
		c := a * math.Sqrt(2/r.density) * r.modulus / r.v // Pa/s per sqrt(Pa)
		rest := in / c * (in / c)                         // where the supply balances the outflow
		s := math.Max(0, math.Sqrt(dp)-c*dt/2)
		if next := s*s + in*dt; dp > rest {
			dp = math.Max(rest, next)
		} else {
			dp = math.Min(rest, next)
		}
	} else {
		dp += in * dt
	}
	r.p = r.ambient + dp
}

// driven is the difference that the specimen's sensors feel beyond the gas
// balance (a pump's strokes).
func (r *rig) driven() float64 {
	if r.pulse == nil {
		return 0
	}
	return r.pulse(r.t)
}

func (r *rig) tell(t Truth) {
	t.AmbientPa = r.ambient
	r.happened = append(r.happened, t)
}

func (r *rig) takeTruth() []Truth {
	h := r.happened
	r.happened = nil
	return h
}

// ns turns seconds of the rig into ns.
func ns(s float64) int64 { return int64(math.Round(s * 1e9)) }
