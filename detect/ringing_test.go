package detect

import (
	"math/rand/v2"
	"testing"
)

// TestRingingOfAFastFall has the line ring while the pressure falls so fast that
// it never comes up: the fall only slackens and hastens again. That is one
// opening; a hole three times as large that opens meanwhile is another.
func TestRingingOfAFastFall(t *testing.T) {
	for i, second := range []bool{false, true, false, true, false, true} {
		s := scene{rate: 10000, length: 3, start: ambientPa + 25e5, sigma: 500, lag: 0.2e-3, gauge: true,
			ringHz: 350 + 25*float64(i), ringTau: 4e-3, openings: []opening{{t: 2, width: 0.2e-3, k: 40}}}
		s.ramp = func(float64) float64 { return 0.5e5 }
		s.ring = 0.7 * 40 * 26e5 / (6.283 * s.ringHz)
		if second {
			s.openings = append(s.openings, opening{t: 2.0053, width: 0.2e-3, k: 120})
		}
		seed := 640 + uint64(i)
		ev := run(benchOf(&s), s.samples(rand.New(rand.NewPCG(*goalSeed, seed))))
		opens := 0
		for _, e := range ev {
			if e.Opens() {
				opens++
			}
		}
		if opens != len(s.openings) {
			t.Errorf("%g Hz (seed %d, %d): %d openings, told %s", s.ringHz, *goalSeed, seed, len(s.openings), kinds(ev))
		}
	}
}

// TestRingingOnAnEmptyVesselIsNoSpike has the housing break, so that the line
// rings on next to nothing: its swings are not the sensor's doing. Spikes of one
// to three samples among them are.
func TestRingingOnAnEmptyVesselIsNoSpike(t *testing.T) {
	for i := range uint64(16) {
		s := scene{rate: 10000, length: 2.5, start: ambientPa + 45e5, sigma: 2400, lag: 0.25e-3, gauge: true,
			ringHz: 500 + 75*float64(i), ringTau: 3e-3, ring: 0.25 * 900 * 46e5 / (6.283 * (500 + 75*float64(i))), openings: []opening{{t: 2 + 0.7e-3*float64(i), width: 0.2e-3, k: 900}}}
		s.ramp = func(float64) float64 { return 1e5 }
		for _, spikes := range []bool{false, true} {
			seed := 660 + i
			smp := s.samples(rand.New(rand.NewPCG(*goalSeed, seed)))
			for k := range smp {
				if since := k - 20400; spikes && since >= 0 && since < 300 && since%60 <= int(i%3) {
					smp[k].V += 4e5
				}
			}
			ev := run(benchOf(&s), smp)
			faults := 0
			for _, e := range ev {
				if e.Kind == SensorFault && e.Fault == FaultSpike {
					faults++
				}
			}
			if len(ev)-faults != 1 || !ev[0].Opens() || (faults > 0) != spikes {
				t.Errorf("%g Hz, spikes %v (seed %d, %d): told %s", s.ringHz, spikes, *goalSeed, seed, kinds(ev))
			}
		}
	}
}
