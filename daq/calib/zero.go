package calib

import (
	"fmt"
	"math"
)

// ZeroMinSamples is the least number of samples from which a zero is taken: a
// line and its scatter need some.
const ZeroMinSamples = 16

// A Zero is a zero taken with the line open to air, in the channel's unit.
type Zero struct {
	Value  float64 `json:"value"`   // the new Curve.Zero
	U      float64 `json:"u"`       // its standard uncertainty, from the scatter alone
	Slope  float64 `json:"slope"`   // drift per second while it was taken
	SlopeU float64 `json:"slope_u"` // standard uncertainty of the drift
	Noise  float64 `json:"noise"`   // standard deviation about the line
	N      int     `json:"n"`
}

// TakeZero takes a zero from readings v, in the channel's unit as this curve
// gives them (its present Zero subtracted), at times t in s. want is what they
// should read: 0 for a gauge channel, the barometer's absolute pressure for an
// absolute one. The zero is refused, with an error, when fewer than
// ZeroMinSamples are sound (NaN is skipped), when no limits are set, or when its
// magnitude, its drift, or the drift's own uncertainty is beyond its limit: a
// zero taken under pressure would shift every result of the run.
func (c Curve) TakeZero(t, v []float64, want float64) (Zero, error) {
	if len(t) != len(v) {
		return Zero{}, fmt.Errorf("zero: %d times for %d readings: give one each", len(t), len(v))
	}
	if !(c.ZeroLimit > 0) || !(c.ZeroSlopeLimit > 0) {
		return Zero{}, fmt.Errorf("zero: zero_limit = %g, zero_slope_limit = %g: state both above 0 before a zero is taken", c.ZeroLimit, c.ZeroSlopeLimit)
	}
	if math.IsNaN(want) || math.IsInf(want, 0) {
		return Zero{}, fmt.Errorf("zero: what the channel should read is %g: give 0 for gauge or the barometer's value for absolute", want)
	}
	z, err := line(t, v)
	if err != nil {
		return z, err
	}
	z.Value += c.Zero - want
	switch {
	case !(math.Abs(z.Value) <= c.ZeroLimit):
		err = fmt.Errorf("zero: %.6g is beyond zero_limit = %g: is the line open to air, and the range and unit right?", z.Value, c.ZeroLimit)
	case !(z.SlopeU <= c.ZeroSlopeLimit):
		err = fmt.Errorf("zero: the drift is known to only %.6g per s, zero_slope_limit = %g: take the zero over a longer time", z.SlopeU, c.ZeroSlopeLimit)
	case !(math.Abs(z.Slope) <= c.ZeroSlopeLimit):
		err = fmt.Errorf("zero: the reading drifts by %.6g per s, zero_slope_limit = %g: let pressure and temperature come to rest, then take it again", z.Slope, c.ZeroSlopeLimit)
	}
	return z, err
}

// line fits a straight line by least squares; Value is its value in the middle
// of the times, the mean of v.
func line(t, v []float64) (Zero, error) {
	var z Zero
	var mt, mv float64
	for i := range v {
		if !finite(t[i]) || !finite(v[i]) {
			continue
		}
		z.N++
		mt += (t[i] - mt) / float64(z.N)
		mv += (v[i] - mv) / float64(z.N)
	}
	if z.N < ZeroMinSamples {
		return z, fmt.Errorf("zero: %d sound readings, at least %d are needed: take it over a longer time", z.N, ZeroMinSamples)
	}
	var stt, stv, svv float64
	for i := range v {
		if finite(t[i]) && finite(v[i]) {
			dt, dv := t[i]-mt, v[i]-mv
			stt += dt * dt
			stv += dt * dv
			svv += dv * dv
		}
	}
	if !(stt > 0) {
		return z, fmt.Errorf("zero: all readings have the same time %g s: a drift can't be told", mt)
	}
	z.Value, z.Slope = mv, stv/stt
	z.Noise = math.Sqrt(math.Max(0, svv-z.Slope*stv) / float64(z.N-2))
	z.U = z.Noise / math.Sqrt(float64(z.N))
	z.SlopeU = z.Noise / math.Sqrt(stt)
	return z, nil
}

func finite(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }
