package detect

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"ventward/daq"
)

// humming is a ramp under hum of amp standard deviations of the noise from from to
// to (s), with something that opens at 1.5 s where opens is set.
func humming(rate, amp, hz, from, to float64, opens bool) scene {
	s := scene{rate: rate, length: 3, start: ambientPa + 15e5, sigma: 800, lag: 0.3e-3, ramp: func(float64) float64 { return 1e5 }}
	s.post = func(_ int, t, v float64, _ *rand.Rand) (float64, bool) {
		if t >= from && t < to {
			w := 2 * math.Pi * hz * t
			v += amp * s.sigma * (math.Sin(w) + 0.25*math.Sin(3*w+1))
		}
		return v, true
	}
	if opens {
		s.openings = []opening{{t: 1.5, width: 1e-3, k: 3}}
	}
	return s
}

// TestOpeningsUnderHumAreToldAsWithoutIt: the limit is counted on the white noise.
func TestOpeningsUnderHumAreToldAsWithoutIt(t *testing.T) {
	for _, rate := range []float64{500, 1000, 2000, 10000} {
		for i, hz := range []float64{50.2, 59.8, 7.3} {
			s := humming(rate, 10, hz, 0, 9, true)
			seed := uint64(500 + i)
			got := opens(run(benchOf(&s), s.samples(rand.New(rand.NewPCG(seed, uint64(rate))))))
			if len(got) != 1 {
				t.Errorf("seed %d, %g Hz, hum of %g Hz: openings %s, want one", seed, rate, hz, kinds(got))
				continue
			}
			nlim, _ := s.limit(0, math.Log(3600e3*rate))
			delay := math.Floor((float64(got[0].Decided)*1e-9-1.5)*rate) + 1
			if ratio := delay / math.Max(4, float64(nlim)); ratio > 2.3 || ratio < 0 {
				t.Errorf("seed %d, %g Hz, hum of %g Hz: told after %.0f samples, limit %d", seed, rate, hz, delay, nlim)
			}
		}
	}
}

// Hum that begins, ends or stays opens nothing.
func TestHumOpensNothing(t *testing.T) {
	for i, s := range []scene{
		humming(1000, 12, 50, 0, 9, false), humming(10000, 12, 60.1, 0, 9, false), humming(10000, 8, 50, 0, 1.7, false),
		humming(2000, 8, 50, 0, 1.73, false), humming(10000, 8, 4.1, 0, 9, false), humming(1000, 5, 12, 0, 2, false),
	} {
		seed := uint64(520 + i)
		if got := opens(run(benchOf(&s), s.samples(rand.New(rand.NewPCG(seed, 0))))); len(got) > 0 {
			t.Errorf("seed %d, %g Hz, %d: %s", seed, s.rate, i, kinds(got))
		}
	}
}

// White noise, quantised or not, has no tone.
func TestNoToneInWhiteNoise(t *testing.T) {
	for i, rate := range []float64{500, 1000, 10000, 20000} {
		for _, lsb := range []float64{0, 700} {
			s := humming(rate, 0, 50, 0, 0, false)
			s.lsb = lsb
			seed := uint64(540 + i)
			m := monitorOf(t, &s, s.samples(rand.New(rand.NewPCG(seed, 0))))
			if n := m.channels[0].p.pulse.n; n > 0 {
				t.Errorf("seed %d, %g Hz, codes of %g Pa: a tone of %.3f Hz", seed, rate, lsb, m.channels[0].p.pulse.tones[0].hz)
			}
		}
	}
}

// monitorOf is a monitor that has taken the samples.
func monitorOf(t *testing.T, s *scene, smp []daq.Sample) *Monitor {
	m, err := New(benchOf(s))
	if err != nil {
		t.Fatal(err)
	}
	for len(smp) > 0 {
		n := min(50, len(smp))
		m.Step(0, smp[:n])
		smp = smp[n:]
	}
	return m
}

// A known hum costs no memory: nothing is allocated for a sample.
func TestHumAllocatesNothing(t *testing.T) {
	s := humming(2000, 10, 50, 0, 9, false)
	s.length = 6
	smp := s.samples(rand.New(rand.NewPCG(560, 0)))
	m := monitorOf(t, &s, smp[:4000])
	if m.channels[0].p.pulse.n != 1 {
		t.Fatalf("seed 560: %d tones", m.channels[0].p.pulse.n)
	}
	m.Take()
	at := 4000
	if n := testing.AllocsPerRun(100, func() {
		m.Step(0, smp[at:at+50])
		at += 50
	}); n > 0 {
		t.Errorf("%g allocations for 50 samples", n)
	}
}

// A tone that ended is no longer taken off, and what is held is as it came.
func TestToneThatEnded(t *testing.T) {
	for _, hz := range []float64{50, 11} {
		t.Run(fmt.Sprintf("%g Hz", hz), func(t *testing.T) {
			const seed = 570
			s := humming(5000, 10, hz, 0, 1.6, false)
			m := monitorOf(t, &s, s.samples(rand.New(rand.NewPCG(seed, 0))))
			p := m.channels[0].p
			if p.pulse.n != 0 {
				t.Errorf("seed %d: %d tones are left", seed, p.pulse.n)
			}
			for i := p.cap.n - 5000; i < p.cap.n; i++ {
				if p.cap.at(i) != p.cap.raw(i) {
					t.Fatalf("seed %d: sample %d is held as %.1f, came as %.1f", seed, i, p.cap.at(i), p.cap.raw(i))
				}
			}
		})
	}
}

// A hole that opens about as slowly as a faint hum swings does not change the hum:
// it is neither louder nor gone, and nothing else opens in the blow-down.
func TestHumOutlastsAnOpening(t *testing.T) {
	for i := range uint64(12) {
		s := humming(10000, 1.8, 50, 0, 9, false)
		s.openings = []opening{{t: 1.5 + 1.7e-3*float64(i), width: 8e-3 + 2e-3*float64(i), k: 2 + float64(i)}}
		seed := 580 + i
		m := monitorOf(t, &s, s.samples(rand.New(rand.NewPCG(seed, 0))))
		last := map[int]Event{}
		for _, e := range m.Take().Events {
			last[e.ID] = e
		}
		opens := 0
		for _, e := range last {
			if e.Opens() {
				opens++
			}
		}
		z := &m.channels[0].p.pulse
		if opens != 1 || z.n != 1 {
			t.Errorf("seed %d: %d openings, %d tones, want one of each", seed, opens, z.n)
			continue
		}
		if was, is := 1.8*s.sigma, math.Sqrt(2*z.tones[0].power()); math.Abs(is/was-1) > 0.25 {
			t.Errorf("seed %d: hum of %.0f Pa is taken for %.0f Pa after an opening", seed, was, is)
		}
	}
}
