package analysis

import (
	"fmt"
	"math"

	"ventward/analysis/flow"
	"ventward/daq"
)

// A ReferenceState is the pressure and temperature that a volume of gas is
// stated at. "NTP" means different things to different people: the numbers are
// always printed.
type ReferenceState struct {
	PressurePa   float64
	TemperatureK float64
}

// The states in use. StateIUPAC is IUPAC's standard state of 1982; the others are
// common practice.
var (
	StateIUPAC = ReferenceState{100000, 273.15}
	StateAtm0  = ReferenceState{101325, 273.15}
	StateAtm20 = ReferenceState{101325, 293.15}
	StateAtm25 = ReferenceState{101325, 298.15}
)

// String prints the numbers, for example "at 25 °C and 1.01325 bar absolute".
func (s ReferenceState) String() string {
	return fmt.Sprintf("at %.4g °C and %.6g bar absolute", s.TemperatureK-273.15, s.PressurePa/1e5)
}

// MolarVolume is R·T/p, m³/mol.
func (s ReferenceState) MolarVolume() float64 { return flow.R * s.TemperatureK / s.PressurePa }

// Litres is the volume of n mol at the state, L.
func (s ReferenceState) Litres(n float64) float64 { return n * s.MolarVolume() * 1000 }

// LitresPerAh is that volume a capacity (Ah) of the cell.
func (s ReferenceState) LitresPerAh(n, capacityAh float64) (float64, error) {
	if !positive(capacityAh) {
		return 0, fmt.Errorf("capacity %g Ah: give the cell's rated capacity", capacityAh)
	}
	return s.Litres(n) / capacityAh, nil
}

// AbsolutePressure is a reading (Pa) of a channel with the reference given, Pa
// absolute, with the barometer's pressure. A reading that says neither gauge nor
// absolute is refused: taken for the wrong one it shifts an amount of gas by
// tens of per cent at low pressure.
func AbsolutePressure(reading float64, ref daq.Reference, barometer float64) (float64, error) {
	switch {
	case ref == daq.Absolute:
		return reading, nil
	case ref == daq.Gauge && positive(barometer):
		return reading + barometer, nil
	case ref == daq.Gauge:
		return 0, fmt.Errorf("a gauge pressure with a barometer of %g Pa: give the ambient pressure", barometer)
	}
	return 0, fmt.Errorf("pressure without reference: say gauge or absolute")
}

// Settled describes a closed vessel before the runaway and after it, settled:
// pressure and temperature steady and the gas at one temperature. U are
// standard uncertainties.
type Settled struct {
	VolumeM3, VolumeU   float64 // free volume: of the vessel less that of the cell
	BeforePa, BeforeK   float64 // absolute
	AfterPa, AfterK     float64
	OffsetU             float64 // Pa, of the channel's offset, common to both readings
	GainU               float64 // relative, of the channel's gain, common to both
	BeforeU, AfterU     float64 // Pa, of each reading by itself: noise
	BeforeKU, AfterKU   float64 // K, of the gas: the gradient counts more than the sensor
	LostMol, LostMolU   float64 // taken out between: samples, leaks
	Compressible, ZUrel float64 // factor Z after (0: 1), its relative uncertainty
}

// Amount is the gas (mol) that a runaway gave: V/R·(p2/(Z·T2) - p1/T1) + lost,
// the ideal gas with a stated correction, as a budget. The pressures are
// absolute.
func (s Settled) Amount() (Budget, error) {
	z := s.Compressible
	if z == 0 {
		z = 1
	}
	for _, x := range []float64{s.VolumeM3, s.BeforePa, s.BeforeK, s.AfterPa, s.AfterK, z} {
		if !positive(x) {
			return Budget{}, fmt.Errorf("settled state with %g: volume, absolute pressures, temperatures in K and Z have to be positive", x)
		}
	}
	return Budget{Name: "amount of gas", Unit: "mol", Inputs: []Input{
		{Name: "free volume", Unit: "m³", Value: s.VolumeM3, U: s.VolumeU},
		{Name: "pressure after", Unit: "Pa", Value: s.AfterPa, U: s.AfterU},
		{Name: "pressure before", Unit: "Pa", Value: s.BeforePa, U: s.BeforeU},
		{Name: "offset of the pressure channel", Unit: "Pa", U: s.OffsetU},
		{Name: "gain of the pressure channel", Unit: "-", Value: 1, U: s.GainU},
		{Name: "gas temperature after", Unit: "K", Value: s.AfterK, U: s.AfterKU},
		{Name: "gas temperature before", Unit: "K", Value: s.BeforeK, U: s.BeforeKU},
		{Name: "compressibility factor after", Unit: "-", Value: z, U: s.ZUrel * z},
		{Name: "gas taken out", Unit: "mol", Value: s.LostMol, U: s.LostMolU},
	}, Model: func(x []float64) float64 {
		p2, p1 := x[1]*x[4]+x[3], x[2]*x[4]+x[3]
		return x[0]/flow.R*(p2/(x[7]*x[5])-p1/x[6]) + x[8]
	}}, nil
}

// Moles is the gas in a vessel of free volume V (m³) at each sample, mol: p in Pa
// absolute, T in K, ideal. While the gas is hot and uneven this is a lower bound
// of sorts: the sensor of T is not the mean of the gas.
func Moles(p, T []float64, V float64) ([]float64, error) {
	if len(p) != len(T) || !positive(V) {
		return nil, fmt.Errorf("%d pressures, %d temperatures, %g m³: give as many of one as of the other and a positive volume", len(p), len(T), V)
	}
	n := make([]float64, len(p))
	for i := range n {
		n[i] = math.NaN()
		if T[i] > 0 && p[i] >= 0 {
			n[i] = p[i] * V / (flow.R * T[i])
		}
	}
	return n, nil
}

// Slope is the derivative of y by t at each sample: of the straight line fitted
// to all finite samples within window/2 of it (s), NaN where they are fewer than
// three. t increases. The window goes into every figure that comes of it: half
// the window more, and a short peak is lower.
func Slope(t, y []float64, window float64) ([]float64, error) {
	if len(t) != len(y) || !positive(window) {
		return nil, fmt.Errorf("%d times, %d values, window %g s: give as many of one as of the other and a positive window", len(t), len(y), window)
	}
	out := make([]float64, len(t))
	var sum regression
	lo, hi := 0, 0
	for i := range t {
		if i > 0 && !(t[i] > t[i-1]) {
			return nil, fmt.Errorf("sample %d at %g s after %g s: times have to increase", i+1, t[i], t[i-1])
		}
		for hi < len(t) && t[hi] <= t[i]+window/2 {
			sum.add(t[hi], y[hi], 1)
			hi++
		}
		for t[lo] < t[i]-window/2 {
			sum.add(t[lo], y[lo], -1)
			lo++
		}
		if i&0xff == 0 { // what rounding left in the sums goes
			sum = regression{t0: t[i]}
			for k := lo; k < hi; k++ {
				sum.add(t[k], y[k], 1)
			}
		}
		out[i] = sum.slope()
	}
	return out, nil
}

// regression holds the sums of a straight line's fit round t0.
type regression struct{ t0, n, x, y, xx, xy float64 }

func (r *regression) add(t, y, sign float64) {
	if math.IsNaN(y) || math.IsInf(y, 0) {
		return
	}
	x := t - r.t0
	r.n += sign
	r.x += sign * x
	r.y += sign * y
	r.xx += sign * x * x
	r.xy += sign * x * y
}

func (r *regression) slope() float64 {
	d := r.n*r.xx - r.x*r.x
	if r.n < 3 || !(d > 1e-12*r.n*r.xx) {
		return math.NaN()
	}
	return (r.n*r.xy - r.x*r.y) / d
}

// Steepest is the largest slope of y over t within the window (s), and when; ok
// is false where there is none. (dP/dt)max is always stated with its window.
func Steepest(t, y []float64, window float64) (slope, at float64, ok bool, err error) {
	d, err := Slope(t, y, window)
	if err != nil {
		return 0, 0, false, err
	}
	for i, v := range d {
		if !math.IsNaN(v) && (!ok || v > slope) {
			slope, at, ok = v, t[i], true
		}
	}
	return slope, at, ok, nil
}

// GenerationFrom is the generation curve of a measured vessel: the slope of its
// amount of gas over the window, negative slopes (cooling, noise) set to nought,
// thinned to at most points.
func GenerationFrom(t, moles, kelvin []float64, window float64, points int) (Generation, error) {
	d, err := Slope(t, moles, window)
	if err != nil {
		return Generation{}, err
	}
	if len(kelvin) != len(t) || points < 2 {
		return Generation{}, fmt.Errorf("%d temperatures for %d samples, %d points wanted: give one each and want two points or more", len(kelvin), len(t), points)
	}
	var g Generation
	step := max(1, (len(t)+points-1)/points)
	for from := 0; from < len(t); from += step {
		var ts, rs, ks, n float64
		for i := from; i < min(from+step, len(t)); i++ {
			if !math.IsNaN(d[i]) && kelvin[i] > 0 {
				ts, rs, ks, n = ts+t[i], rs+d[i], ks+kelvin[i], n+1
			}
		}
		if n > 0 {
			g.TimeS = append(g.TimeS, ts/n)
			g.RateMolS = append(g.RateMolS, math.Max(rs/n, 0))
			g.TemperatureK = append(g.TemperatureK, ks/n)
		}
	}
	return g, g.check()
}

// A MassBalance is a runaway's, in kg; U are standard uncertainties.
type MassBalance struct {
	Before, After    float64 // the cell
	Collected        float64 // solids and liquids found in the vessel
	GasMol           float64
	GasMolarMass     float64 // kg/mol
	WeighU, GasMolU  float64
	GasMolarMassUrel float64
}

// Unaccounted is the mass that left the cell and was neither collected nor gas,
// as a budget: vapour that condensed where nobody looked, a composition that
// was guessed.
func (m MassBalance) Unaccounted() (Budget, error) {
	if !positive(m.Before) || !(m.After >= 0) || !(m.After <= m.Before) || !(m.Collected >= 0) || !(m.GasMol >= 0) || !positive(m.GasMolarMass) {
		return Budget{}, fmt.Errorf("mass balance from %g kg to %g kg, %g kg collected, %g mol of %g kg/mol: give 0 <= after <= before and the others not negative", m.Before, m.After, m.Collected, m.GasMol, m.GasMolarMass)
	}
	return Budget{Name: "mass unaccounted for", Unit: "kg", Inputs: []Input{
		{Name: "cell before", Unit: "kg", Value: m.Before, U: m.WeighU},
		{Name: "cell after", Unit: "kg", Value: m.After, U: m.WeighU},
		{Name: "collected", Unit: "kg", Value: m.Collected, U: m.WeighU},
		{Name: "gas", Unit: "mol", Value: m.GasMol, U: m.GasMolU},
		{Name: "molar mass of the gas", Unit: "kg/mol", Value: m.GasMolarMass, U: m.GasMolarMassUrel * m.GasMolarMass},
	}, Model: func(x []float64) float64 { return x[0] - x[1] - x[2] - x[3]*x[4] }}, nil
}
