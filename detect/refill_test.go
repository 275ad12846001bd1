package detect

import (
	"math"
	"math/rand/v2"
	"testing"
)

// TestFilledUpAgain has a vent let out less than 3 % and shut, and a regulator make it
// good (it closes in on its set pressure exponentially, the answer of a loop of
// first order), as one opening; a sensor heated by gas and a burst of noise are
// none.
func TestFilledUpAgain(t *testing.T) {
	const bar = 1e5
	for i, c := range []struct {
		what                    string
		rate, sigma, lag        float64
		falls, drop, loop, heat float64 // s, Pa, s, Pa
		noise                   float64 // times sigma
		spike                   float64 // Pa, 40 ms before
		want                    int
	}{
		{what: "6 ms of fall", rate: 5000, sigma: 300, lag: 0.2e-3, falls: 6e-3, drop: 0.35 * bar, loop: 0.1, want: 1},
		{what: "few samples", rate: 1000, sigma: 1500, lag: 0.3e-3, falls: 3e-3, drop: 0.3 * bar, loop: 0.08, want: 1},
		{what: "behind a lag", rate: 20000, sigma: 1400, lag: 2.7e-3, falls: 3e-3, drop: 0.5 * bar, loop: 0.2, want: 1},
		{what: "filled up at once", rate: 10000, sigma: 500, lag: 0.2e-3, falls: 2e-3, drop: 0.3 * bar, loop: 0.02, want: 1},
		{what: "60 ms of fall", rate: 5000, sigma: 800, lag: 0.2e-3, falls: 60e-3, drop: 4.5 * bar, loop: 0.03, want: 1},
		{what: "60 ms of fall, few samples", rate: 1000, sigma: 800, lag: 0.2e-3, falls: 60e-3, drop: 4.5 * bar, loop: 0.03, want: 1},
		{what: "half of what was there", rate: 5000, sigma: 800, lag: 0.2e-3, falls: 60e-3, drop: 12 * bar, loop: 0.15, want: 1},
		{what: "a spike before", rate: 5000, sigma: 300, lag: 0.2e-3, falls: 6e-3, drop: 0.35 * bar, loop: 0.1, spike: 2 * bar, want: 1},
		{what: "a sensor heated much", rate: 5000, sigma: 800, lag: 0.2e-3, heat: 5 * bar},
		{what: "a heated sensor", rate: 5000, sigma: 300, lag: 0.2e-3, heat: 0.5 * bar},
		{what: "a heated sensor, few samples", rate: 1000, sigma: 800, lag: 0.3e-3, heat: 0.5 * bar},
		{what: "a burst of noise", rate: 20000, sigma: 1300, noise: 6},
	} {
		const open, p = 1.5, 20 * bar
		s := scene{rate: c.rate, length: 3, start: p + ambientPa, sigma: c.sigma, lag: c.lag}
		s.ramp = func(t float64) float64 {
			if c.drop > 0 && t > open+c.falls {
				return 0.3*bar + c.drop/c.loop*math.Exp(-(t-open-c.falls)/c.loop)
			}
			return 0.3 * bar
		}
		if c.drop > 0 {
			s.openings = []opening{{t: open, k: c.drop / p / c.falls, width: 0.2e-3, shut: open + c.falls}}
		}
		s.post = func(_ int, t, v float64, r *rand.Rand) (float64, bool) {
			if x := t - open; x > 0 {
				v -= c.heat * (math.Exp(-x/0.2) - math.Exp(-x/0.02))
				if x < 0.004 {
					v += c.noise * c.sigma * r.NormFloat64()
				}
			}
			if x := (t - open + 0.04) * c.rate; x >= 0 && x < 2 {
				v -= c.spike
			}
			return v, true
		}
		if n, told := openingsOf(&s, 400+uint64(i)); n != c.want {
			t.Errorf("%s (seed %d, %d): told %s", c.what, *goalSeed, 400+i, told)
		}
	}
}

// Hum of 15 standard deviations with its third harmonic may begin at any phase.
// A trough in which it stays for a while and leaves little by little is no vent
// that has shut: the trace goes on beyond the line.
func TestHumThatBeginsFillsNothingUp(t *testing.T) {
	const phases = 48
	for i := range uint64(phases) {
		s := scene{rate: 1000, length: 3, start: 20e5, sigma: 300, ramp: func(float64) float64 { return 2e5 }}
		s.post = func(_ int, t, v float64, _ *rand.Rand) (float64, bool) {
			if x := 2 * math.Pi * (50*t + float64(i)/phases); t > 1.5 {
				v -= 15 * s.sigma * (math.Sin(x) + math.Sin(3*x)/4)
			}
			return v, true
		}
		if n, told := openingsOf(&s, 500+i); n != 0 {
			t.Errorf("phase %d of %d (seed %d, %d): told %s", i, phases, *goalSeed, 500+i, told)
		}
	}
}
