package calib

import (
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// A bridge of 2 mV/V at 60 bar: the same value from mV/V, from mV at a fixed
// excitation and from mV at a measured one that has drifted.
func TestBridgeIsRatiometric(t *testing.T) {
	const gain = 60e5 / 2
	ratio, err := Compile(Curve{Kind: Bridge, Gain: gain, Offset: 100})
	fixed, err2 := Compile(Curve{Kind: Bridge, Gain: gain, Offset: 100, ExcitationV: 10})
	measured, err3 := Compile(Curve{Kind: Bridge, Gain: gain, Offset: 100, ExcitationV: 10, Excitation: "exc"})
	if err != nil || err2 != nil || err3 != nil {
		t.Fatal(err, err2, err3)
	}
	const want = 30e5 + 100
	for name, got := range map[string]float64{"mV/V": value(t, &ratio, 1, 0), "mV, 10 V": value(t, &fixed, 10, 0), "mV, 9.5 V measured": value(t, &measured, 9.5, 9.5)} {
		if math.Abs(got-want) > 1e-6 {
			t.Errorf("%s: %g, want %g", name, got, want)
		}
	}
	if _, _, linear := measured.Linear(); linear {
		t.Error("a bridge with measured excitation is not linear in its raw reading alone")
	}
	if _, _, linear := fixed.Linear(); !linear {
		t.Error("a bridge with a fixed excitation is linear")
	}
	for _, c := range []struct {
		excitation float64
		fault      Fault
	}{{math.NaN(), NoValue}, {0, OpenLoop}, {4.9, OpenLoop}, {15.1, OpenLoop}, {5.1, Sound}} {
		if _, f := measured.Value(10, c.excitation); f != c.fault {
			t.Errorf("excitation %g V: %v, want %v", c.excitation, f, c.fault)
		}
	}
}

func value(t *testing.T, l *Law, raw, helper float64) float64 {
	t.Helper()
	v, f := l.Value(raw, helper)
	if f != Sound {
		t.Fatalf("raw %g: %v", raw, f)
	}
	return v
}

// The closed form against the two voltage dividers it stands for.
func TestShuntSignal(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		arm, shunt := rapid.Float64Range(100, 5000).Draw(t, "arm"), rapid.Float64Range(5e3, 1e6).Draw(t, "shunt")
		parallel := arm * shunt / (arm + shunt)
		want := 1000 * (0.5 - parallel/(arm+parallel))
		if got := ShuntSignal(arm, shunt); math.Abs(got-want) > 1e-9 {
			t.Fatalf("%g, the dividers give %g mV/V", got, want)
		}
	})
}

func TestCheckShunt(t *testing.T) {
	c := Curve{Kind: Bridge, Gain: 1, ShuntMVV: ShuntSignal(350, 100e3), ShuntTolerance: 0.01}
	d := c.ShuntMVV
	for _, k := range []struct {
		before, after float64
		says          string // "" for a good check
	}{
		{0.01, 0.01 + d, ""}, {-0.02, -0.02 + 1.009*d, ""}, {0, 1.02 * d, "2 % off"}, {0, -d, "wrong way"}, {0.01, 0.01, "switched on"}, {0, math.NaN(), "read both"},
	} {
		_, err := c.CheckShunt(k.before, k.after)
		if (err == nil) != (k.says == "") || err != nil && !strings.Contains(err.Error(), k.says) {
			t.Errorf("%g -> %g mV/V: %v, want %q", k.before, k.after, err, k.says)
		}
	}
	if _, err := (Curve{Kind: Bridge, Gain: 1}).CheckShunt(0, 1); err == nil {
		t.Error("checked without a stated shunt")
	}
}

// The excitation's uncertainty is one of the gain.
func TestBridgeUncertainty(t *testing.T) {
	c := Curve{Kind: Bridge, Gain: 1, ExcitationV: 10, ExcitationU: 0.02, UGain: 0.001, UOffset: 3}
	if got, want := c.U(1000), math.Sqrt(3*3+1+4); math.Abs(got-want) > 1e-9 {
		t.Errorf("u = %g, want %g", got, want)
	}
	if got, want := c.UDifference(1000), math.Sqrt(1+4); math.Abs(got-want) > 1e-9 {
		t.Errorf("u of a difference = %g, want %g", got, want)
	}
}

func TestReference(t *testing.T) {
	sealed := Curve{Kind: Linear, Gain: 1, SealPa: 101000, SealU: 300, Ambient: SubtractAmbient, AmbientPa: 95000, AmbientU: 400, UOffset: 1200}
	l, err := Compile(sealed)
	if err != nil {
		t.Fatal(err)
	}
	if v := value(t, &l, 0, 0); v != 6000 { // sealed at sea level, read in the mountains
		t.Errorf("sealed gauge at 0: %g Pa gauge, want 6000", v)
	}
	if u := sealed.U(1e5); math.Abs(u-1300) > 1e-9 { // 300, 400, 1200
		t.Errorf("u = %g, want 1300", u)
	}
	sealed.Barometer = "b"
	l, err = Compile(sealed)
	if err != nil || l.Referred() != -1 {
		t.Fatalf("sign %g, %v", l.Referred(), err)
	}
	if v := value(t, &l, 0, 0); v != 101000 {
		t.Errorf("without the barometer's reading: %g Pa, want the absolute 101000", v)
	}
	gauge := Curve{Kind: CurrentLoop, LoopHigh: 16e5, Ambient: AddAmbient, AmbientPa: 1e5}
	if l, err = Compile(gauge); err != nil || value(t, &l, 12, 0) != 9e5 {
		t.Errorf("gauge on an absolute channel: %v, %v", l, err)
	}
}
