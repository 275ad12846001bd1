package flow

import (
	"math"
	"testing"
)

// TestSolvers: tightening the tolerance makes the error smaller, and both
// solvers meet closed forms: decay, a forced linear equation, a pair.
func TestSolvers(t *testing.T) {
	type solver func(ODE, float64, float64, []float64) (Halt, error)
	for name, s := range map[string]struct {
		solve solver
		tol   float64
	}{"explicit": {Explicit, 1e-7}, "stiff": {Stiff, 1e-3}} {
		last := math.Inf(1)
		for _, rel := range []float64{1e-3, 1e-5, 1e-7} {
			y := []float64{1, 0}
			o := ODE{RelTol: rel, AbsTol: []float64{1e-3 * rel, 1e-3 * rel}, Tridiagonal: true,
				Rate: func(t float64, y, dy []float64) { dy[0], dy[1] = y[1], -y[0] }} // cosine
			if _, err := s.solve(o, 0, 3, y); err != nil {
				t.Fatal(name, err)
			}
			e := math.Hypot(y[0]-math.Cos(3), y[1]+math.Sin(3))
			if e > last/2 {
				t.Errorf("%s at %g: error %g after %g", name, rel, e, last)
			}
			last = e
		}
		if last > s.tol {
			t.Errorf("%s: error %g, want below %g", name, last, s.tol)
		}
	}
}

// TestStiffProblem is the usual test equation of stiff solvers, y' = -k(y-cos t)
// - sin t, whose solution is cos t whatever k; and with the root that makes
// solvers creep which linearise once a step.
func TestStiffProblem(t *testing.T) {
	for _, k := range []float64{1, 1e3, 1e8} {
		y := []float64{1}
		o := ODE{RelTol: 1e-6, AbsTol: []float64{1e-9}, Rate: func(t float64, y, dy []float64) { dy[0] = -k*(y[0]-math.Cos(t)) - math.Sin(t) }}
		h, err := Stiff(o, 0, 2, y)
		if err != nil || math.Abs(y[0]-math.Cos(2)) > 1e-4 || h.Steps > 5000 {
			t.Errorf("k %g: %g after %d steps (%v), want %g", k, y[0], h.Steps, err, math.Cos(2))
		}
	}
	// linear up to a quarter of a millionth, then as the root: a Passage
	root := func(x float64) float64 { return 2e3 * x / (1e-3 + math.Sqrt(1e-6+4*math.Abs(x))) }
	y := []float64{1, 1}
	o := ODE{RelTol: 1e-5, AbsTol: []float64{1e-7, 1e-7}, Tridiagonal: true, Rate: func(t float64, y, dy []float64) {
		q := root(y[0] - y[1])
		dy[0], dy[1] = math.Sin(t)-q, q
	}}
	h, err := Stiff(o, 0, 4, y)
	if want := 2 + 1 - math.Cos(4); err != nil || math.Abs(y[0]+y[1]-want) > 1e-3 || h.Steps > 5000 {
		t.Errorf("root: sum %g after %d steps (%v), want %g", y[0]+y[1], h.Steps, err, want)
	}
}

// TestEvents: the first of several events ends the walk where it happens, a fall
// through nought doesn't count, and what is past at the start doesn't either.
func TestEvents(t *testing.T) {
	for name, solve := range map[string]func(ODE, float64, float64, []float64) (Halt, error){"explicit": Explicit, "stiff": Stiff} {
		var seen int
		y := []float64{0}
		o := ODE{RelTol: 1e-8, AbsTol: []float64{1e-10}, Rate: func(t float64, y, dy []float64) { dy[0] = math.Cos(t) },
			Observe: func(float64, []float64) { seen++ },
			Events: []Event{
				func(t float64, y []float64) float64 { return y[0] - 0.8 },
				func(t float64, y []float64) float64 { return y[0] - 0.5 },
				func(t float64, y []float64) float64 { return 0.1 - y[0] },
				func(t float64, y []float64) float64 { return 1 },
			}}
		h, err := solve(o, 0, 3, y)
		if err != nil || h.Event != 1 || math.Abs(h.T-math.Asin(0.5)) > 1e-5 || math.Abs(y[0]-0.5) > 1e-5 {
			t.Errorf("%s: %+v at %g (%v), want event 1 at %g", name, h, y[0], err, math.Asin(0.5))
		}
		if seen != h.Steps+1 {
			t.Errorf("%s: observed %d of %d steps", name, seen, h.Steps)
		}
	}
}

func TestSolverRefusals(t *testing.T) {
	fine := ODE{AbsTol: []float64{1e-9}, Rate: func(t float64, y, dy []float64) { dy[0] = -y[0] }}
	if _, err := Explicit(fine, 1, 1, []float64{1}); err == nil {
		t.Error("no time: no error")
	}
	if _, err := Explicit(ODE{Rate: fine.Rate}, 0, 1, []float64{1}); err == nil {
		t.Error("no tolerance: no error")
	}
	few := fine
	few.Steps = 3
	if _, err := Explicit(few, 0, 1e3, []float64{1}); err == nil {
		t.Error("three steps for a thousand seconds: no error")
	}
	wild := ODE{AbsTol: []float64{1e-9}, Rate: func(t float64, y, dy []float64) { dy[0] = math.NaN() }}
	for name, solve := range map[string]func(ODE, float64, float64, []float64) (Halt, error){"explicit": Explicit, "stiff": Stiff} {
		if _, err := solve(wild, 0, 1, []float64{1}); err == nil {
			t.Errorf("%s: a rate that is no number: no error", name)
		}
	}
	if _, err := Stiff(ODE{AbsTol: make([]float64, 2), Rate: func(t float64, y, dy []float64) {}}, 0, 1, []float64{1, 1}); err == nil {
		t.Error("a full matrix: no error")
	}
}

func BenchmarkWallTime(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		if _, _, err := vessel.WallTime(3e6, 3e5, 101325, Wall{0.5, 293.15}); err != nil {
			b.Fatal(err)
		}
	}
}
