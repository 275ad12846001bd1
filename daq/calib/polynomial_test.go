package calib

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

// A polynomial certificate by Horner against the sum of its terms, and its
// continuation along the tangent.
func TestPolynomial(t *testing.T) {
	c := Curve{Kind: Polynomial, Coefficients: []float64{-1.5, 6.02, -0.013, 0.0007}, SignalLow: 0, SignalHigh: 10}
	l, err := Compile(c)
	if err != nil {
		t.Fatal(err)
	}
	rapid.Check(t, func(t *rapid.T) {
		x := rapid.Float64Range(0, 10).Draw(t, "x")
		want := -1.5 + 6.02*x - 0.013*x*x + 0.0007*x*x*x
		if v, f := l.Value(x, 0); f != Sound || math.Abs(v-want) > 1e-12*(1+math.Abs(want)) {
			t.Fatalf("%g: %g (%v), want %g", x, v, f, want)
		}
	})
	end, slope := -1.5+60.2-1.3+0.7, 6.02-0.26+0.21
	if v, f := l.Value(12, 0); f != AboveRange || math.Abs(v-(end+2*slope)) > 1e-9 {
		t.Errorf("above: %g (%v), want %g", v, f, end+2*slope)
	}
	if v, f := l.Value(-1, 0); f != BelowRange || math.Abs(v-(-1.5-6.02)) > 1e-9 {
		t.Errorf("below: %g (%v)", v, f)
	}
	falling := Curve{Kind: Polynomial, Coefficients: []float64{10, -1}, SignalLow: 0, SignalHigh: 5}
	if l, err = Compile(falling); err != nil {
		t.Fatal(err)
	}
	if v, f := l.Value(6, 0); f != BelowRange || v != 4 {
		t.Errorf("a falling law beyond its high signal: %g (%v)", v, f)
	}
}

// Whatever compiles is one to one over its range: its values run one way.
func TestPolynomialRunsOneWay(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := Curve{Kind: Polynomial, Coefficients: rapid.SliceOfN(rapid.Float64Range(-3, 3), 2, 5).Draw(t, "c"), SignalLow: -1, SignalHigh: 1}
		l, err := Compile(c)
		if err != nil {
			return
		}
		last, _ := l.Value(-1, 0)
		way := 0.0
		for i := 1; i <= 50; i++ {
			v, _ := l.Value(-1+float64(i)/25, 0)
			if d := v - last; d*way < 0 {
				t.Fatalf("turns at %g", -1+float64(i)/25)
			} else if d != 0 {
				way = d
			}
			last = v
		}
	})
}

func TestDigital(t *testing.T) {
	half := 2.5
	for _, c := range []struct {
		name  string
		curve Curve
		raw   float64
		want  float64
		fault Fault
	}{
		{"any bit", Curve{Kind: Digital}, 4, 1, Sound},
		{"none", Curve{Kind: Digital}, 0, 0, Sound},
		{"bit 2 of a word", Curve{Kind: Digital, Mask: 4}, 0b1100, 1, Sound},
		{"another bit", Curve{Kind: Digital, Mask: 4}, 0b1011, 0, Sound},
		{"circuit healthy at 0", Curve{Kind: Digital, Mask: 1, Inverted: true}, 0, 1, Sound},
		{"inverted", Curve{Kind: Digital, Mask: 1, Inverted: true}, 1, 0, Sound},
		{"high bit of a signed count", Curve{Kind: Digital, Mask: 1 << 31}, -1 << 31, 1, Sound},
		{"no whole number", Curve{Kind: Digital, Mask: 1}, 0.5, math.NaN(), NoValue},
		{"missing", Curve{Kind: Digital, Inverted: true}, math.NaN(), math.NaN(), NoValue},
		{"volts, continuity", Curve{Kind: Digital, ScaleGain: 0.001, Threshold: &half}, 3300, 1, Sound},
		{"volts, broken", Curve{Kind: Digital, ScaleGain: 0.001, Threshold: &half}, 12, 0, Sound},
		{"volts, inverted", Curve{Kind: Digital, ScaleGain: 0.001, Threshold: &half, Inverted: true}, 12, 1, Sound},
	} {
		l, err := Compile(c.curve)
		if err != nil {
			t.Fatal(err)
		}
		if v, f := l.Value(c.raw, 0); f != c.fault || v != c.want && !(math.IsNaN(v) && math.IsNaN(c.want)) {
			t.Errorf("%s: %g (%v), want %g (%v)", c.name, v, f, c.want, c.fault)
		}
	}
}

// Reversed wires: a hot junction that seems far colder than the cold one (the
// sign of the EMF is the whole difference).
func TestReversedCouple(t *testing.T) {
	for _, letter := range []string{"K", "N", "T", "J", "E", "R", "S"} {
		tc := types[letter]
		l, err := Compile(Curve{Kind: ThermocoupleCurve, Thermocouple: letter, ReversedK: 20, Junction: "cj"})
		if err != nil {
			t.Fatal(err)
		}
		e := tc.EMF(60) - tc.EMF(25)
		if v, f := l.Value(e, 25); f != Sound || math.Abs(v-60) > 1e-6 {
			t.Errorf("type %s: %g (%v)", letter, v, f)
		}
		if _, f := l.Value(-e, 25); f != Reversed {
			t.Errorf("type %s reversed: %v", letter, f)
		}
		if _, f := l.Value(tc.EMF(10)-tc.EMF(25), 25); f != Sound {
			t.Errorf("type %s at 10 °C: %v", letter, f)
		}
	}
}
