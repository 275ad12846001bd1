package daq

import (
	"math"
	"strings"
	"testing"

	"ventward/daq/calib"
)

const second = int64(1e9)

func at(s int64) Stamp { return settled(s*second, 1) }

// A sealed-gauge transducer on a gauge channel follows the barometer, smoothed,
// and says when the barometer is gone.
func TestConditionerRefersToTheBarometer(t *testing.T) {
	sealed := Channel{Name: "p", Quantity: Pressure, Reference: Gauge, Certificate: "C", Low: 0, High: 60e5,
		Curve: calib.Curve{Kind: calib.Linear, Gain: 10, SealPa: 101325, Ambient: calib.SubtractAmbient, Barometer: "b"}}
	c := conditioner(t, []Channel{sealed, {Name: "b", Quantity: Pressure, Reference: Absolute, Instrument: 1, Certificate: "B", Curve: one}},
		Instrument{Columns: 1}, Instrument{Columns: 1})
	read := func(s int64, raw int32) Sample {
		return collect(c, &Batch{N: 1, K: 1, Counts: []int32{raw}}, at(s))[0][0]
	}
	baro := func(s int64, pa float64) {
		c.Take(&Batch{Instrument: 1, N: 1, K: 1, Floats: []float64{pa}}, at(s), func(ChannelID, []Sample) {})
	}
	if s := read(1, 1000); s.Q != Missing || !math.IsNaN(s.V) {
		t.Errorf("before the barometer was read: %+v", s)
	}
	baro(1, 95000)
	if s := read(2, 1000); s.V != 10000+101325-95000 || s.Q != 0 {
		t.Errorf("%+v, want %g Pa gauge", s, 10000.0+101325-95000)
	}
	baro(2, 95100) // noise of a barometer moves the channel by little
	if s := read(2, 1000); math.Abs(s.V-16325) > 100*1.1/ambientS || s.V == 16325 {
		t.Errorf("after a jump of 100 Pa: %g", s.V)
	}
	for i := int64(3); i < 400; i++ {
		baro(i, 95100)
	}
	if s := read(400, 1000); math.Abs(s.V-16225) > 0.01 || s.Q != 0 {
		t.Errorf("in the long run: %+v, want 16225", s)
	}
	if s := read(399+helperAgeNS/second+1, 1000); s.Q != Unreferred {
		t.Errorf("barometer silent: %v", s.Q)
	}
	// Full scale is judged after the reference.
	if s := read(401, 589000); s.Q != Saturated {
		t.Errorf("%+v, want saturated", s)
	}
}

// The lane's fast way and judge agree once it is referred to a barometer.
func TestConditionerReferredFastWay(t *testing.T) {
	ch := Channel{Name: "p", Quantity: Pressure, Reference: Gauge, High: 5000, RailHigh: 900, RailLow: -900,
		Curve: calib.Curve{Kind: calib.Linear, Gain: 10, Ambient: calib.SubtractAmbient, Barometer: "b"}}
	c := conditioner(t, []Channel{ch, {Name: "b", Quantity: Pressure, Reference: Absolute, Column: 1, Curve: one}}, Instrument{Columns: 2})
	for raw := int32(-1000); raw <= 1000; raw += 7 {
		got := collect(c, &Batch{N: 2, K: 1, Counts: []int32{raw, 1000}}, at(1))[0][0]
		want := Sample{T: second, Raw: float64(raw)}
		c.lanes[0][1].judge(&want, Uncalibrated, 0)
		if got != want || got.V != 10*float64(raw)-1000 {
			t.Fatalf("fast %+v, slow %+v", got, want)
		}
	}
}

// A bridge takes its measured excitation; a dead supply is an open bridge.
func TestConditionerExcitation(t *testing.T) {
	c := conditioner(t, []Channel{
		{Name: "clamp", Quantity: Force, Certificate: "C", Curve: calib.Curve{Kind: calib.Bridge, Gain: 2500, ExcitationV: 10, Excitation: "exc"}},
		{Name: "exc", Quantity: Voltage, Column: 1, Certificate: "C", Curve: one}}, Instrument{Columns: 2})
	for _, k := range []struct {
		exc, want float64
		q         Quality
	}{{10, 2500, 0}, {9.8, 25000 / 9.8, 0}, {0.1, 0, Open}} {
		s := collect(c, &Batch{N: 2, K: 1, Floats: []float64{10, k.exc}}, at(1))[0][0]
		if math.Abs(s.V-k.want) > 1e-9 || s.Q != k.q {
			t.Errorf("excitation %g V: %+v, want %g N (%v)", k.exc, s, k.want, k.q)
		}
	}
}

// A cold junction that falls silent is watched; a reversed couple and a burnt
// one are no measurement.
func TestConditionerWatchesTheCouple(t *testing.T) {
	k, err := calib.ThermocoupleType("K")
	if err != nil {
		t.Fatal(err)
	}
	c := conditioner(t, []Channel{
		{Name: "t", Quantity: Temperature, Certificate: "C", OpenAbove: 60, Curve: calib.Curve{Kind: calib.ThermocoupleCurve, Thermocouple: "K", Junction: "cj", ReversedK: 20}},
		{Name: "cj", Quantity: Temperature, Instrument: 1, Certificate: "C", Curve: one}}, Instrument{Columns: 1}, Instrument{Columns: 1})
	c.Take(&Batch{Instrument: 1, N: 1, K: 1, Floats: []float64{25}}, at(1), func(ChannelID, []Sample) {})
	e := k.EMF(80) - k.EMF(25)
	for _, x := range []struct {
		s   int64
		mV  float64
		q   Quality
		bad bool
	}{{2, e, 0, false}, {2, -e, Reversed, true}, {2, 70, Open | Rail, true}, {11, e, 0, false}, {12, e, Unreferred, false}} {
		s := collect(c, &Batch{N: 1, K: 1, Floats: []float64{x.mV}}, at(x.s))[0][0]
		if s.Q != x.q || (s.Q&Bad != 0) != x.bad {
			t.Errorf("%g mV at %d s: %v, want %v", x.mV, x.s, s.Q, x.q)
		}
	}
}

// A digital input out of a word of bits, with its polarity.
func TestConditionerDigital(t *testing.T) {
	var chs []Channel
	for i, cv := range []calib.Curve{{Kind: calib.Digital, Mask: 1}, {Kind: calib.Digital, Mask: 2, Inverted: true}, {Kind: calib.Digital, Mask: 4}} {
		chs = append(chs, Channel{Name: string(rune('a' + i)), Quantity: Digital, Curve: cv})
	}
	c := conditioner(t, chs, Instrument{Columns: 1})
	out := collect(c, &Batch{N: 1, K: 3, Counts: []int32{0b001, 0b010, 0b100}}, at(1))
	want := [3][3]float64{{1, 0, 0}, {1, 0, 1}, {0, 0, 1}}
	for ch := range want {
		for k := range want[ch] {
			if s := out[ChannelID(ch)][k]; s.V != want[ch][k] || s.Q != 0 {
				t.Errorf("input %d, row %d: %+v, want %g", ch, k, s, want[ch][k])
			}
		}
	}
}

func TestConditionerHelpersAreJudged(t *testing.T) {
	bridge := Channel{Name: "f", Quantity: Force, Curve: calib.Curve{Kind: calib.Bridge, Gain: 1, ExcitationV: 5, Excitation: "x"}}
	gauge := Channel{Name: "p", Quantity: Pressure, Reference: Gauge, Curve: calib.Curve{Kind: calib.Linear, Gain: 1, Ambient: calib.SubtractAmbient, Barometer: "x"}}
	for _, c := range []struct {
		chs  []Channel
		says string
	}{
		{[]Channel{bridge}, `excitation = "x": no such channel`},
		{[]Channel{bridge, {Name: "x", Quantity: Current, Curve: one}}, "measures current"},
		{[]Channel{bridge, {Name: "x", Quantity: Voltage, Curve: calib.Curve{Kind: calib.Bridge, Gain: 1, ExcitationV: 5, Excitation: "y"}}}, "itself referred"},
		{[]Channel{gauge}, `barometer = "x": no such channel`},
		{[]Channel{gauge, {Name: "x", Quantity: Pressure, Reference: Gauge, Curve: one}}, "measures gauge pressure"},
		{[]Channel{gauge, {Name: "x", Quantity: Pressure, Reference: Absolute, Curve: calib.Curve{Kind: calib.Linear, Gain: 1, Ambient: calib.AddAmbient, Barometer: "x"}}}, "itself referred"},
	} {
		if _, err := NewConditioner(c.chs, []Instrument{{Columns: 1}}); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%v, want an error with %q", err, c.says)
		}
	}
}

// A conditioner restored in the middle goes on with the same smoothed barometer.
func TestConditionerSnapshotKeepsHelpers(t *testing.T) {
	chs := []Channel{
		{Name: "p", Quantity: Pressure, Reference: Gauge, Curve: calib.Curve{Kind: calib.Linear, Gain: 1, Ambient: calib.SubtractAmbient, Barometer: "b"}},
		{Name: "b", Quantity: Pressure, Reference: Absolute, Column: 1, Curve: one}}
	a, b := conditioner(t, chs, Instrument{Columns: 2}), conditioner(t, chs, Instrument{Columns: 2})
	for i := int64(1); i < 20; i++ {
		collect(a, &Batch{N: 2, K: 1, Floats: []float64{2e5, 1e5 + float64(i*i)}}, at(i))
	}
	if err := b.Restore(a.Snapshot()); err != nil {
		t.Fatal(err)
	}
	next := &Batch{N: 2, K: 1, Floats: []float64{2e5, 99000}}
	if x, y := collect(a, next, at(21))[0][0], collect(b, next, at(21))[0][0]; x != y {
		t.Errorf("restored %+v, the first %+v", y, x)
	}
}
