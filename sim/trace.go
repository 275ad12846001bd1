package sim

import (
	"fmt"
	"math"

	"ventward/daq"
)

// Trace is a scenario played without terminals: what one instrument would
// have delivered, and what really happened. Times are ns from its start.
type Trace struct {
	Scenario   Scenario
	Instrument daq.Instrument
	Fixture    Fixture
	Liquid     bool
	RateHz     float64
	T          []int64  // time of each row, ns; rows that were lost are not there
	Lost       []uint32 // rows lost before each row
	Series     []Series // by column
	Truth      []Truth  // in the order of their start
	Span       int64    // ns, how long it lasts
	features   []Feature
}

// Series is one channel of a trace.
type Series struct {
	Channel daq.Channel
	Raw     []float64 // as the converter gave it
	// V is the reading by the certificate's curve, in the channel's unit: with
	// noise, calibration error, rounding and faults.
	V []float64
	// Clean is what the transducer's output would be without noise,
	// calibration error, rounding and faults: the truth behind the impulse line
	// and the transducer's lag.
	Clean []float64
	// Sigma is the standard deviation of the noise of one reading, without hum
	// and rounding.
	Sigma float64
	LagS  float64 // true time constant
}

// Channels is the trace's channel table.
func (tr *Trace) Channels() []daq.Channel {
	out := make([]daq.Channel, len(tr.Series))
	for i := range tr.Series {
		out[i] = tr.Series[i].Channel
	}
	return out
}

// Batches gives the trace as the readings of one instrument, rows rows each
// at most; a batch ends where rows were lost. The rows carry their own times.
func (tr *Trace) Batches(rows int) []*daq.Batch {
	var out []*daq.Batch
	n := len(tr.Series)
	for i := 0; i < len(tr.T); {
		j := i + 1
		for j < len(tr.T) && j-i < rows && tr.Lost[j] == 0 {
			j++
		}
		b := &daq.Batch{N: n, K: j - i, Lost: tr.Lost[i], Newest: true, Times: tr.T[i:j:j], Arrived: tr.T[j-1]}
		for k := i; k < j; k++ {
			for c := range tr.Series {
				b.Counts = append(b.Counts, int32(tr.Series[c].Raw[k]))
			}
		}
		out = append(out, b)
		i = j
	}
	return out
}

// Without plays the same scenario without the opening Truth[i], and returns
// the Clean series by column: what the trace would have gone on as. It is an
// error if that truth is no opening.
func (tr *Trace) Without(i int) ([][]float64, error) {
	if i < 0 || i >= len(tr.Truth) || !tr.Truth[i].Opens() {
		return nil, fmt.Errorf("truth %d is no opening", i)
	}
	which := -1
	for f := range tr.features {
		if tr.features[f].Name == tr.Truth[i].Feature {
			which = f
		}
	}
	other, err := play(tr.Scenario, which)
	if err != nil {
		return nil, err
	}
	out := make([][]float64, len(other.Series))
	for c := range other.Series {
		out[c] = other.Series[c].Clean
	}
	return out, nil
}

// value is the reading by the certificate's curve.
func value(c *daq.Channel, raw float64) float64 {
	scale := c.Curve.ScaleGain
	if scale == 0 {
		scale = 1
	}
	return c.Curve.Gain*(scale*raw+c.Curve.ScaleOffset) + c.Curve.Offset - c.Curve.Zero
}

// rail is the largest count of a converter of 24 bits.
const rail = 1<<23 - 1

// converter is a linear curve of step Pa a count whose range ends at high.
func converter(step, high float64) (lo, hi float64) {
	n := math.Ceil(1.1 * high / step)
	return -math.Max(10, math.Ceil(0.1*n)), math.Min(n, rail)
}
