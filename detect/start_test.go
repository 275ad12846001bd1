package detect

import (
	"fmt"
	"math"
	"testing"
)

// TestStart has traces begin shortly before an opening, as a triggered recorder
// keeps them, and traces that begin amid what comes and goes and on which
// nothing opens.
func TestStart(t *testing.T) {
	early := func(rate, at float64) scene {
		return scene{rate: rate, length: 2, start: ambientPa + 12e5, sigma: 400, lag: 0.5e-3, ramp: func(float64) float64 { return 1e5 },
			openings: []opening{{t: at, width: 1e-3, k: 20}}}
	}
	still := func(rate float64, change func(*scene)) scene {
		s := scene{rate: rate, length: 2.5, start: ambientPa + 12e5, sigma: 400, ramp: func(float64) float64 { return 1e5 }}
		change(&s)
		return s
	}
	for i, s := range []scene{
		early(500, 0.4), early(1000, 0.25), early(2400, 0.16), early(10000, 0.12),
		still(1000, func(s *scene) { s.hum, s.humHz = 5000, 50 }),
		still(10000, func(s *scene) { s.hum, s.humHz = 5000, 16.7 }),
		still(2400, func(s *scene) { s.pump, s.pumpHz = 8000, 9.9 }),
		still(10000, func(s *scene) { s.pump, s.pumpHz = 4000, 4.6 }),
		still(500, func(s *scene) {
			s.ramp = func(now float64) float64 {
				if now < 0.4 {
					return 0
				}
				return 1e5
			}
		}),
	} {
		t.Run(fmt.Sprintf("%g Hz %d", s.rate, i), func(t *testing.T) {
			if n, told := openingsOf(&s, uint64(100+i)); n != len(s.openings) {
				t.Errorf("seed %d, %d: told %s of %d openings", *goalSeed, 100+i, told, len(s.openings))
			}
		})
	}
}

// TestVentOnAStep has a vent open on top of a regulator's step, before a baseline
// has grown there, late in a long trace; and steps and pulses alone.
func TestVentOnAStep(t *testing.T) {
	for i, c := range []struct {
		rate, at, after float64
		size            float64
		vents           bool
	}{{1000, 2, 0.020, 1e5, true}, {500, 9, 0.045, 1e5, true}, {2000, 1.5, 0.025, 0.7e5, true}, {1000, 2, 0, 1e5, false}, {500, 9, 0, 0.3e5, false}} {
		s := scene{rate: c.rate, length: c.at + 1, start: ambientPa + 20e5, sigma: 300, lag: 0.2e-3, ramp: func(float64) float64 { return 2e4 },
			step: func(now float64) float64 { return c.size * min(1, max(0, (now-c.at)/0.012)) }}
		if c.vents {
			s.openings = []opening{{t: c.at + c.after, width: 0.5e-3, k: 20}}
		}
		if n, told := openingsOf(&s, uint64(200+i)); n != len(s.openings) {
			t.Errorf("%g Hz, %g s after the step (seed %d, %d): told %s of %d openings", c.rate, c.after, *goalSeed, 200+i, told, len(s.openings))
		}
	}
}

// TestRefill has a vent shut after a few milliseconds and the supply fill up what
// it let out, at a rate at which even a fall at once takes some samples' time.
func TestRefill(t *testing.T) {
	s := scene{rate: 500, length: 5, start: ambientPa + 28e5, sigma: 1500, lag: 0.1e-3, ramp: func(now float64) float64 {
		if now > 3 {
			return 6e3 + 1.4e5*math.Exp(-(now-3)/0.8)
		}
		return 6e3
	}, openings: []opening{{t: 3.001, width: 0.4e-3, k: 26, shut: 3.003}}}
	if n, told := openingsOf(&s, 300); n != 1 {
		t.Errorf("seed %d, 300: told %s of one opening", *goalSeed, told)
	}
}
