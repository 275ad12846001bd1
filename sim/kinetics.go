package sim

import "math"

// A reaction is one of the exothermic reactions of a charged cell: its rate is
// A exp(-Ea/(R T)) times what is left of its reactant.
type reaction struct {
	A  float64 // 1/s
	Ea float64 // J/mol
	H  float64 // J/g of the material
	W  float64 // g of the material in a m3 of jelly roll
}

// The four reactions of the model of Hatchard and Dahn as extended by Kim,
// Pesaran and Spotnitz, J. Power Sources 170 (2007) 476, tables 1 and 2: the
// passive layer decomposes, the negative electrode reacts with electrolyte
// through the layer that grows, the positive electrode decomposes, the
// electrolyte decomposes. Rates at five temperatures are tested against
// testdata/kinetics.csv.
var (
	layerReaction       = reaction{A: 1.667e15, Ea: 135080, H: 257, W: 610400}
	negativeReaction    = reaction{A: 2.5e13, Ea: 135080, H: 1714, W: 610400}
	positiveReaction    = reaction{A: 6.667e13, Ea: 139600, H: 314, W: 1221000}
	electrolyteReaction = reaction{A: 5.14e25, Ea: 274000, H: 155, W: 406900}
)

// Where the reactants begin, from the same source: dimensionless.
const (
	layerBegin       = 0.15
	negativeBegin    = 0.75
	thicknessBegin   = 0.033
	thicknessRef     = 0.033
	positiveBegin    = 0.04
	electrolyteBegin = 1.0
)

// constant is the Arrhenius constant at T (K), 1/s.
func (r *reaction) constant(T float64) float64 { return r.A * math.Exp(-r.Ea/(molarR*T)) }

// bounded is the constant as a whole roll shows it: the reactions cross the
// roll as a front, so that nothing is faster than its time, cross (s). At the
// temperatures at which the constants were measured that changes nothing.
func (r *reaction) bounded(T, cross float64) float64 {
	k := r.constant(T)
	return k / (1 + k*cross)
}

// chemistry is how far the reactions of a cell have come.
type chemistry struct {
	layer, negative, thickness, positive, electrolyte float64
}

func freshChemistry() chemistry {
	return chemistry{layerBegin, negativeBegin, thicknessBegin, positiveBegin, electrolyteBegin}
}

// turnover is what reacted in a step: parts of each reactant.
type turnover struct{ layer, negative, positive, electrolyte float64 }

// step lets the reactions go on for dt (s) at T (K). Each is exact for a
// constant temperature, so that no step is too long.
func (c *chemistry) step(T, cross, dt float64) turnover {
	var d turnover
	d.layer = c.layer * -math.Expm1(-layerReaction.bounded(T, cross)*dt)
	c.layer -= d.layer

	// dz/dt = k c exp(-z/zref): exp(z/zref) grows in a straight line.
	z := thicknessRef * math.Log(math.Exp(c.thickness/thicknessRef)+negativeReaction.constant(T)*c.negative*dt/thicknessRef)
	d.negative = math.Min(c.negative, math.Min(z-c.thickness, c.negative*-math.Expm1(-negativeReaction.bounded(T, cross)*dt)))
	c.thickness += d.negative
	c.negative -= d.negative

	// da/dt = k a (1-a) is logistic.
	g := math.Exp(math.Min(700, positiveReaction.bounded(T, cross)*dt))
	a := 1.0
	if g < 1e300 {
		a = c.positive * g / (1 - c.positive + c.positive*g)
	}
	d.positive = a - c.positive
	c.positive = a

	d.electrolyte = c.electrolyte * -math.Expm1(-electrolyteReaction.bounded(T, cross)*dt)
	c.electrolyte -= d.electrolyte
	if c.electrolyte < 1e-30 {
		c.electrolyte = 0 // no denormal numbers
	}
	if c.layer < 1e-30 {
		c.layer = 0
	}
	return d
}

// heat is the heat of a turnover in J a m3 of jelly roll.
func (d *turnover) heat() float64 {
	return d.layer*layerReaction.H*layerReaction.W + d.negative*negativeReaction.H*negativeReaction.W +
		d.positive*positiveReaction.H*positiveReaction.W + d.electrolyte*electrolyteReaction.H*electrolyteReaction.W
}
