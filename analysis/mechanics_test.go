package analysis

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

// TestCylinders: Lamé's formula carries the load (radial stress -p inside, 0
// outside, axial force in balance), and turns into the thin one where the wall
// is thin.
func TestCylinders(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := rapid.Float64Range(1e5, 1e7).Draw(t, "p")
		ri := rapid.Float64Range(5e-3, 5e-2).Draw(t, "ri")
		w := ri * rapid.Float64Range(1e-3, 1).Draw(t, "wall")
		in, err := ThickCylinder(p, ri, ri+w, ri)
		if err != nil || math.Abs(in.Radial/p+1) > 1e-9 {
			t.Fatalf("inside %+v, %v", in, err)
		}
		out, err := ThickCylinder(p, ri, ri+w, ri+w)
		if err != nil || math.Abs(out.Radial) > 1e-9*p {
			t.Fatalf("outside %+v, %v", out, err)
		}
		if a := in.Axial * ((ri+w)*(ri+w) - ri*ri) / (p * ri * ri); math.Abs(a-1) > 1e-9 {
			t.Fatalf("axial force %g of the load", a)
		}
		if w < 0.04*ri {
			thin, err := ThinCylinder(p, 2*ri+w, w)
			if err != nil || math.Abs(thin.Hoop/((in.Hoop+out.Hoop)/2)-1) > 0.05 {
				t.Fatalf("thin %g, thick %g and %g (%v)", thin.Hoop, in.Hoop, out.Hoop, err)
			}
		}
	})
	for _, bad := range [][3]float64{{0, 1, 0.01}, {1, 1, 0.1}, {1, 0, 0.01}, {math.NaN(), 1, 0.01}} {
		if _, err := ThinCylinder(bad[0], bad[1], bad[2]); err == nil {
			t.Errorf("thin %v: no error", bad)
		}
	}
	for _, bad := range [][4]float64{{1, 2, 1, 1}, {1, 1, 2, 3}, {1, 1, 2, 0.5}, {-1, 1, 2, 1}} {
		if _, err := ThickCylinder(bad[0], bad[1], bad[2], bad[3]); err == nil {
			t.Errorf("thick %v: no error", bad)
		}
	}
	if _, err := FaupelBurst(400, 250, 1, 2); err == nil {
		t.Error("yield above tensile strength: no error")
	}
	if _, err := SvenssonBurst(400, 1.2, 1, 2); err == nil {
		t.Error("exponent above 1: no error")
	}
}

func TestCrimp(t *testing.T) {
	force, per := CrimpLoad(40e5, 0.018)
	if want := 40e5 * math.Pi * 0.009 * 0.009; math.Abs(force-want) > 1e-9*want || math.Abs(per*math.Pi*0.018-force) > 1e-9*force {
		t.Errorf("force %g N, %g N/m", force, per)
	}
	if p := CrimpPressure(per, 0.018); math.Abs(p-40e5) > 1e-3 {
		t.Errorf("pressure back %g", p)
	}
}

// TestScored: an estimate lies in its band, rises with the residual thickness
// and falls with heat; scaled from measured pieces it meets them, and its band is
// narrower than the formula's.
func TestScored(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		x := rapid.Float64Range(20e-6, 150e-6).Draw(t, "residual")
		hot := rapid.Float64Range(0.2, 1).Draw(t, "hot")
		e, err := ScoredDisc(x, 6e-3, 400e6, hot)
		more, err2 := ScoredDisc(x*1.1, 6e-3, 400e6, hot)
		if err != nil || err2 != nil || !(e.Low < e.Value && e.Value < e.High) || !(more.Value > e.Value) || e.Caution == "" {
			t.Fatalf("%+v %+v %v %v", e, more, err, err2)
		}
		cold, _ := ScoredDisc(x, 6e-3, 400e6, 1)
		if math.Abs(e.Value/cold.Value-hot) > 1e-12 {
			t.Fatalf("hot %g of cold %g, factor %g", e.Value, cold.Value, hot)
		}
		by, err := ScoredBy(cold.Value, 0.01*cold.Value, x, 0, x)
		if err != nil || by.Value != cold.Value || math.Abs(by.High-by.Value-0.02*cold.Value) > 1e-6*cold.Value || by.High-by.Low > cold.High-cold.Low {
			t.Fatalf("scaled %+v, formula %+v (%v)", by, cold, err)
		}
		far, _ := ScoredBy(cold.Value, 0, x, 0, 1.5*x)
		if math.Abs(far.Value/cold.Value-1.5) > 1e-9 || math.Abs(far.High/cold.Value-2.25) > 1e-9 {
			t.Fatalf("scaled far %+v", far)
		}
	})
	for _, bad := range [][4]float64{{0, 1, 1, 1}, {1, 1, 1, 1}, {1e-5, 1e-3, 1, 2}, {1e-5, 1e-3, -1, 1}} {
		if _, err := ScoredDisc(bad[0], bad[1], bad[2], bad[3]); err == nil {
			t.Errorf("%v: no error", bad)
		}
	}
	if _, err := ScoredBy(1, -1, 1, 0, 1); err == nil {
		t.Error("negative uncertainty: no error")
	}
}
