package sim

import "math"

// The runaway rig: a closed vessel with a charged cell on a heater. The rig's
// mass, temp and p are the vessel's gas; its openings are the cell's features,
// which act on the difference between cell and vessel.

// Constants of the vessel.
const (
	vesselHeat   = 15.0      // W/(m2 K) from the gas to the wall (common practice, no source)
	jetMix       = 4.0       // as much more while the cell blows hard
	selfPart     = 0.1       // own heating counts as begun when it reaches this part of the heater's rate ...
	selfLeast    = 0.02 / 60 // ... and never below 0.02 °C/min, the threshold of stepwise calorimetry (from memory)
	runawayRateK = 1.0       // K/s: the rate of the regulation's criterion c ...
	runawayTimeS = 3.0       // ... and how long it must last, s (GB 38031-2025 C.5.3.7)
)

// vesselWall is the wall's area of a vessel of volume v: a cylinder as long as
// twice its diameter.
func vesselWall(v float64) float64 {
	d := math.Cbrt(2 * v / math.Pi)
	return math.Pi*d*2*d + math.Pi*d*d/2
}

// takeCell puts a cell in the vessel, purged and filled at ambient pressure.
func (r *rig) takeCell(c Cell) {
	r.cell = newCellState(c, r.wall)
	r.temp = r.wall
	r.set(r.ambient)
	r.settled = Results{}
}

// stepVessel advances vessel and cell by dt.
func (r *rig) stepVessel(dt float64) {
	c := r.cell
	if c.left -= dt; c.left <= dt/2 {
		c.react(chemistryStep)
		c.swells += 0.01 * ((c.p-c.pBefore)/chemistryStep - c.swells)
		c.pBefore = c.p
		c.left += chemistryStep
		r.notice()
	}
	power := 0.0
	if r.heater {
		power = r.fix.HeaterW
	}
	toGas := c.warm(dt, power, r.temp, r.wall)
	var area float64
	for i := range r.openings {
		area += c.Open * r.openings[i].area(r.t)
	}
	mol := c.exhale(area, r.p, dt)
	r.mix(mol, toGas, dt)
}

// mix is the energy balance of the vessel's gas: what comes from the cell,
// what goes out of the dump valve or a leak, and the walls.
func (r *rig) mix(mol, toGas, dt float64) {
	n := r.p * r.v / (molarR * r.temp)
	cv := molarR / (r.gas.gamma - 1) // J/(mol K); the mixture is taken as the vessel's own gas
	wall := vesselHeat * r.wallArea
	if mol > 0 {
		wall *= 1 + jetMix*math.Min(1, mol/dt/0.1)
	}
	energy := n*cv*r.temp + mol*(cv+molarR)*r.cell.body + dt*toGas
	n += mol
	if a := r.leakArea + r.dump.pos*r.fix.DumpAreaM2; a > 0 {
		flux := a * r.gas.flux(r.p, r.temp, r.ambient) * r.gas.R / molarR // mol/s
		over, from := n*(1-r.ambient/r.p), r.temp
		if flux < 0 {
			from = r.wall // air flows back
		}
		if over*flux > 0 {
			out := over * -math.Expm1(-flux*dt/over)
			energy -= out * (cv + molarR) * from
			n -= out
		}
	}
	r.temp = math.Max(200, energy/(n*cv))
	r.temp += (r.wall - r.temp) * -math.Expm1(-wall*dt/(n*cv))
	r.p = n * molarR * r.temp / r.v
	r.mass = n * molarR / r.gas.R
}

// notice tells what the cell has done since the last look.
func (r *rig) notice() {
	c := r.cell
	rate := (c.body - c.skin) / skinLag // of the skin, K/s
	x := &r.settled
	x.CapacityAh = c.CapacityAh
	x.PeakPa = math.Max(x.PeakPa, r.p)
	x.PeakC = math.Max(x.PeakC, c.skin-kelvin)
	x.GasMol = c.given
	c.looks++
	past := &c.past[c.looks%len(c.past)]
	if c.looks > len(c.past) {
		x.PressureMaxPaS = math.Max(x.PressureMaxPaS, (r.p-*past)/(float64(len(c.past))*chemistryStep))
	}
	*past = r.p
	own := c.ownFlow / c.HeatJK
	switch threshold := math.Max(selfLeast, selfPart*c.heaterRate); {
	case own < threshold:
		c.selfAt = -1
	case c.selfAt < 0:
		c.selfAt, c.selfSkinK, c.selfP = r.t, c.skin, r.p
	}
	switch {
	case rate < runawayRateK:
		c.fastAt = -1
	case c.fastAt < 0:
		c.fastAt, c.fastP, c.fastSkinK = r.t, r.p, c.skin
	case !c.ran && r.t-c.fastAt > runawayTimeS:
		c.ran = true
		r.tellSelf()
		r.tell(Truth{Event: "runaway", StartNS: ns(c.fastAt), OnsetNS: ns(c.fastAt), PressurePa: c.fastP - r.ambient, SkinC: c.fastSkinK - kelvin})
	}
}

// tellSelf tells of the onset of self-heating once it is known that it went on
// to runaway.
func (r *rig) tellSelf() {
	if c := r.cell; c.selfAt >= 0 && !c.selfTold {
		c.selfTold = true
		r.tell(Truth{Event: "self-heating", StartNS: ns(c.selfAt), OnsetNS: ns(c.selfAt), PressurePa: c.selfP - r.ambient, SkinC: c.selfSkinK - kelvin})
	}
}

// openCell lets the cell's features act on the difference between cell and
// vessel. Heat takes some of their strength.
func (r *rig) openCell() {
	c := r.cell
	dp := c.p - r.p
	if r.cidP > 0 && !r.cidOpen && dp >= r.cidP {
		r.cidOpen = true
		r.tell(Truth{Event: "continuity-loss", StartNS: ns(r.t), OnsetNS: ns(r.t), PressurePa: r.p - r.ambient})
	}
	for i := range r.openings {
		o := &r.openings[i]
		if o.state != shut || dp < hotStrength*o.OpensPa {
			continue
		}
		o.state, o.t0 = opened, r.t
		event := "second-venting"
		switch {
		case o.Event == "rupture":
			event = "breach"
		case !c.vented:
			event = "first-venting"
		}
		c.vented = true
		r.tell(Truth{Event: event, Feature: o.Name, StartNS: ns(r.t), OnsetNS: ns(r.t), PressurePa: r.p - r.ambient,
			AreaM2: c.Open * o.AreaM2, WidthS: o.WidthS, InsidePa: dp, SkinC: c.skin - kelvin})
	}
}

// untilOpen is a guess of the time until a feature opens into a vessel of
// pressure pv.
func (s *cellState) untilOpen(o *opening, pv float64) float64 {
	left := hotStrength*o.OpensPa - (s.p - pv)
	if left <= 0 {
		return 0
	}
	if s.swells <= 0 {
		return math.Inf(1)
	}
	return left / s.swells
}

// Results are what a runaway came to, as it really was.
type Results struct {
	CapacityAh     float64 `json:"capacity_Ah"`
	GasMol         float64 `json:"gas_mol"`       // that the cell gave to the vessel
	PeakPa         float64 `json:"peak_Pa"`       // absolute, in the vessel
	PeakC          float64 `json:"peak_C"`        // of the skin
	PressureMaxPaS float64 `json:"dpdt_max_Pa_s"` // over 20 ms
}

// results is what the cell has come to; nil: the rig has none.
func (r *rig) results() *Results {
	if r.cell == nil {
		return nil
	}
	x := r.settled
	return &x
}
