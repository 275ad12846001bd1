package analysis

import (
	"math"
	"testing"

	"ventward/analysis/flow"
)

// The derivatives that are written down must be those that difference quotients
// give: the reference is the definition of the derivative.
func TestColumnsAreDerivatives(t *testing.T) {
	base := course{onset: 0.0113, level: 20e5, ramp: 1e5, bend: 3e4, rate: 30, width: 1.1e-3, lag: 0.4e-3, shape: shapeMean, heat: 0.8, warm: 0.9, hold: 0.5, zero: 2e3}
	rings := base
	rings.ring, rings.damp = 900, 0.2
	stiff := base
	stiff.lag = 0
	n2, err := flow.Lookup("N2")
	if err != nil {
		t.Fatal(err)
	}
	for name, c := range map[string]course{"lag": base, "line": rings, "none": stiff} {
		a := opening{law: law{ambient: 101325, gauge: 101325, gas: n2}}
		for i := range 300 {
			a.b.t = append(a.b.t, -0.02+1.37e-4*float64(i))
		}
		a.used = len(a.b.t)
		sv := newSolver(a.law, c.onset, 0.05, c.rate)
		free := []figure{figOnset, figLevel, figBend, figZero}
		step := []float64{1e-7, 10, 10, 10}
		var limits [figures]bound
		limits[figLevel].scale = 1e5
		n := a.used
		y, j, known := make([]float64, n), make([]float64, n*len(free)), make([]bool, len(free))
		sv.read(&c, a.b.t, y)
		a.columns(sv, &c, free, &limits, y, j, known)
		for k, f := range free {
			up, down := c, c
			up.set(f, c.get(f)+step[k])
			down.set(f, c.get(f)-step[k])
			yu, yd := make([]float64, n), make([]float64, n)
			sv.read(&up, a.b.t, yu)
			sv.read(&down, a.b.t, yd)
			most := 0.0
			for i := range n {
				most = math.Max(most, math.Abs(j[k*n+i]))
			}
			for i := range n {
				want := (yu[i] - yd[i]) / (2 * step[k])
				if kink := math.Abs(a.b.t[i]-sv.begin) < 1e-6; !known[k] || math.Abs(j[k*n+i]-want) > 2e-3*most && !kink {
					t.Fatalf("%s, figure %d at %.5f s: %g, by differences %g", name, f, a.b.t[i], j[k*n+i], want)
				}
			}
		}
	}
}
