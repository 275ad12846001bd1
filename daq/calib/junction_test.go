package calib

import (
	"encoding/json"
	"math"
	"reflect"
	"testing"
)

// The cold junction is compensated in EMF (IEC 60584-1; the values computed by
// another program from the coefficients of NIST Monograph 175). Adding
// temperatures instead gives 401.279 °C for 400 °C: the trap has its own row.
func TestColdJunctionIsCompensatedInEMF(t *testing.T) {
	tc := types["K"]
	for _, c := range checks(t, "tc.cjc") {
		switch c.rest {
		case "net":
			hot, cold := c.in["t_hot"].(float64), c.in["t_cj"].(float64)
			c.compare(t, tc.EMF(hot)-tc.EMF(cold))
			got, ok := tc.Compensate(c.want, cold)
			if !ok || math.Abs(got-hot) > 2e-5 {
				t.Errorf("%s: %.6f °C, want %g", c.id, got, hot)
			}
		case "naive":
			e := c.in["E_net"].(float64)
			wrong, _ := tc.Temperature(e)
			c.compare(t, wrong+25)
			if right, _ := tc.Compensate(e, 25); math.Abs(right-wrong-25) < 1 {
				t.Errorf("%s: compensation gives the wrong sum %.4f °C", c.id, right)
			}
		default:
			t.Errorf("row %s is not checked", c.id)
		}
	}
	if got, ok := tc.Compensate(1, math.NaN()); ok || !math.IsNaN(got) {
		t.Errorf("unknown cold junction gives %g, %v", got, ok)
	}
	if got, ok := tc.Compensate(1, 5000); ok || !math.IsNaN(got) {
		t.Errorf("impossible cold junction gives %g, %v", got, ok)
	}
}

// The sensitivity is the ratio of the Seebeck coefficients: a small change of
// the cold junction moves the result by it.
func TestJunctionSensitivity(t *testing.T) {
	for _, l := range Thermocouples() {
		tc := types[l]
		lo, hi := tc.RangeC()
		hot, cold := lo+0.8*(hi-lo), 30.0
		e := tc.EMF(hot) - tc.EMF(cold)
		const d = 1e-3
		moved, _ := tc.Compensate(e, cold+d)
		if got, want := tc.JunctionSensitivity(hot, cold), (moved-hot)/d; math.Abs(got-want) > 1e-4 {
			t.Errorf("type %s: %.6f, by difference %.6f", l, got, want)
		}
	}
	if s := types["K"].JunctionSensitivity(5000, 25); s != 0 {
		t.Errorf("off the table: %g", s)
	}
}

// Tolerance classes of IEC 60584-1:2013, as tabulated publicly (fetched text)
// and single values computed from the rule by another program.
func TestTolerances(t *testing.T) {
	for _, c := range checks(t, "tc.tolval") { // K1.400: type, class, °C
		got, ok := types[c.letter[:1]].ToleranceC(int(c.letter[1]-'0'), c.in["t"].(float64))
		if !ok {
			t.Errorf("%s: outside the class's range", c.id)
		}
		c.compare(t, got)
	}
	// One value on each side of every knee of the table's rules.
	for _, c := range []struct {
		letters string
		class   int
		t, want float64
	}{{"KN", 1, 375, 1.5}, {"KN", 1, 500, 2}, {"KN", 2, 333, 2.5}, {"KN", 2, 400, 3}, {"KN", 3, -166, 2.5}, {"KN", 3, -190, 2.85},
		{"T", 1, 125, 0.5}, {"T", 1, 300, 1.2}, {"T", 2, 133, 1}, {"T", 2, 200, 1.5}, {"T", 3, -66, 1}, {"T", 3, -100, 1.5},
		{"J", 1, 300, 1.5}, {"J", 1, 750, 3}, {"J", 2, 300, 2.5}, {"J", 2, 600, 4.5},
		{"E", 1, 300, 1.5}, {"E", 1, 800, 3.2}, {"E", 2, 300, 2.5}, {"E", 2, 800, 6}, {"E", 3, -160, 2.5}, {"E", 3, -200, 3},
		{"RS", 1, 1100, 1}, {"RS", 1, 1600, 2.5}, {"RS", 2, 600, 1.5}, {"RS", 2, 1600, 4},
		{"B", 2, 600, 1.5}, {"B", 2, 1600, 4}, {"B", 3, 700, 4}, {"B", 3, 1600, 8}} {
		for _, l := range c.letters {
			if got, ok := types[string(l)].ToleranceC(c.class, c.t); !ok || math.Abs(got-c.want) > 1e-12 {
				t.Errorf("type %c class %d at %g °C: %g, %v; want %g", l, c.class, c.t, got, ok, c.want)
			}
		}
	}
	if _, ok := types["K"].ToleranceC(1, 1100); ok {
		t.Error("class 1 of type K ends at 1000 °C")
	}
	if c, ok := types["B"].ToleranceC(1, 800); ok || c != 0 {
		t.Errorf("type B has no class 1: %g, %v", c, ok)
	}
}

// The standard uncertainty of a tolerance is that of a rectangular distribution
// (GUM, JCGM 100:2008, 4.3.7: half width / sqrt 3; from memory).
func TestUncertainty(t *testing.T) {
	near := func(name string, got, want float64) {
		t.Helper()
		if !(math.Abs(got-want) <= 1e-12*math.Max(1, math.Abs(want))) {
			t.Errorf("%s: %.15g, want %.15g", name, got, want)
		}
	}
	cert := Curve{Kind: Linear, Gain: 1, UOffset: 300, UGain: 4e-4}
	near("certificate", cert.U(1e6), 500)
	near("certificate at 0", cert.U(0), 300)
	near("difference", cert.UDifference(-1e6), 400)

	tc := Curve{Kind: ThermocoupleCurve, Thermocouple: "K", Class: 1, JunctionC: 25}
	near("class floor", tc.U(100), 1.5/math.Sqrt(3))
	near("class slope", tc.U(1000), 4/math.Sqrt(3))
	near("continuous at the knee", tc.U(375.000001)-tc.U(375), 0.004*1e-6/math.Sqrt(3))
	tc.JunctionU = 0.5
	s := types["K"].JunctionSensitivity(1000, 25)
	near("with junction", tc.U(1000), math.Hypot(4/math.Sqrt(3), 0.5*s))
	near("difference", tc.UDifference(1000), 4/math.Sqrt(3))
	tc.UOffset = 0.3
	near("certificate before class", tc.UOffsetAt(1000), 0.3)

	r := Curve{Kind: ThermocoupleCurve, Thermocouple: "S", Class: 1}
	near("type S at 1100", r.U(1100), 1/math.Sqrt(3))
	near("nothing stated", Curve{Kind: ThermocoupleCurve, Thermocouple: "K"}.U(500), 0)
	near("referred", UReferred(300, 400), 500)
	near("absolute", Absolute(18e5, 101325), 1901325)
	near("gauge", Gauge(Absolute(18e5, 98000), 98000), 18e5)
}

// The option struct travels in the record: nothing may be lost on the way.
func TestCurveRoundTripsThroughJSON(t *testing.T) {
	c := Curve{Kind: ThermocoupleCurve, ScaleGain: 1e-4, ScaleOffset: -0.1, Thermocouple: "K", Junction: "cj", JunctionC: 25, JunctionU: 0.2, Class: 2,
		Zero: 1, ZeroLimit: 2, ZeroSlopeLimit: 3, UOffset: 0.1, UGain: 0.01, Gain: 4, Offset: 5, LoopLow: 6, LoopHigh: 7,
		Coefficients: []float64{1, 2}, SignalLow: -1, SignalHigh: 1, ExcitationV: 10, Excitation: "exc", ExcitationU: 0.01, ShuntMVV: 0.5, ShuntTolerance: 0.01,
		R0: 100, LeadOhm: 0.2, PlatinumClass: "A", Mask: 4, Threshold: new(float64), Inverted: true, ReversedK: 20,
		SealPa: 1e5, SealU: 100, Ambient: SubtractAmbient, Barometer: "b", AmbientPa: 1e5, AmbientU: 50}
	b, err := json.Marshal(c)
	if err != nil {
		t.Fatal(err)
	}
	var d Curve
	if err := json.Unmarshal(b, &d); err != nil || !reflect.DeepEqual(d, c) {
		t.Errorf("%s gives %+v (%v), want %+v", b, d, err, c)
	}
}
