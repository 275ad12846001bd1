package analysis

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"ventward/daq"
)

// TestPlacesInARow: stamps that jitter by a seventh of a period and drift through
// half of one take a place each, and a hole keeps its length.
func TestPlacesInARow(t *testing.T) {
	const seed = 20270
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 1))
	s := stretch{dt: 1}
	var want []int
	for i := range 3000 {
		if i >= 1000 && i < 1040 { // a hole
			continue
		}
		want = append(want, i)
		s.t = append(s.t, 0.3+1.0002*float64(i)+0.28*(rng.Float64()-0.5))
	}
	if got := s.places(0, len(s.t)); !slices.Equal(got, want) {
		t.Errorf("places %v... are not those of the samples %v...", got[:5], want[:5])
	}
}

// TestJitteredStamps: samples whose stamps jitter are as good as others. Two of them
// once shared a place in the noise's covariance, which made it singular.
func TestJitteredStamps(t *testing.T) {
	const every, distance, seed = 10, 10.03, 20271 // the usual distance is not the mean one
	t.Logf("seed %d", seed)
	for i := range uint64(3) {
		rng := rand.New(rand.NewPCG(seed, i))
		sp := plain()
		sp.rate *= every
		sp.before, sp.after = 0.485, 0.15 // by the onset the stamps are half a period off
		w, ch, o, onset, ok := sp.window(rng)
		if !ok {
			t.Fatal("no trigger would fire on the test's own opening")
		}
		all, decided := w, w.T[w.Decided]
		w.T, w.V, w.Q, w.Decided = nil, nil, nil, -1
		for n := 1.0; n*distance < float64(len(all.T)-every); n++ {
			j := int(n*distance) + rng.IntN(4) - 2 // two fifths of a period, all in all
			w.T, w.V, w.Q = append(w.T, all.T[j]), append(w.V, all.V[j]), append(w.Q, all.Q[j])
			if w.Decided < 0 && all.T[j] >= decided {
				w.Decided = len(w.T) - 1
			}
		}
		w.Until = len(w.T)
		f := FitOpening(w, ch, o)
		if f.Onset == nil || f.AreaM2 == nil {
			t.Fatalf("%d: %v", i, f.Absent)
		}
		if e, u := float64(*f.Onset-onset), float64(*f.OnsetU); math.Abs(e) > 1.5*u || u > 0.3e6 {
			t.Errorf("%d: onset off by %g ns, stated u %g", i, e, u)
		}
		if e, u := *f.AreaM2/sp.area-1, *f.AreaUM2/sp.area; math.Abs(e) > 1.5*u || u > 0.05 {
			t.Errorf("%d: area off by %.3f, stated u %.3f", i, e, u)
		}
	}
}

// TestHoleBehindTheFall: an onset is somewhere in a hole only where the samples
// before it were on the ramp.
func TestHoleBehindTheFall(t *testing.T) {
	const ramp, level, sd, dt = 1e5, 20e5, 500.0, 2e-4
	make1 := func(fallen float64) (*opening, seen) {
		a := opening{noise: whiteNoise(sd * sd)}
		a.ch = &daq.Channel{}
		a.s.dt = dt
		for i := -200; i < 40; i++ {
			if i >= 4 && i < 9 { // lost
				continue
			}
			x := float64(i) * dt
			v := level + ramp*x
			if i > 0 {
				v -= fallen
			}
			if i >= 9 {
				v -= 5e5
			}
			a.s.t, a.s.v = append(a.s.t, x), append(a.s.v, v)
		}
		return &a, seen{onset: 0, onsetU: 0.5e-3, level: level, levelU: 100, ramp: ramp}
	}
	a, v := make1(3e5)
	if a.withinHole(&v); v.onset != 0 || v.level != level {
		t.Errorf("a fall that began before the hole: onset moved to %g s, level to %g Pa", v.onset, v.level)
	}
	a, v = make1(0)
	if a.withinHole(&v); v.onset < 3*dt || v.onset > 9*dt {
		t.Errorf("a fall within the hole from %g to %g s: onset %g s", 3*dt, 9*dt, v.onset)
	}
}

// TestRingingBelowTheRange: after a rupture the line swings below the end of the
// range, where the converter rests. What it reads there is no pressure.
func TestRingingBelowTheRange(t *testing.T) {
	const bottom, seed = -0.5e5, 20272
	t.Logf("seed %d", seed)
	for i, rate := range []float64{5000, 10000} {
		sp := plain()
		sp.rate, sp.area, sp.width, sp.lag, sp.ringHz, sp.ringDamping = rate, 500e-6, 0.3e-3, 0.05e-3, 800, 0.17
		sp.sigma, sp.step = 1400, 100
		w, ch, o, onset, ok := sp.window(rand.New(rand.NewPCG(seed, uint64(i))))
		if !ok {
			t.Fatal("no trigger would fire on the test's own opening")
		}
		clipped := 0
		for k, v := range w.V {
			if v < bottom {
				w.V[k] = bottom
				clipped++
			}
		}
		if clipped < 2 {
			t.Fatalf("%d samples below the range: the test's own opening rings too little", clipped)
		}
		f := FitOpening(w, ch, o)
		if e, u := float64(*f.Onset-onset), float64(*f.OnsetU); math.Abs(e) > 1.5*u || u > 0.6e6 {
			t.Errorf("%g Hz: onset off by %g ns, stated u %g", rate, e, u)
		}
	}
}

// TestRestIsNoEndOfTheRange: a reading that has come to rest on one code at its
// lowest stays.
func TestRestIsNoEndOfTheRange(t *testing.T) {
	s := stretch{dt: 1}
	for i := range 200 {
		v := 5000.0 - 100*math.Min(float64(i), 50)
		s.t, s.v = append(s.t, float64(i)), append(s.v, v)
	}
	if s.lift(1); len(s.t) != 200 {
		t.Errorf("%d of 200 samples left", len(s.t))
	}
}
