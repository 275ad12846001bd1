package calib

import (
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

func mustCompile(t *testing.T, c Curve) Law {
	t.Helper()
	l, err := Compile(c)
	if err != nil {
		t.Fatal(err)
	}
	return l
}

// A linear law from a certificate: counts to volts to pascals, worked by hand.
func TestLinearLaw(t *testing.T) {
	l := mustCompile(t, Curve{Kind: Linear, ScaleGain: 10.0 / 32768, Gain: 1e6, Offset: -2000, Zero: 500})
	for _, c := range []struct{ raw, want float64 }{{0, -2500}, {32768, 1e7 - 2500}, {-32768, -1e7 - 2500}, {16384, 5e6 - 2500}} {
		if v, f := l.Value(c.raw, 0); f != Sound || math.Abs(v-c.want) > 1e-6 {
			t.Errorf("%g counts: %g (%v), want %g", c.raw, v, f, c.want)
		}
	}
	if v, f := l.Value(math.NaN(), 0); f != NoValue || !math.IsNaN(v) {
		t.Errorf("NaN: %g (%v)", v, f)
	}
	if v, f := l.Value(math.Inf(1), 0); f != NoValue || !math.IsNaN(v) {
		t.Errorf("Inf: %g (%v)", v, f)
	}
	if lo, hi := l.Quiet(); lo != -math.MaxFloat64 || hi != math.MaxFloat64 {
		t.Errorf("quiet band %g..%g, want all finite numbers", lo, hi)
	}
	one := mustCompile(t, Curve{Kind: Linear, Gain: 2})
	if v, _ := one.Value(3, 0); v != 6 {
		t.Errorf("a scale gain of 0 is read as 1: %g", v)
	}
}

// 4 mA is the lower value, 20 mA the upper, and the live zero tells a broken
// wire from an empty vessel. The limits 3.6, 3.8, 20.5 and 21 mA are those of
// the NAMUR convention (from memory).
func TestCurrentLoop(t *testing.T) {
	c := Curve{Kind: CurrentLoop, ScaleGain: 24.0 / 65536, LoopLow: 0, LoopHigh: 100e5, Zero: 1000}
	l := mustCompile(t, c)
	raw := func(mA float64) float64 { return mA / c.ScaleGain }
	for _, k := range []struct {
		mA    float64
		fault Fault
	}{{0, OpenLoop}, {3.59, OpenLoop}, {3.61, BelowRange}, {3.79, BelowRange}, {3.81, Sound}, {4, Sound}, {12, Sound}, {20, Sound}, {20.49, Sound},
		{20.51, AboveRange}, {20.99, AboveRange}, {21.01, Failed}, {24, Failed}} {
		v, f := l.Value(raw(k.mA), 0)
		want := (k.mA-4)/16*100e5 - 1000
		if f != k.fault || math.Abs(v-want) > 1e-3 {
			t.Errorf("%g mA: %g (%v), want %g (%v)", k.mA, v, f, want, k.fault)
		}
	}
}

// Inside the quiet band the linear form and Value agree to the bit and there
// is no fault; outside there is one, whichever way the converter counts.
func TestQuietBand(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := Curve{Kind: CurrentLoop, ScaleGain: rapid.SampledFrom([]float64{1, 1e-3, -1e-3, 3.7e-4}).Draw(t, "scale"),
			ScaleOffset: rapid.Float64Range(-5, 5).Draw(t, "shift"), LoopLow: rapid.Float64Range(-1e5, 0).Draw(t, "low"),
			LoopHigh: rapid.Float64Range(1, 1e7).Draw(t, "high"), Zero: rapid.Float64Range(-100, 100).Draw(t, "zero")}
		l, err := Compile(c)
		if err != nil {
			t.Fatal(err)
		}
		raw := (rapid.Float64Range(0, 25).Draw(t, "mA") - c.ScaleOffset) / c.ScaleGain
		gain, offset, ok := l.Linear()
		lo, hi := l.Quiet()
		v, fault := l.Value(raw, math.NaN())
		if !ok || v != gain*raw+offset {
			t.Fatalf("value %g, linear form %g (%v)", v, gain*raw+offset, ok)
		}
		if inside := raw >= lo && raw <= hi; inside && fault != Sound {
			t.Fatalf("raw %g in the quiet band %g..%g has fault %v", raw, lo, hi, fault)
		}
		// The band's ends are the limits but for a rounding.
		if i := c.ScaleGain*raw + c.ScaleOffset; fault == Sound && (i < LoopUnderMA-1e-9 || i > LoopOverMA+1e-9) {
			t.Fatalf("%g mA is sound", i)
		}
	})
}

func TestThermocoupleLaw(t *testing.T) {
	l := mustCompile(t, Curve{Kind: ThermocoupleCurve, Thermocouple: "K", ScaleGain: 1e-4, Zero: 0.5})
	if _, _, ok := l.Linear(); ok {
		t.Error("a thermocouple is not linear")
	}
	// 400 °C hot, 25 °C cold: 15.396899 mV (computed by another program from the
	// coefficients of NIST Monograph 175).
	if v, f := l.Value(153968.99, 25); f != Sound || math.Abs(v-399.5) > 2e-5 {
		t.Errorf("%.6f (%v), want 399.5", v, f)
	}
	if v, f := l.Value(1e9, 25); f != OffTable || v != 1371.5 {
		t.Errorf("far above the table: %g (%v)", v, f)
	}
	if v, f := l.Value(-1e9, 25); f != OffTable || v != -270.5 {
		t.Errorf("far below the table: %g (%v)", v, f)
	}
	if v, f := l.Value(100, math.NaN()); f != NoValue || !math.IsNaN(v) {
		t.Errorf("no cold junction: %g (%v)", v, f)
	}
}

// Every problem is named by its field, with a next move.
func TestCheckFindsEveryProblem(t *testing.T) {
	for _, c := range []struct {
		name   string
		curve  Curve
		fields string
	}{
		{"good linear", Curve{Kind: Linear, Gain: 1}, ""},
		{"good loop", Curve{Kind: CurrentLoop, LoopHigh: 1e7}, ""},
		{"good thermocouple", Curve{Kind: ThermocoupleCurve, Thermocouple: "N", JunctionC: 23, Class: 3}, ""},
		{"no kind", Curve{}, "kind"},
		{"no gain", Curve{Kind: Linear}, "gain"},
		{"not finite", Curve{Kind: Linear, Gain: math.NaN(), Offset: math.Inf(1)}, "gain offset"},
		{"loop of one value", Curve{Kind: CurrentLoop, LoopLow: 5, LoopHigh: 5}, "loop_high"},
		{"no such type", Curve{Kind: ThermocoupleCurve, Thermocouple: "k"}, "thermocouple"},
		{"no such class", Curve{Kind: ThermocoupleCurve, Thermocouple: "B", Class: 1}, "class"},
		{"junction too hot", Curve{Kind: ThermocoupleCurve, Thermocouple: "T", JunctionC: 500}, "junction_C"},
		{"junction measured", Curve{Kind: ThermocoupleCurve, Thermocouple: "T", JunctionC: 500, Junction: "cj"}, ""},
		{"class of a linear", Curve{Kind: Linear, Gain: 1, Class: 1}, "class"},
		{"negative u", Curve{Kind: Linear, Gain: 1, UOffset: -1, UGain: -1, ZeroLimit: -1}, "u_offset u_gain zero_limit"},
		{"percent", Curve{Kind: Linear, Gain: 1, UGain: 1.5}, "u_gain"},
		{"good platinum", Curve{Kind: Platinum, R0: 100, PlatinumClass: "A"}, ""},
		{"no R0", Curve{Kind: Platinum, PlatinumClass: "Z"}, "r0_ohm platinum_class"},
		{"class of a loop", Curve{Kind: CurrentLoop, LoopHigh: 1, PlatinumClass: "A"}, "platinum_class"},
		{"good bridge", Curve{Kind: Bridge, Gain: 1, ExcitationV: 5, Excitation: "e"}, ""},
		{"bridge of nothing", Curve{Kind: Bridge, Excitation: "e", ShuntTolerance: 2}, "gain excitation_V shunt_tolerance"},
		{"good polynomial", Curve{Kind: Polynomial, Coefficients: []float64{0, 1}, SignalHigh: 1}, ""},
		{"one coefficient", Curve{Kind: Polynomial, Coefficients: []float64{1}, SignalHigh: 1}, "coefficients"},
		{"no range", Curve{Kind: Polynomial, Coefficients: []float64{0, 1}}, "signal_high"},
		{"turns", Curve{Kind: Polynomial, Coefficients: []float64{0, 0, 1}, SignalLow: -1, SignalHigh: 1}, "coefficients"},
		{"not finite", Curve{Kind: Polynomial, Coefficients: []float64{0, math.NaN()}, SignalHigh: 1}, "coefficients"},
		{"good bit", Curve{Kind: Digital, Mask: 2, Inverted: true}, ""},
		{"bit and threshold", Curve{Kind: Digital, Mask: 2, Threshold: new(float64), Zero: 1}, "threshold zero"},
		{"good reference", Curve{Kind: Linear, Gain: 1, SealPa: 1e5, Ambient: SubtractAmbient, Barometer: "b"}, ""},
		{"barometer for nothing", Curve{Kind: Linear, Gain: 1, Barometer: "b"}, "barometer"},
		{"no ambient", Curve{Kind: Linear, Gain: 1, Ambient: AddAmbient, SealPa: -1}, "ambient_Pa seal_Pa"},
		{"no such word", Curve{Kind: Linear, Gain: 1, Ambient: "plus"}, "ambient"},
		{"zero too big", Curve{Kind: Linear, Gain: 1, Zero: -3, ZeroLimit: 2}, "zero"},
	} {
		var fields []string
		for _, p := range c.curve.Check() {
			fields = append(fields, p.Field)
			if !strings.Contains(p.Error(), p.Field+" = ") || !strings.Contains(p.Message, ";") && !strings.Contains(p.Message, "only") {
				t.Errorf("%s: %q has no field or no next move", c.name, p)
			}
		}
		if got := strings.Join(fields, " "); got != c.fields {
			t.Errorf("%s: problems with %q, want %q", c.name, got, c.fields)
		}
		if _, err := Compile(c.curve); (err != nil) != (c.fields != "") {
			t.Errorf("%s: Compile: %v", c.name, err)
		}
	}
}

func TestFaultNames(t *testing.T) {
	seen := map[string]bool{}
	for f := Sound; f <= OffTable; f++ {
		if n := f.String(); n == "" || seen[n] {
			t.Errorf("fault %d is named %q", f, n)
		} else {
			seen[n] = true
		}
	}
	if n := Fault(99).String(); n != "Fault(99)" {
		t.Errorf("unknown fault is named %q", n)
	}
}

func BenchmarkValue(b *testing.B) {
	for _, c := range []struct {
		name  string
		curve Curve
	}{{"linear", Curve{Kind: Linear, Gain: 1.5}}, {"loop", Curve{Kind: CurrentLoop, ScaleGain: 1e-3, LoopHigh: 1e7}},
		{"thermocouple-K", Curve{Kind: ThermocoupleCurve, Thermocouple: "K", ScaleGain: 1e-3}}} {
		b.Run(c.name, func(b *testing.B) {
			l, err := Compile(c.curve)
			if err != nil {
				b.Fatal(err)
			}
			b.ReportAllocs()
			sum, raw := 0.0, 4000.0
			for b.Loop() {
				if raw += 7; raw > 20000 {
					raw = 4000
				}
				v, _ := l.Value(raw, 25)
				sum += v
			}
			_ = sum
		})
	}
}
