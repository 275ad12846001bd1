package analysis

import (
	"fmt"
	"math"
)

const (
	leakBlocks  = 32 // means of so many stretches are fitted: their scatter holds slow noise too
	leakSamples = 64 // least number of sound readings
)

// A Hold is the pressure of a shut fixture over time.
type Hold struct {
	T  []float64 // s
	P  []float64 // Pa absolute; NaN: missing
	TK []float64 // gas temperature at the same times, K; nil: not measured
	// Temperature of the gas, K; its U is how much it may have drifted from the
	// beginning to the end of the hold where TK is nil, as a standard uncertainty.
	Temperature Measured
	GainU       float64  // relative standard uncertainty of the pressure's gain
	Volume      Measured // m3; zero: not known
}

// A Leak is the outcome of a leak check. The rate is positive where the fixture
// loses gas.
type Leak struct {
	Rate      Determination  `json:"rate_Pa_s"`           // fall of pressure, at constant temperature
	Flow      *Determination `json:"flow_Pa_m3_s"`        // rate times volume; nil without a volume
	HoldS     float64        `json:"hold_s"`              // how long was looked
	Samples   int            `json:"samples"`             // sound readings
	MeanPa    float64        `json:"mean_Pa"`             // absolute
	Corrected bool           `json:"temperature_counted"` // the gas temperature was measured and counted
}

// Check fits the fall of pressure: by least squares over the means of up to 32
// stretches, each reading brought to the mean temperature by p*Tm/T where the
// temperature is measured. The fit's uncertainty comes from the scatter of the
// means, so that drifts and hum are in it.
func (h *Hold) Check() (Leak, error) {
	var l Leak
	if len(h.P) != len(h.T) || h.TK != nil && len(h.TK) != len(h.T) {
		return l, fmt.Errorf("leak check: %d times, %d pressures, %d temperatures: give one each", len(h.T), len(h.P), len(h.TK))
	}
	t, p, mean, err := h.sound()
	if err != nil {
		return l, err
	}
	l.Samples, l.HoldS, l.Corrected = len(t), t[len(t)-1]-t[0], h.TK != nil
	tb, pb := blockMeans(t, p)
	slope, u, err := slopeOf(tb, pb)
	if err != nil {
		return l, err
	}
	for _, x := range p {
		l.MeanPa += x / float64(len(p))
	}
	l.Rate.Value = -slope
	l.Rate.add("scatter of the pressure", 1, u)
	l.Rate.add("gain of the pressure", slope, h.GainU)
	if h.TK == nil {
		// p/T is what stays without a leak: a drift of the gas of dT over the hold
		// looks like one of p dT/T.
		l.Rate.add("drift of the gas temperature", l.MeanPa/mean/l.HoldS, h.Temperature.U)
	}
	if h.Volume.Value > 0 {
		f := Determination{Measured: Measured{Value: l.Rate.Value * h.Volume.Value}}
		f.add("rate", h.Volume.Value, l.Rate.U)
		f.add("volume", l.Rate.Value, h.Volume.U)
		l.Flow = &f
	}
	return l, nil
}

// sound returns the sound readings, brought to the mean temperature.
func (h *Hold) sound() (t, p []float64, mean float64, err error) {
	mean = h.Temperature.Value
	if h.TK != nil {
		n := 0.0
		mean = 0
		for i := range h.TK {
			if h.TK[i] > 0 && h.P[i]-h.P[i] == 0 {
				n++
				mean += (h.TK[i] - mean) / n
			}
		}
	}
	if !(mean > 0) {
		return nil, nil, 0, fmt.Errorf("leak check: the gas temperature is %g K: give it in K above zero", mean)
	}
	for i := range h.T {
		x := h.P[i]
		if h.TK != nil {
			x *= mean / h.TK[i]
		}
		if x-x != 0 || h.T[i]-h.T[i] != 0 {
			continue
		}
		if !(x > 0) {
			return nil, nil, 0, fmt.Errorf("leak check: %g Pa at %g s is no absolute pressure: give pressures from vacuum, not gauge", x, h.T[i])
		}
		t, p = append(t, h.T[i]), append(p, x)
	}
	if len(t) < leakSamples {
		return nil, nil, 0, fmt.Errorf("leak check: %d sound readings, at least %d are needed: hold longer", len(t), leakSamples)
	}
	return t, p, mean, nil
}

// blockMeans returns the means of up to leakBlocks stretches of equal number.
func blockMeans(t, p []float64) (tb, pb []float64) {
	for k := range leakBlocks {
		a, b := k*len(t)/leakBlocks, (k+1)*len(t)/leakBlocks
		var st, sp float64
		for i := a; i < b; i++ {
			st += t[i] - t[a]
			sp += p[i] - p[a]
		}
		n := float64(b - a)
		tb, pb = append(tb, t[a]+st/n), append(pb, p[a]+sp/n)
	}
	return tb, pb
}

// slopeOf fits a straight line and returns its slope with the standard
// uncertainty that the scatter gives it.
func slopeOf(x, y []float64) (slope, u float64, err error) {
	n := float64(len(x))
	var mx, my float64
	for i := range x {
		mx += x[i] / n
		my += y[i] / n
	}
	var sxx, sxy float64
	for i := range x {
		sxx += (x[i] - mx) * (x[i] - mx)
		sxy += (x[i] - mx) * (y[i] - my)
	}
	if !(sxx > 0) {
		return 0, 0, fmt.Errorf("leak check: all readings have the same time: a rate can't be told")
	}
	slope = sxy / sxx
	var rss float64
	for i := range x {
		r := y[i] - my - slope*(x[i]-mx)
		rss += r * r
	}
	return slope, math.Sqrt(rss / (n - 2) / sxx), nil
}

// A Verdict on a measured value against a limit.
type Verdict string

const (
	Within    Verdict = "within"    // with 95 % coverage at or below the limit
	Beyond    Verdict = "beyond"    // with 95 % coverage above it
	Undecided Verdict = "undecided" // the uncertainty spans the limit
)

// Against compares with an upper limit, guarded by the expanded uncertainty
// (k = 2) on both sides (JCGM 106, 8.3.3: guarded acceptance).
func (m Measured) Against(limit float64) Verdict {
	switch {
	case m.Value+2*m.U <= limit:
		return Within
	case m.Value-2*m.U > limit:
		return Beyond
	}
	return Undecided
}
