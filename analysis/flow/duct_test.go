package flow

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

// TestFannoTable checks against the table of Shapiro (1953) for gamma 1.4, from
// memory: 4fL*/D and p/p*.
func TestFannoTable(t *testing.T) {
	for _, r := range [][3]float64{{0.2, 14.5333, 5.4554}, {0.3, 5.2993, 3.6191}, {0.5, 1.0691, 2.1381}, {0.8, 0.07229, 1.2893}, {1, 0, 1}} {
		if got := FannoLength(r[0], 1.4); math.Abs(got-r[1]) > 1e-4*math.Max(r[1], 1) {
			t.Errorf("M %g: 4fL*/D %g, want %g", r[0], got, r[1])
		}
		if got := FannoPressure(r[0], 1.4); math.Abs(got-r[2]) > 1e-4*r[2] {
			t.Errorf("M %g: p/p* %g, want %g", r[0], got, r[2])
		}
		if r[0] < 1 {
			if got := FannoMach(r[1], 1.4); math.Abs(got-r[0]) > 1e-3 {
				t.Errorf("4fL*/D %g: M %g, want %g", r[1], got, r[0])
			}
		}
	}
}

// TestDuctFlux: without friction a duct is a nozzle; friction only takes flux
// away; and the isothermal passage agrees with the adiabatic duct where both are
// slow.
func TestDuctFlux(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		g := Gas{MolarMass: rapid.Float64Range(0.002, 0.044).Draw(t, "M"), Gamma: rapid.Float64Range(1.1, 1.6).Draw(t, "gamma")}
		p0 := rapid.Float64Range(2e5, 5e6).Draw(t, "p0")
		pb := p0 * rapid.Float64Range(0, 0.99).Draw(t, "ratio")
		free, err := g.FannoFlux(p0, pb, 500, 0)
		if err != nil || math.Abs(free/g.Flux(p0, pb, 500)-1) > 2e-3 {
			t.Fatalf("without friction %g, nozzle %g (%v)", free, g.Flux(p0, pb, 500), err)
		}
		last := free * (1 + 1e-6)
		for _, x := range []float64{0.1, 1, 10, 100} {
			f, err := g.FannoFlux(p0, pb, 500, x)
			if err != nil || !(f > 0) || f > last {
				t.Fatalf("4fL/D %g: flux %g after %g (%v)", x, f, last, err)
			}
			last = f
		}
		slow := p0 * 0.999
		f, err := g.FannoFlux(p0, slow, 500, 200)
		w := Passage{AreaM2: 1, Turbulent: 100}
		if err != nil || math.Abs(w.MassFlow(g, p0, slow, 500)/f-1) > 0.02 {
			t.Fatalf("slow: passage %g, duct %g (%v)", w.MassFlow(g, p0, slow, 500), f, err)
		}
	})
	for _, bad := range [][4]float64{{-1, 0, 300, 1}, {1e5, -1, 300, 1}, {1e5, 0, 0, 1}, {1e5, 0, 300, -1}, {math.NaN(), 0, 300, 1}} {
		if _, err := n2.FannoFlux(bad[0], bad[1], bad[2], bad[3]); err == nil {
			t.Errorf("%v: no error", bad)
		}
	}
}

// TestPassage: laws of Hagen and Poiseuille and of Darcy in closed form for slow
// flow, a sign that turns with the pressures, a cap at the choked flux.
func TestPassage(t *testing.T) {
	d, l, mu := 1e-4, 0.1, 1.8e-5
	w := Duct(d, l, mu, 0.02)
	p1, p2 := 1.001e5, 1e5
	rho := (p1 + p2) / 2 / (n2.SpecificR() * 300)
	want := rho * math.Pi * math.Pow(d, 4) / (128 * mu * l) * (p1 - p2) // Hagen and Poiseuille
	if got := w.MassFlow(n2, p1, p2, 300); math.Abs(got/want-1) > 0.01 {
		t.Errorf("duct %g kg/s, want %g", got, want)
	}
	k := Porous(1e-4, l, mu, 1e-12)
	want = rho * 1e-4 * 1e-12 / (mu * l) * (p1 - p2) // Darcy
	if got := k.MassFlow(n2, p1, p2, 300); math.Abs(got/want-1) > 1e-9 {
		t.Errorf("porous %g kg/s, want %g", got, want)
	}
	if a, b := w.MassFlow(n2, p1, p2, 300), w.MassFlow(n2, p2, p1, 300); a != -b {
		t.Errorf("there %g, back %g", a, b)
	}
	if got, most := (Passage{AreaM2: 1}).MassFlow(n2, 1e6, 1e5, 300), n2.ChokedFlux(1e6, 300); math.Abs(got/most-1) > 1e-12 {
		t.Errorf("without resistance %g, want the choked %g", got, most)
	}
	if (Passage{}).MassFlow(n2, 1e6, 1e5, 300) != 0 {
		t.Error("no area and yet flow")
	}
	if v := Viscosity(293.15); math.Abs(v-1.81e-5) > 0.02e-5 { // air at 20 °C, from memory
		t.Errorf("viscosity %g", v)
	}
}

// TestWallLimits: no heat is the adiabatic closed form, much heat the isothermal,
// and more heat takes longer, as long as the flow is choked.
func TestWallLimits(t *testing.T) {
	adiabatic, _ := vessel.AdiabaticTime(3e6, 3e5)
	isothermal, _ := vessel.IsothermalTime(3e6, 3e5)
	s, k, err := vessel.WallTime(3e6, 3e5, 1e5, Wall{0, 293.15})
	if err != nil || math.Abs(s/adiabatic-1) > 1e-6 || math.Abs(k/vessel.AdiabaticTemperature(3e6, 3e5)-1) > 1e-6 {
		t.Errorf("no heat: %g s %g K (%v), want %g", s, k, err, adiabatic)
	}
	s, k, err = vessel.WallTime(3e6, 3e5, 1e5, Wall{200, 293.15})
	if err != nil || math.Abs(s/isothermal-1) > 2e-3 || math.Abs(k-293.15) > 1 {
		t.Errorf("much heat: %g s %g K (%v), want %g", s, k, err, isothermal)
	}
	for _, bad := range []struct {
		p0, p, pb float64
		w         Wall
	}{{1e5, 2e5, 0, Wall{0, 300}}, {2e5, 1e5, 1e5, Wall{0, 300}}, {2e5, 1e5, 0, Wall{-1, 300}}, {2e5, 1e5, 0, Wall{1, 0}}} {
		if _, _, err := vessel.WallTime(bad.p0, bad.p, bad.pb, bad.w); err == nil {
			t.Errorf("%+v: no error", bad)
		}
	}
}

func TestVentArea(t *testing.T) {
	g := Gas{MolarMass: 0.026, Gamma: 1.2}
	a, choked, err := g.VentArea(0.3, 21e5, 101325, 1000, 0.8)
	if err != nil || !choked || math.Abs(g.MassFlow(a*0.8, 21e5, 101325, 1000)/0.026-0.3) > 1e-12 {
		t.Errorf("area %g choked %v (%v)", a, choked, err)
	}
	if _, choked, err := g.VentArea(0.3, 1.2e5, 101325, 1000, 1); err != nil || choked {
		t.Errorf("0.2 bar choke: %v %v", choked, err)
	}
	for _, bad := range [][5]float64{{0, 2e5, 1e5, 300, 1}, {1, 1e5, 2e5, 300, 1}, {1, 2e5, 1e5, 300, 0}, {1, 2e5, 1e5, 300, 2}} {
		if _, _, err := g.VentArea(bad[0], bad[1], bad[2], bad[3], bad[4]); err == nil {
			t.Errorf("%v: no error", bad)
		}
	}
	if _, _, err := (Gas{MolarMass: 0.02, Gamma: 1}).VentArea(1, 2e5, 1e5, 300, 1); err == nil {
		t.Error("gamma 1: no error")
	}
	if u := AreaU(0.03, 0.04, 0, 0); math.Abs(u-0.05) > 1e-12 {
		t.Errorf("relative uncertainty %g, want 0.05", u)
	}
}
