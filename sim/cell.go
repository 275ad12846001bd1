package sim

import (
	"errors"
	"fmt"
	"math"
)

// Cell is what makes a specimen a charged cell: what it does when it is heated
// in a closed vessel. Zero fields take the values of the demo's own can.
type Cell struct {
	CapacityAh float64 `json:"capacity_Ah,omitempty"` // 4.7
	VoltageV   float64 `json:"voltage_V,omitempty"`   // at the terminals, charged: 4.15
	HeatJK     float64 `json:"heat_J_K,omitempty"`    // heat capacity of the whole cell, 65
	RollM3     float64 `json:"roll_m3,omitempty"`     // jelly roll, 19 mL
	FreeM3     float64 `json:"free_m3,omitempty"`     // gas space inside the can, 2.5 mL
	GasMol     float64 `json:"gas_mol,omitempty"`     // gas that it can give off in all, 0.1 mol an Ah
	// ShortC is the temperature at which the separator fails and the electrodes
	// short inside, 182 °C; ShortPart is the part of the electrical energy that
	// becomes heat then, 0.3, with the time constant ShortS, 2.5 s.
	ShortC    float64 `json:"short_C,omitempty"`
	ShortPart float64 `json:"short_part,omitempty"`
	ShortS    float64 `json:"short_s,omitempty"`
	// CrossS is the time in which the reactions cross the roll, 0.25 s: it
	// bounds how fast they get.
	CrossS float64 `json:"cross_s,omitempty"`
	// VapourMol boils off when it first vents, 8 mmol.
	VapourMol float64 `json:"vapour_mol,omitempty"`
	// Open is the part of each feature's area that the jelly roll leaves open;
	// 1 (or 0): all of it.
	Open float64 `json:"open,omitempty"`
	// Tame stops the reactions: a cell without charge, which vents and does not
	// run away.
	Tame bool `json:"tame,omitempty"`
}

func (c Cell) withDefaults() Cell {
	set := func(v *float64, d float64) {
		if *v == 0 {
			*v = d
		}
	}
	set(&c.CapacityAh, 4.7)
	set(&c.VoltageV, 4.15)
	set(&c.HeatJK, 65)
	set(&c.RollM3, 19e-6)
	set(&c.FreeM3, 2.5e-6)
	set(&c.GasMol, 0.1*c.CapacityAh)
	set(&c.ShortC, 182)
	set(&c.ShortPart, 0.3)
	set(&c.ShortS, 2.5)
	set(&c.CrossS, 0.25)
	set(&c.VapourMol, 8e-3)
	set(&c.Open, 1)
	return c
}

// Check returns every problem at once, or nil.
func (c *Cell) Check() error {
	var errs []error
	for _, f := range []struct {
		name  string
		v     float64
		limit float64
		unit  string
	}{
		{"capacity", c.CapacityAh, 1000, "Ah"}, {"voltage", c.VoltageV, 1000, "V"}, {"heat capacity", c.HeatJK, 1e6, "J/K"},
		{"jelly roll", c.RollM3, 1e-2, "m3"}, {"free volume", c.FreeM3, 1e-2, "m3"}, {"gas", c.GasMol, 100, "mol"},
		{"internal short", c.ShortC, 1000, "°C"}, {"part of the electrical energy", c.ShortPart, 1, ""},
		{"time of the short", c.ShortS, 1000, "s"}, {"time to cross the roll", c.CrossS, 100, "s"}, {"vapour", c.VapourMol, 10, "mol"}, {"open part", c.Open, 1, ""},
	} {
		if !within0(f.v, f.limit) {
			errs = append(errs, fmt.Errorf("cell: %s is %g %s: give 0 (the usual one) to %g", f.name, f.v, f.unit, f.limit))
		}
	}
	return errors.Join(errs...)
}

// Constants of the cell model.
const (
	skinLag       = 2.5    // s by which the skin, on the side away from the heater, follows the body
	cellArea      = 5.5e-3 // m2, surface of a 21700 can
	cellHeat      = 20.0   // W/(m2 K) from the skin to the gas (common practice, no source)
	emissivity    = 0.3    //
	stefan        = 5.670374419e-8
	boilHeat      = 36e3  // J/mol, evaporation of a carbonate solvent (from memory)
	boilK         = 363.0 // K, its boiling point at 1 atm (from memory)
	ventMolar     = 30e-3 // kg/mol, of the gas that a cell gives off (common practice, no source)
	ventGamma     = 1.25  //
	boilS         = 0.4   // s, time constant of boiling off at the first venting
	hotStrength   = 0.92  // what heat leaves of a feature's opening pressure (common practice, no source)
	chemistryStep = 1e-3  // s, between two looks at the reactions
)

// Parts of the gas that come with each reaction, and of its total that the
// passive layer gives off (invented; they lead to a first venting near 140 °C).
const (
	layerGas       = 0.0035
	negativeGas    = 0.30
	positiveGas    = 0.45
	electrolyteGas = 1 - layerGas - negativeGas - positiveGas
)

// cellState is a cell at work. Temperatures are K.
type cellState struct {
	Cell
	chem            chemistry
	body            float64 // K
	skin            float64 // K
	gasMol          float64 // mol in the free volume
	p               float64 // Pa absolute, inside
	pBefore, swells float64 // Pa at the last look, and Pa/s over the last tenth of a second
	volts           float64
	vapour          float64 // mol still to boil off
	vented          bool
	short           bool
	energy          float64 // J of electrical energy still to be released
	given           float64 // mol given to the vessel since the start

	ownFlow  float64 // W that reactions and short make, over the last look
	heatFlow float64 // W, less what boiling takes
	gasFlow  float64 // mol/s likewise
	left     float64 // s until the reactions are looked at again

	heaterRate float64 // K/s that the heater alone gives now
	selfAt     float64 // s at which its own heating last passed the threshold; < 0: it is below
	selfSkinK  float64 // K and Pa then
	selfP      float64
	fastSkinK  float64
	fastP      float64
	fastAt     float64 // s since when the skin rises by 1 K/s; < 0: it does not
	ran        bool
	selfTold   bool
	looks      int
	past       [20]float64 // vessel pressures of the last 20 ms, Pa
}

func newCellState(c Cell, room float64) *cellState {
	c = c.withDefaults()
	s := &cellState{Cell: c, chem: freshChemistry(), body: room, skin: room, volts: c.VoltageV, vapour: c.VapourMol,
		energy: c.ShortPart * c.CapacityAh * 3600 * 0.9 * c.VoltageV, selfAt: -1, fastAt: -1}
	if c.Tame {
		s.chem, s.energy = chemistry{thickness: thicknessBegin}, 0
	}
	s.gasMol = 101325 * c.FreeM3 / (molarR * room)
	s.pressure()
	return s
}

// pressure renews the pressure inside: gas and the solvent's vapour.
func (s *cellState) pressure() {
	s.p = s.gasMol * molarR * s.body / s.FreeM3
	if !s.vented {
		s.p += 101325 * math.Exp(boilHeat/molarR*(1/boilK-1/s.body))
	}
}

// react lets the reactions and the internal short go on for dt.
func (s *cellState) react(dt float64) {
	d := s.chem.step(s.body, s.CrossS, dt)
	heat := d.heat() * s.RollM3
	mol := s.GasMol * (layerGas*d.layer/layerBegin + negativeGas*d.negative/negativeBegin +
		positiveGas*d.positive/(1-positiveBegin) + electrolyteGas*d.electrolyte/electrolyteBegin)
	if !s.short && s.body >= s.ShortC+kelvin && !s.Tame {
		s.short = true
	}
	if s.short {
		e := s.energy * -math.Expm1(-dt/s.ShortS)
		s.energy -= e
		heat += e
		s.volts *= math.Exp(-dt / 0.2)
	}
	s.ownFlow, s.heatFlow, s.gasFlow = heat/dt, heat/dt, mol/dt
	if s.vented && s.vapour > 0 {
		b := s.vapour * -math.Expm1(-dt/boilS)
		s.vapour -= b
		s.heatFlow -= b * boilHeat / dt
		s.gasFlow += b / dt
	}
}

// warm advances the temperatures by dt with the heater's power (W) in a vessel
// of gas temperature gas and wall temperature wall, and returns the heat that
// goes into the gas, W.
func (s *cellState) warm(dt, power, gas, wall float64) float64 {
	toGas := cellHeat * cellArea * (s.skin - gas)
	radiated := emissivity * stefan * cellArea * (math.Pow(s.skin, 4) - math.Pow(wall, 4))
	s.heaterRate = (power - toGas - radiated) / s.HeatJK
	s.body += dt * (s.heaterRate + s.heatFlow/s.HeatJK)
	s.skin += (s.body - s.skin) * -math.Expm1(-dt/skinLag)
	return toGas
}

// ventGas is the gas that leaves a cell.
var ventGas = gas{R: molarR / ventMolar, gamma: ventGamma,
	choke:    math.Sqrt(ventGamma) * math.Pow(2/(ventGamma+1), (ventGamma+1)/(2*(ventGamma-1))),
	critical: math.Pow(2/(ventGamma+1), ventGamma/(ventGamma-1))}

// exhale lets gas flow between cell and vessel (pressure pv, Pa) through area
// for dt and returns the mol that went into the vessel. The flow is almost
// proportional to what is inside beyond balance, so the relaxation is exact
// where it is, and stable everywhere.
func (s *cellState) exhale(area, pv, dt float64) float64 {
	s.gasMol += s.gasFlow * dt
	s.pressure()
	balance := pv * s.FreeM3 / (molarR * s.body)
	over := s.gasMol - balance
	if area == 0 || over <= 0 {
		return 0
	}
	flow := area * ventGas.flux(s.p, s.body, pv) / ventMolar // mol/s
	out := math.Min(over, over*-math.Expm1(-flow*dt/over))
	s.gasMol -= out
	s.given += out
	s.pressure()
	return out
}
