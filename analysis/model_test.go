package analysis

import (
	"math"
	"math/rand/v2"
	"testing"

	"pgregory.net/rapid"

	"ventward/analysis/flow"
)

var nitrogen = flow.Gas{Name: "N2", MolarMass: 0.0280134, Gamma: 1.4}

// TestCourseIsTheClosedForm: at once open, without supply, walls and lag, the
// course is the closed form of the adiabatic blow-down (flow.Vessel, checked
// there against published rows).
func TestCourseIsTheClosedForm(t *testing.T) {
	v := flow.Vessel{Gas: nitrogen, VolumeM3: 1e-4, AreaM2: math.Pi / 4 * 1e-6, T0: 293.15}
	rate := 1.4 / v.Tau()
	s := newSolver(law{gas: nitrogen, ambient: 1e5}, 0, 0.9, rate)
	c := course{level: 30e5, rate: rate, width: 1e-9, heat: 1e-9, warm: 1, shape: 1.6}
	times := []float64{0.01, 0.1, 0.3, 0.5356151434841655, 0.8}
	got := make([]float64, len(times))
	s.read(&c, times, got)
	for i, x := range times {
		if want := v.AdiabaticPressure(30e5, x); math.Abs(got[i]/want-1) > 2e-5 {
			t.Errorf("after %g s: %g Pa, closed form %g", x, got[i], want)
		}
	}
}

// TestNozzle: it is flow.Gas's Subcritical, which is checked there against
// published rows.
func TestNozzle(t *testing.T) {
	for _, gamma := range []float64{1.1, 1.29, 1.4, 1.667} {
		g := nitrogen
		g.Gamma = gamma
		n := newNozzle(g)
		for r := n.critical + 1e-6; r < 1.05; r += 0.003 {
			if got, want := n.part(r), g.Subcritical(r); math.Abs(got-want) > 1e-10 {
				t.Errorf("gamma %g, ratio %g: %.12g, want %.12g", gamma, r, got, want)
			}
		}
	}
}

// TestLineAndLag compares the exact answers to a cubic with many small steps of
// the differential equations.
func TestLineAndLag(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		lag := rapid.Float64Range(1e-4, 3e-3).Draw(t, "lag")
		ring := rapid.Float64Range(100, 3000).Draw(t, "ring")
		damp := rapid.Float64Range(0.01, 0.8).Draw(t, "damp")
		c := cubic{2, rapid.Float64Range(-500, 500).Draw(t, "slope"), rapid.Float64Range(-1e5, 1e5).Draw(t, "bend"), 3e6}
		l := newLine(ring, damp, lag)
		const end = 4e-3
		q, y, dy := 1.5, 2.2, 30.0
		var whole, stiff piece
		whole.begin(&l, c, end, lag, readout{q, y, dy})
		got := whole.read(end)
		n := 40000
		h := end / float64(n)
		w := 2 * math.Pi * ring
		f := func(x, q, y, dy float64) (float64, float64, float64) {
			return (y - q) / lag, dy, w*w*(c.at(x)-y) - 2*damp*w*dy
		}
		for i := range n { // midpoint rule
			x := float64(i) * h
			a1, b1, c1 := f(x, q, y, dy)
			a2, b2, c2 := f(x+h/2, q+h/2*a1, y+h/2*b1, dy+h/2*c1)
			q, y, dy = q+h*a2, y+h*b2, dy+h*c2
		}
		if math.Abs(got.q-q) > 1e-4 || math.Abs(got.y-y) > 1e-4 {
			t.Fatalf("lag reads %g, stepped %g; line reads %g, stepped %g", got.q, q, got.y, y)
		}
		stiff.begin(&line{}, c, end, lag, readout{q: 1.5})
		if got := stiff.read(0); math.Abs(got.q-1.5) > 1e-9 {
			t.Fatalf("lag alone begins at %g, want 1.5", got.q)
		}
	})
}

// TestGrowthIsAnOpening: from 0 to 1, never back, symmetric about the middle:
// the effective onset is half the opening time after the start.
func TestGrowthIsAnOpening(t *testing.T) {
	for _, shape := range []float64{0.9, 1, 1.6, 3} {
		last := 0.0
		for x := 0.0; x <= 1; x += 1.0 / 64 {
			g := growth(x, shape)
			if g < last || math.Abs(g+growth(1-x, shape)-1) > 1e-12 {
				t.Fatalf("shape %g at %g: %g after %g", shape, x, g, last)
			}
			last = g
		}
	}
	worst := 0.0
	for x := 0.0; x <= 1; x += 1.0 / 256 {
		worst = math.Max(worst, math.Abs(growth(x, 1.6)-x*x*(3-2*x)))
	}
	if worst > 0.03 {
		t.Errorf("shape 1.6 is %g from the smooth step", worst)
	}
}

// TestWhitening: an autoregression's estimated covariance turns its own block
// means into numbers of variance 1 that do not go together.
func TestWhitening(t *testing.T) {
	const seed = 20263
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 1))
	make1 := func(n int) []float64 {
		x, v := make([]float64, n), 0.0
		for i := range x {
			v = 0.8*v + 0.6*rng.NormFloat64()
			x[i] = v
		}
		return x
	}
	z := newNoise(make1(20000), 0)
	if math.Abs(z.sd()-1) > 0.05 || z.order == 0 || math.Abs(z.cov[1]/z.cov[0]-0.8) > 0.03 {
		t.Fatalf("standard deviation %g, order %d, first correlation %g", z.sd(), z.order, z.cov[1]/z.cov[0])
	}
	if w := newNoise(white(rng, 5000), 0); w.order != 0 {
		t.Errorf("white noise got order %d", w.order)
	}
	var sum, next, n float64
	for range 200 {
		s := stretch{v: make1(400), dt: 1}
		for i := range s.v {
			s.t = append(s.t, float64(i))
		}
		b := s.bin(0, 400, 40, 0.1, 0.1, 250)
		w := newWhitener(&z, &b, func(i int) int { return i })
		y := append([]float64(nil), b.y...)
		w.apply(y)
		for i := 1; i < len(y); i++ {
			sum, next, n = sum+y[i]*y[i], next+y[i]*y[i-1], n+1
		}
	}
	if math.Abs(sum/n-1) > 0.05 || math.Abs(next/n) > 0.05 {
		t.Errorf("whitened means: variance %g, neighbours' product %g, want 1 and 0", sum/n, next/n)
	}
}

func white(rng *rand.Rand, n int) []float64 {
	x := make([]float64, n)
	for i := range x {
		x[i] = rng.NormFloat64()
	}
	return x
}

// TestStepIsNoTone: what happens once, near the end, is no steady tone, as a step
// of 10 ms on a ramp that a coarse converter reads.
func TestStepIsNoTone(t *testing.T) {
	const seed, n, code = 20265, 20000, 3.5
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 1))
	at := make([]float64, n)
	for i := range at {
		at[i] = float64(i) / 2e4
	}
	for range 20 {
		x := white(rng, n)
		begin, size, ramp := n-300-rng.IntN(300), 40+60*rng.Float64(), 2+8*rng.Float64()
		for i := range x {
			x[i] += ramp*at[i] + size*math.Max(0, math.Min(float64(i-begin)/200, 1))
			x[i] = code * math.Round(x[i]/code)
		}
		if f := findTones(at, lineResiduals(at, x)); len(f) != 0 {
			t.Errorf("ramp %g, step of %g from sample %d on: tones %+v", ramp, size, begin, f)
		}
	}
}

// TestTones finds hum of a quarter to ten standard deviations, and none in noise.
func TestTones(t *testing.T) {
	const seed = 20264
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 1))
	n := 8000
	at := make([]float64, n)
	for i := range at {
		at[i] = float64(i) / 1e4
	}
	for range 20 {
		if f := findTones(at, white(rng, n)); len(f) != 0 {
			t.Errorf("tones in white noise: %+v", f)
		}
		hz, a := 45+20*rng.Float64(), math.Pow(10, 1.6*rng.Float64()-0.6)
		x := white(rng, n)
		for i := range x {
			x[i] += a*math.Sin(2*math.Pi*hz*at[i]+1) + a/3*math.Cos(2*math.Pi*3*hz*at[i])
		}
		f := findTones(at, x)
		if len(f) == 0 || math.Abs(f[0].hz-hz) > 0.4 || math.Abs(math.Hypot(f[0].a, f[0].b)/a-1) > 0.25 {
			t.Errorf("hum of %g at %g Hz: found %+v", a, hz, f)
		}
	}
}
