package flow

import (
	"encoding/csv"
	"encoding/json"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// n2 is the gas of the rows; air with the textbook's specific gas constant of
// 287.05 J/(kg K).
var (
	n2  = Gas{Name: "N2", MolarMass: 0.0280134, Gamma: 1.4}
	air = Gas{Name: "air", MolarMass: R / 287.05, Gamma: 1.4}
)

// vessel is the blow-down example of the rows: nitrogen, 100 mL, orifice of
// 1 mm, C_d 1, 293.15 K.
var vessel = Vessel{Gas: n2, VolumeM3: 1e-4, AreaM2: math.Pi / 4 * 1e-6, T0: 293.15}

// notApplicable names the rows that check something this package does not
// claim, with the reason.
var notApplicable = map[string]string{
	"api520.ex4": "steam by an empirical equation (Napier), not the ideal gas of this package",
}

// relativeTolerance widens the stated tolerance where the row's formula works
// with rounded unit constants (13160, 17.9, 0.03948 of API 520 Part I).
var relativeTolerance = map[string]float64{
	"api520.ex1":       1e-3,
	"api520.ex1.indep": 1e-3,
	"api520.ex2":       2e-3,
}

func rowValue(t *testing.T, id string, in map[string]float64) (float64, bool) {
	t.Helper()
	part := strings.Split(id, ".")
	switch part[0] {
	case "iso", "iso8":
		f := map[string]func(M, g float64) float64{
			"p_pt": PressureRatio, "rho_rhot": DensityRatio, "T_Tt": TemperatureRatio, "A_Astar": AreaRatio,
		}[part[len(part)-1]]
		return f(in["M"], in["gamma"]), true
	case "crit":
		return CriticalRatio(in["gamma"]), true
	}
	bsl := Vessel{Gas: Gas{MolarMass: 0.0289647, Gamma: 1.4}, VolumeM3: 10 * 0.028316846592, AreaM2: 0.1 * 0.09290304, T0: 300}
	must := func(v float64, err error) (float64, bool) {
		if err != nil {
			t.Fatalf("%s: %v", id, err)
		}
		return v, true
	}
	api := Gas{MolarMass: 0.051, Gamma: 1.11}
	switch id {
	case "choked.air":
		return air.ChokedFlux(in["p0"], in["T0"]), true
	case "choked.fliegner":
		return air.ChokedFlux(1, 1), true
	case "choked.N2.1mm":
		return n2.MassFlow(vessel.AreaM2, in["p0"], 0, in["T0"]), true
	case "api520.ex1", "api520.ex1.indep":
		a, ok := must(api.EffectiveArea(24270.0/3600, 670e3, 0, 348, 0.9))
		return a / 0.975 * 1e6, ok
	case "api520.C.1.11":
		// C = 3600 s/h·1e3 (kPa)·1e-6 (mm²)·sqrt(γ/R)·… with M in kg/kmol.
		g := Gas{MolarMass: 1e-3, Gamma: in["k"]}
		return g.ChokedFlux(1e3, 1) * 1e-6 * 3600, true
	case "api520.ex2":
		a, ok := must(api.EffectiveArea(24270.0/3600, 670e3, in["P2_kPa"]*1e3, 348, 0.9))
		return a / 0.975 * 1e6, ok
	case "bsl.a.p":
		return in["P0_atm"] * CriticalRatio(in["gamma"]), true
	case "bsl.a.T":
		return in["T0"] * CriticalTemperatureRatio(1.4), true
	case "bsl.b.T":
		return bsl.AdiabaticTemperature(100, in["P_atm"]), true
	case "bsl.c.choked":
		return must(bsl.AdiabaticTime(1, criticalPressureOver(1, 1.4)/100))
	case "blow.tau":
		return vessel.Tau(), true
	case "blow.adi.1e+06", "blow.adi.5e+05", "blow.adi.2e+05":
		return must(vessel.AdiabaticTime(in["P0"], in["P"]))
	case "blow.iso.1e+06", "blow.iso.5e+05", "blow.iso.2e+05":
		return must(vessel.IsothermalTime(in["P0"], in["P"]))
	case "blow.adi.P":
		return vessel.AdiabaticPressure(1, vessel.Tau()/2), true
	case "blow.slope0":
		return vessel.SlopeAdiabatic(1, 1, 0) / (-1 / vessel.Tau()), true
	}
	return 0, false
}

// criticalPressureOver is the inside pressure at which flow into pb ceases to
// be choked.
func criticalPressureOver(pb, gamma float64) float64 { return pb / CriticalRatio(gamma) }

// TestPublishedRows checks every row of testdata/flow/checkvalues.csv, whose
// columns name its source and how far it was read, computed or remembered.
func TestPublishedRows(t *testing.T) {
	f, err := os.Open("../../testdata/flow/checkvalues.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	byStatus := map[string]int{}
	for _, r := range rows[1:] {
		id, status := r[0], r[7]
		if why, ok := notApplicable[id]; ok {
			t.Logf("%s: not applicable: %s", id, why)
			continue
		}
		in := map[string]float64{}
		var raw map[string]any
		if err := json.Unmarshal([]byte(r[2]), &raw); err != nil {
			t.Fatalf("%s: inputs: %v", id, err)
		}
		for k, v := range raw {
			if x, ok := v.(float64); ok {
				in[k] = x
			}
		}
		want, err := strconv.ParseFloat(r[3], 64)
		if err != nil {
			t.Fatalf("%s: %v", id, err)
		}
		tol, err := strconv.ParseFloat(r[5], 64)
		if err != nil {
			t.Fatalf("%s: %v", id, err)
		}
		tol = math.Max(tol, relativeTolerance[id]*want)
		got, ok := rowValue(t, id, in)
		if !ok {
			t.Errorf("%s: no check for this row", id)
			continue
		}
		if math.Abs(got-want) > tol {
			t.Errorf("%s (%s; %s): got %.10g, want %.10g within %g", id, r[6], status, got, want, tol)
		}
		byStatus[strings.Fields(status)[0]]++
	}
	t.Logf("rows passed by first word of status: %v", byStatus)
	if len(rows)-1 < 60 {
		t.Errorf("only %d rows read, want all of the topic", len(rows)-1)
	}
}

// TestBlowdownSolvesItsEquation integrates SlopeAdiabatic with small steps of a
// plain Runge-Kutta rule and compares with the closed form.
func TestBlowdownSolvesItsEquation(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		v := vessel
		v.Gas = gases[rapid.SampledFrom(Names()).Draw(t, "gas")]
		v.AreaM2 = rapid.Float64Range(1e-7, 1e-3).Draw(t, "area")
		v.VolumeM3 = rapid.Float64Range(1e-5, 1e-2).Draw(t, "volume")
		p0 := rapid.Float64Range(3e5, 1e7).Draw(t, "p0")
		end := v.Tau() * rapid.Float64Range(0.01, 2).Draw(t, "end")
		p, n := p0, 400
		h := end / float64(n)
		for i := 0; i < n; i++ {
			k1 := v.SlopeAdiabatic(p0, p, 0)
			k2 := v.SlopeAdiabatic(p0, p+h/2*k1, 0)
			k3 := v.SlopeAdiabatic(p0, p+h/2*k2, 0)
			k4 := v.SlopeAdiabatic(p0, p+h*k3, 0)
			p += h / 6 * (k1 + 2*k2 + 2*k3 + k4)
		}
		want := v.AdiabaticPressure(p0, end)
		if math.Abs(p/want-1) > 1e-8 {
			t.Fatalf("integrated %g, closed form %g", p, want)
		}
		back, err := v.AdiabaticTime(p0, want)
		if err != nil || math.Abs(back/end-1) > 1e-8 {
			t.Fatalf("time back %g (%v), want %g", back, err, end)
		}
		iso, err := v.IsothermalTime(p0, v.IsothermalPressure(p0, end))
		if err != nil || math.Abs(iso/end-1) > 1e-9 {
			t.Fatalf("isothermal time back %g (%v), want %g", iso, err, end)
		}
		if a := v.Gas.AreaFromTau(v.VolumeM3, v.Tau(), v.T0); math.Abs(a/v.AreaM2-1) > 1e-12 {
			t.Fatalf("area back %g, want %g", a, v.AreaM2)
		}
	})
}

// TestFluxJoins checks that the flux is continuous where it ceases to be
// choked, falls to nothing at equal pressures and never rises with the
// back-pressure.
func TestFluxJoins(t *testing.T) {
	for _, name := range Names() {
		g, err := Lookup(name)
		if err != nil {
			t.Fatal(err)
		}
		rc := CriticalRatio(g.Gamma)
		if j := g.Subcritical(rc*(1+1e-9)) - 1; math.Abs(j) > 1e-9 {
			t.Errorf("%s: jump of %g at the critical ratio", name, j)
		}
		last := 1.0
		for r := 0.0; r <= 1; r += 1e-3 {
			x := g.Subcritical(r)
			if x > last+1e-12 {
				t.Fatalf("%s: flux rises at ratio %g", name, r)
			}
			last = x
		}
		if g.Subcritical(1) != 0 || g.Flux(1e5, 2e5, 293) != 0 {
			t.Errorf("%s: flow without a pressure difference", name)
		}
		p0, mdot := 2.5e6, 0.01
		a, err := g.EffectiveArea(mdot, p0, 1e5, 300, 1)
		if err != nil || math.Abs(g.MassFlow(a, p0, 1e5, 300)/mdot-1) > 1e-12 {
			t.Errorf("%s: area %g does not pass the flow (%v)", name, a, err)
		}
	}
}

func TestRefusals(t *testing.T) {
	if _, err := Lookup("helium"); err == nil || !strings.Contains(err.Error(), "N2") {
		t.Errorf("unknown gas: %v", err)
	}
	for _, c := range [][5]float64{{0, 2, 1, 300, 1}, {1, 1, 2, 300, 1}, {1, 2, 1, -1, 1}, {1, 2, 1, 300, 0}, {1, math.NaN(), 1, 300, 1}} {
		if _, err := n2.EffectiveArea(c[0], c[1], c[2], c[3], c[4]); err == nil {
			t.Errorf("%v: no error", c)
		}
	}
	if _, err := vessel.AdiabaticTime(1, 2); err == nil {
		t.Error("blow-down upwards: no error")
	}
	if _, err := vessel.IsothermalTime(1, 0); err == nil {
		t.Error("blow-down to vacuum: no error")
	}
}
