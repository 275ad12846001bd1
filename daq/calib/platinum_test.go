package calib

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

// R(t) against the rows of checks.csv (IEC 60751 coefficients, from memory;
// computed by another program).
func TestPlatinumAgainstCheckValues(t *testing.T) {
	rows := checks(t, "rtd.pt100")
	for _, c := range rows {
		at, r0 := c.in["t_C"].(float64), c.in["R0"].(float64)
		c.compare(t, r0*PlatinumRatio(at))
		if got, ok := PlatinumTemperature(c.want / r0); !ok || math.Abs(got-at) > 0.02 { // the rows have four decimals at most
			t.Errorf("%s: back to %.4f °C (%v), want %g", c.id, got, ok, at)
		}
	}
	if len(rows) != 10 {
		t.Errorf("%d rows, want 10", len(rows))
	}
}

// The inverse is exact over the whole range, also across 0 °C.
func TestPlatinumInverseIsExact(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		want := rapid.Float64Range(PlatinumLowC, PlatinumHighC).Draw(t, "t")
		if got, ok := PlatinumTemperature(PlatinumRatio(want)); !ok || math.Abs(got-want) > 1e-9 {
			t.Fatalf("%.12g comes back as %.12g (%v)", want, got, ok)
		}
	})
	for _, want := range []float64{PlatinumLowC, -1e-9, 0, 1e-9, PlatinumHighC} {
		if got, ok := PlatinumTemperature(PlatinumRatio(want)); !ok || math.Abs(got-want) > 1e-9 {
			t.Errorf("%g comes back as %g (%v)", want, got, ok)
		}
	}
}

func TestPlatinumOffItsRange(t *testing.T) {
	for _, c := range []struct{ ratio, want float64 }{{0, PlatinumLowC}, {-1, PlatinumLowC}, {4, PlatinumHighC}, {math.Inf(1), PlatinumHighC}} {
		if got, ok := PlatinumTemperature(c.ratio); ok || got != c.want {
			t.Errorf("ratio %g: %g (%v)", c.ratio, got, ok)
		}
	}
	if got, ok := PlatinumTemperature(math.NaN()); ok || !math.IsNaN(got) {
		t.Errorf("NaN: %g (%v)", got, ok)
	}
	if !math.IsNaN(PlatinumRatio(851)) || !math.IsNaN(PlatinumRatio(-201)) || !math.IsNaN(PlatinumRatio(math.NaN())) {
		t.Error("R(t) outside its range is a number")
	}
}

// The law: leads are taken off, an open wire and a short are told apart.
func TestPlatinumLaw(t *testing.T) {
	l, err := Compile(Curve{Kind: Platinum, ScaleGain: 0.01, R0: 1000, LeadOhm: 2, Zero: 0.5})
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		raw, want float64
		fault     Fault
	}{
		{100200, -0.5, Sound}, {100*1385.055 + 200, 99.5, Sound}, {1 << 20, PlatinumHighC - 0.5, OpenLoop}, {300, PlatinumLowC - 0.5, OffTable},
	} {
		if v, f := l.Value(c.raw, math.NaN()); f != c.fault || math.Abs(v-c.want) > 1e-3 {
			t.Errorf("raw %g: %g (%v), want %g (%v)", c.raw, v, f, c.want, c.fault)
		}
	}
	if _, _, linear := l.Linear(); linear {
		t.Error("a platinum thermometer is not linear")
	}
}

// Tolerance classes of IEC 60751:2008 (from memory) and the standard
// uncertainty that follows: half width over the root of three (GUM 4.3.7).
func TestPlatinumTolerance(t *testing.T) {
	for _, c := range []struct {
		class   string
		t, want float64
		stated  bool
	}{
		{"AA", 0, 0.1, true}, {"A", 100, 0.35, true}, {"B", 100, 0.8, true}, {"C", -100, 1.6, true}, {"A", 500, 1.15, false}, {"D", 0, 0, false},
	} {
		got, ok := PlatinumToleranceC(c.class, c.t)
		if math.Abs(got-c.want) > 1e-12 || ok != c.stated {
			t.Errorf("class %s at %g °C: %g (%v), want %g (%v)", c.class, c.t, got, ok, c.want, c.stated)
		}
		if u := (Curve{Kind: Platinum, R0: 100, PlatinumClass: c.class}).U(c.t); math.Abs(u-c.want/math.Sqrt(3)) > 1e-12 {
			t.Errorf("class %s at %g °C: u = %g, want %g", c.class, c.t, u, c.want/math.Sqrt(3))
		}
	}
	if u := (Curve{Kind: Platinum, R0: 100, PlatinumClass: "B", UOffset: 0.02}).U(100); u != 0.02 {
		t.Errorf("with a certificate: u = %g, want the certificate's 0.02", u)
	}
	if d := (Curve{Kind: Platinum, PlatinumClass: "B"}).UDifference(100); math.Abs(d-0.5/math.Sqrt(3)) > 1e-12 {
		t.Errorf("of a difference of 100 K: u = %g", d)
	}
}

func BenchmarkPlatinum(b *testing.B) {
	b.ReportAllocs()
	sum := 0.0
	for i := range b.N {
		v, _ := PlatinumTemperature(0.5 + float64(i%1000)*1e-3)
		sum += v
	}
	if sum == 0 {
		b.Fatal("no temperature")
	}
}
