package analysis

import (
	"fmt"
	"math"

	"ventward/analysis/flow"
)

// VentingCaution goes with every figure of this file.
const VentingCaution = "Estimate only: have a qualified person check it."

// CloggingCaution goes with every open fraction.
const CloggingCaution = "Clogging is not measured by a burst test."

// Names of the features of a cell, as events name them.
const (
	TopVent    = "top vent"
	BottomVent = "bottom vent"
	HousingEnd = "housing"
)

// A Scatter is what is known of a pressure over a lot: mean and standard
// deviation (Pa gauge) of Pieces specimens. With Pieces 0 both are taken as
// known exactly.
type Scatter struct {
	MeanPa float64
	SDPa   float64
	Pieces int
}

// A Vent is a feature that opens when the pressure difference across it reaches
// its opening pressure, and stays open.
type Vent struct {
	Opening      Scatter
	AreaM2       float64 // geometric, fully open
	Discharge    float64 // C_d
	OpenFraction float64 // part of the area that is not clogged, 0 to 1
	OpenTimeS    float64 // over which the area grows; 0: at once
}

// Strength is the pressure (gauge) that the housing bears cold, and what is
// left of it at the temperature of a runaway.
type Strength struct {
	Cold      Scatter
	HotFactor float64 // hot strength over cold, above 0 and up to 1
}

// HotPa is the mean strength hot, Pa gauge.
func (s Strength) HotPa() float64 { return s.Cold.MeanPa * s.HotFactor }

// Generation is the gas that a runaway gives: rate (mol/s) and temperature (K)
// over time (s, increasing), linear between the points and nothing outside
// them. TemperatureK has one element for all times, or one a point.
type Generation struct {
	TimeS        []float64
	RateMolS     []float64
	TemperatureK []float64
}

// Inside says how gas travels within the cell. The zero value is a well-mixed
// cell. Slices >= 2 cuts the cell along its axis; slice 0 is at the top vent.
// It is an estimate only: isothermal flow through the core (a duct) beside the
// jelly roll (a porous body).
type Inside struct {
	Slices         int     // 0 or 1: well mixed; at most 200
	LengthM        float64 // of the jelly roll
	CoreDiameterM  float64 // of the open core; 0: closed
	Friction       float64 // Darcy's factor of the core; 0 is read as 0.05 (rough)
	RollAreaM2     float64 // cross-section of the jelly roll
	PermeabilityM2 float64 // of the jelly roll along the axis
	HeadspaceM3    float64 // of the free volume, at the top
	Seat           float64 // where the gas arises: 0 at the top, 1 at the bottom
	ZoneM          float64 // length over which it arises; 0: the whole cell
}

// VentingCase is one cell in one runaway. Pressures of features are gauge,
// those of the surroundings absolute.
type VentingCase struct {
	Gas        flow.Mixture
	FreeVolume float64 // m³, what the gas can fill
	AmbientPa  float64 // absolute
	StartK     float64 // gas in the cell before the runaway
	Generation Generation
	Top        Vent
	Bottom     *Vent // nil: none
	Housing    Strength
	Inside     Inside
	WallWPerK  float64 // heat from the roll to the gas; only where Thermal
	Thermal    bool    // solve for the gas's temperature (well mixed only)
	TailS      float64 // simulated after the last point of the generation
}

// VentOpened is one opening of the simulation.
type VentOpened struct {
	Feature    string
	TimeS      float64
	PressurePa float64 // gauge, at the feature
}

// VentingResult is what a simulation says. Pressures are gauge.
type VentingResult struct {
	PeakPa       float64 // highest in the cell, as if the housing held
	PeakTimeS    float64
	PeakSlice    int // 0 at the top
	Openings     []VentOpened
	HotPa        float64 // what the housing bears hot
	ColdPa       float64
	Holds        bool // peak below the hot strength
	HoldsCold    bool
	BreachTimeS  float64 // NaN where it holds
	MarginPa     float64 // hot strength less peak
	DifferencePa float64 // largest between the ends of the cell
	ReleasedMol  float64 // through the vents
	ChokedAtPeak bool    // the top vent, where it is open
	PeakGasK     float64 // gas temperature at the peak
	Z            float64 // compressibility factor at the peak; the simulation takes 1
	Steps        int
	Curve        []VentingPoint
}

// VentingPoint is one moment of the simulation, gauge.
type VentingPoint struct{ TimeS, TopPa, BottomPa float64 }

// Rate is the generation at t, mol/s.
func (g *Generation) Rate(t float64) float64 { return table(g.TimeS, g.RateMolS, t, 0) }

// Temperature is that of the gas at t, K; before the first and after the last
// point it is theirs.
func (g *Generation) Temperature(t float64) float64 {
	if len(g.TemperatureK) == 1 {
		return g.TemperatureK[0]
	}
	n := len(g.TimeS) - 1
	switch {
	case t <= g.TimeS[0]:
		return g.TemperatureK[0]
	case t >= g.TimeS[n]:
		return g.TemperatureK[n]
	}
	return table(g.TimeS, g.TemperatureK, t, 0)
}

// Amount is the gas of the whole generation, mol.
func (g *Generation) Amount() float64 {
	sum := 0.0
	for i := 1; i < len(g.TimeS); i++ {
		sum += (g.TimeS[i] - g.TimeS[i-1]) * (g.RateMolS[i] + g.RateMolS[i-1]) / 2
	}
	return sum
}

// Hottest is the temperature at the highest rate, K: where the gas's properties
// are taken.
func (g *Generation) Hottest() float64 {
	best := 0
	for i, r := range g.RateMolS {
		if r > g.RateMolS[best] {
			best = i
		}
	}
	return g.Temperature(g.TimeS[best])
}

// table is linear between the points of (x, y) and out beyond them.
func table(x, y []float64, at, out float64) float64 {
	n := len(x)
	if at < x[0] || at > x[n-1] {
		return out
	}
	lo, hi := 0, n-1
	for hi-lo > 1 {
		if mid := (lo + hi) / 2; x[mid] <= at {
			lo = mid
		} else {
			hi = mid
		}
	}
	return y[lo] + (y[hi]-y[lo])*(at-x[lo])/(x[hi]-x[lo])
}

// Pulse is a generation of amount (mol) over duration (s) from start (s) at one
// temperature (K). Its shape is triangle, half-sine or rectangle.
func Pulse(shape string, amount, start, duration, kelvin float64) (Generation, error) {
	if !(amount > 0) || !(duration > 0) || !(kelvin > 0) || !(start >= 0) || math.IsInf(amount+start+duration+kelvin, 0) {
		return Generation{}, fmt.Errorf("pulse of %g mol over %g s from %g s at %g K: give positive numbers", amount, duration, start, kelvin)
	}
	var at, height []float64
	switch shape {
	case "triangle":
		at, height = []float64{0, 0.5, 1}, []float64{0, 2, 0}
	case "rectangle":
		at, height = []float64{0, 1}, []float64{1, 1}
	case "half-sine":
		for i := range 65 {
			x := float64(i) / 64
			at, height = append(at, x), append(height, math.Pi/2*math.Sin(math.Pi*x))
		}
	default:
		return Generation{}, fmt.Errorf("pulse shape %q: use triangle, half-sine or rectangle", shape)
	}
	g := Generation{TemperatureK: []float64{kelvin}}
	for i := range at {
		g.TimeS = append(g.TimeS, start+at[i]*duration)
		g.RateMolS = append(g.RateMolS, height[i])
	}
	scale := amount / g.Amount()
	for i := range g.RateMolS {
		g.RateMolS[i] *= scale
	}
	return g, nil
}

// Check says what of a case can't be.
func (c *VentingCase) Check() error {
	switch {
	case len(c.Gas) == 0:
		return fmt.Errorf("no gas given: name its composition")
	case !positive(c.FreeVolume):
		return fmt.Errorf("free volume %g m³: give a positive one", c.FreeVolume)
	case !positive(c.AmbientPa) || !positive(c.StartK):
		return fmt.Errorf("ambient %g Pa absolute, start at %g K: both have to be positive", c.AmbientPa, c.StartK)
	case !positive(c.Housing.Cold.MeanPa) || !(c.Housing.HotFactor > 0 && c.Housing.HotFactor <= 1):
		return fmt.Errorf("housing of %g Pa with hot factor %g: give a positive gauge pressure and a factor above 0 and up to 1", c.Housing.Cold.MeanPa, c.Housing.HotFactor)
	}
	if err := c.Generation.check(); err != nil {
		return err
	}
	if err := c.Top.check(TopVent); err != nil {
		return err
	}
	if c.Bottom != nil {
		if err := c.Bottom.check(BottomVent); err != nil {
			return err
		}
	}
	return c.Inside.check(c)
}

func positive(x float64) bool { return x > 0 && !math.IsInf(x, 0) }

func (g *Generation) check() error {
	n := len(g.TimeS)
	if n < 2 || len(g.RateMolS) != n || (len(g.TemperatureK) != 1 && len(g.TemperatureK) != n) {
		return fmt.Errorf("generation of %d times, %d rates and %d temperatures: give two or more points, and one temperature or one a point", n, len(g.RateMolS), len(g.TemperatureK))
	}
	for i := range g.TimeS {
		if math.IsNaN(g.TimeS[i]) || math.IsInf(g.TimeS[i], 0) || i > 0 && !(g.TimeS[i] > g.TimeS[i-1]) {
			return fmt.Errorf("generation point %d at %g s: times have to increase", i+1, g.TimeS[i])
		}
		if !(g.RateMolS[i] >= 0) || math.IsInf(g.RateMolS[i], 0) {
			return fmt.Errorf("generation point %d: %g mol/s: give a rate of 0 or more", i+1, g.RateMolS[i])
		}
	}
	for _, T := range g.TemperatureK {
		if !positive(T) {
			return fmt.Errorf("gas at %g K: give a positive temperature", T)
		}
	}
	if !(g.Amount() > 0) {
		return fmt.Errorf("the generation gives no gas: give at least one positive rate")
	}
	return nil
}

func (v *Vent) check(name string) error {
	switch {
	case !positive(v.Opening.MeanPa) || !(v.Opening.SDPa >= 0) || math.IsInf(v.Opening.SDPa, 0) || v.Opening.Pieces < 0 || v.Opening.Pieces == 1:
		return fmt.Errorf("%s opens at %g Pa (s %g Pa, n %d): give a positive gauge pressure, a standard deviation of 0 or more, and n of 0 or at least 2", name, v.Opening.MeanPa, v.Opening.SDPa, v.Opening.Pieces)
	case !(v.AreaM2 >= 0) || math.IsInf(v.AreaM2, 0) || !(v.Discharge > 0 && v.Discharge <= 1):
		return fmt.Errorf("%s of %g m² with discharge coefficient %g: give an area of 0 or more and a coefficient above 0 and up to 1", name, v.AreaM2, v.Discharge)
	case !(v.OpenFraction >= 0 && v.OpenFraction <= 1) || !(v.OpenTimeS >= 0) || math.IsInf(v.OpenTimeS, 0):
		return fmt.Errorf("%s with open fraction %g and opening time %g s: give a fraction from 0 to 1 and a time of 0 or more", name, v.OpenFraction, v.OpenTimeS)
	}
	return nil
}

func (in *Inside) check(c *VentingCase) error {
	if in.Slices < 2 {
		return nil
	}
	switch {
	case in.Slices > 200:
		return fmt.Errorf("%d slices: use at most 200", in.Slices)
	case c.Thermal:
		return fmt.Errorf("a cell in slices is isothermal: leave the wall's heat out, or the slices")
	case !positive(in.LengthM) || !(in.CoreDiameterM >= 0) || !(in.RollAreaM2 >= 0) || !(in.PermeabilityM2 >= 0):
		return fmt.Errorf("cell of %g m with a core of %g m and a roll of %g m² and %g m²: give a positive length and the others of 0 or more", in.LengthM, in.CoreDiameterM, in.RollAreaM2, in.PermeabilityM2)
	case in.CoreDiameterM == 0 && !(in.RollAreaM2*in.PermeabilityM2 > 0):
		return fmt.Errorf("neither an open core nor a permeable roll: no gas could move along the cell")
	case !(in.HeadspaceM3 >= 0) || in.HeadspaceM3 >= c.FreeVolume:
		return fmt.Errorf("headspace of %g m³ in a free volume of %g m³: give less than the whole", in.HeadspaceM3, c.FreeVolume)
	case !(in.Seat >= 0 && in.Seat <= 1) || !(in.ZoneM >= 0) || !(in.Friction >= 0):
		return fmt.Errorf("seat %g, zone %g m, friction %g: give a seat from 0 (top) to 1 (bottom) and the others of 0 or more", in.Seat, in.ZoneM, in.Friction)
	}
	return nil
}
