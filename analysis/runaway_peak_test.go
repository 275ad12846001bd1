package analysis

import (
	"testing"

	"ventward/detect"
)

// A couple that is lost during the runaway gives a peak "at least"; what it read
// once it had failed is none, however high; one lost when the cell had cooled,
// or for less than a second, hides nothing.
func TestPeakOfALostCouple(t *testing.T) {
	const s = int64(1e9)
	for _, c := range []struct {
		name     string
		fault    detect.Fault
		from, to int64 // s
		stuck    float64
		want     float64
		doubted  bool
	}{
		{"none", "", 0, 0, 0, 620, false},
		{"open on the rise", detect.FaultOpen, 105, 300, 0, 220, true},
		{"stuck at its end", detect.FaultFrozen, 105, 300, 1372, 220, true},
		{"gap on the rise, back at the top", detect.FaultGap, 105, 110, 0, 620, false},
		{"gap over the top", detect.FaultGap, 118, 160, 0, 545, true},
		{"lost when cooled", detect.FaultOpen, 250, 300, 0, 620, false},
		{"spike", detect.FaultSpike, 118, 160, 0, 620, false},
	} {
		r := NewRunaway(vesselRun{}.options(), 0)
		r.Event(&detect.Event{ID: 1, Kind: detect.Runaway, Onset: 100 * s})
		skin := func(now int64) float64 {
			switch {
			case now < 100:
				return float64(20 + now)
			case now < 120:
				return float64(120 + (now-100)*25)
			}
			return float64(max(620-(now-120)*5, 25))
		}
		for now := int64(1); now < 300; now++ {
			v := skin(now)
			if c.fault != "" && c.fault != detect.FaultSpike && now >= c.from && now < c.to {
				if c.stuck == 0 || now > c.from+2 {
					continue // no reading, or known for none
				}
				v = c.stuck
			}
			r.hot.take(now*s, v)
			if c.fault != "" && now == c.from+2 {
				r.Event(&detect.Event{ID: 2, Kind: detect.SensorFault, Fault: c.fault, Channel: 1, Onset: c.from * s})
			}
		}
		if c.fault != "" {
			r.Event(&detect.Event{ID: 2, Rev: 2, Kind: detect.SensorFault, Fault: c.fault, Channel: 1, Onset: c.from * s, End: c.to * s})
		}
		x := r.Result()
		if x.PeakC == nil {
			t.Fatalf("%s: no peak", c.name)
		}
		if d := *x.PeakC - c.want; d > 0 || d < -26 || (x.PeakDoubt != "") != c.doubted {
			t.Errorf("%s: %.0f °C, doubt %q, want %.0f", c.name, *x.PeakC, x.PeakDoubt, c.want)
		}
	}
}
