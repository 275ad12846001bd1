package analysis

import (
	"fmt"
	"math"
)

// A Finger is what a thermocouple did while it was warmed between two fingers.
type Finger struct {
	Channel   string        `json:"channel"`
	BaseC     float64       `json:"base_C"`          // median before
	RiseC     float64       `json:"rise_C"`          // highest above it
	FallC     float64       `json:"fall_C"`          // lowest below it, as a positive number
	NoiseC    float64       `json:"noise_C"`         // standard deviation, from second differences
	PeakS     float64       `json:"peak_s"`          // time of the larger of both
	MissingPC float64       `json:"missing_percent"` // readings that were none
	Verdict   FingerVerdict `json:"verdict"`
}

// FingerVerdict is what the warm finger says of a thermocouple.
type FingerVerdict string

const (
	FingerGood     FingerVerdict = "good"        // it rose
	FingerReversed FingerVerdict = "reversed"    // it fell: the wires are exchanged
	FingerNothing  FingerVerdict = "no response" // it stayed: not touched, shorted before the tip, or another channel's
	FingerOpen     FingerVerdict = "open"        // it gives no readings
)

const (
	fingerLeastC   = 1.5 // K that a finger warms a thermocouple by, at least (common practice, no source)
	fingerNoises   = 8   // and so many standard deviations of its noise
	fingerMissing  = 0.5 // part of the readings from which on it counts as open
	fingerSamples  = 20  // least number of readings
	fingerBaseline = 0.2 // part of the trace that counts as before
)

// WarmFinger judges a thermocouple's trace, t in s and v in °C (NaN: missing):
// the first fifth is the baseline; the readings are freed from single spikes by
// the median of three.
func WarmFinger(channel string, t, v []float64) (Finger, error) {
	f := Finger{Channel: channel}
	if len(t) != len(v) || len(t) < fingerSamples {
		return f, fmt.Errorf("warm finger, channel %s: %d times and %d readings: at least %d of each are needed", channel, len(t), len(v), fingerSamples)
	}
	var ts, s []float64
	for i := range v {
		if v[i]-v[i] == 0 {
			ts, s = append(ts, t[i]), append(s, v[i])
		}
	}
	f.MissingPC = 100 * (1 - float64(len(s))/float64(len(v)))
	if len(s) < fingerSamples || f.MissingPC > 100*fingerMissing {
		f.Verdict = FingerOpen
		return f, nil
	}
	f.NoiseC = scatter(s)
	f.BaseC = median(s[:max(3, int(fingerBaseline*float64(len(s))))])
	at := [2]float64{}
	for i := 1; i < len(s)-1; i++ {
		d := median(s[i-1:i+2]) - f.BaseC
		if d > f.RiseC {
			f.RiseC, at[0] = d, ts[i]
		}
		if -d > f.FallC {
			f.FallC, at[1] = -d, ts[i]
		}
	}
	least := math.Max(fingerLeastC, fingerNoises*f.NoiseC)
	switch {
	case f.RiseC < least && f.FallC < least:
		f.Verdict = FingerNothing
	case f.RiseC >= f.FallC:
		f.Verdict, f.PeakS = FingerGood, at[0]
	default:
		f.Verdict, f.PeakS = FingerReversed, at[1]
	}
	return f, nil
}

// scatter is the standard deviation of white noise on a smooth course, from the
// median of the absolute second differences: 1/0.6745 for the median of a
// normal, 1/sqrt(6) for the weights 1, -2, 1.
func scatter(v []float64) float64 {
	if len(v) < 3 {
		return 0
	}
	d := make([]float64, len(v)-2)
	for i := range d {
		d[i] = math.Abs(v[i] - 2*v[i+1] + v[i+2])
	}
	return median(d) / 0.67449 / math.Sqrt(6)
}
