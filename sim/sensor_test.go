package sim

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"

	"ventward/daq"
	"ventward/daq/calib"
)

// TestInvert: raw readings for known values.
func TestInvert(t *testing.T) {
	for _, c := range []struct {
		name   string
		curve  calib.Curve
		value  float64
		juncC  float64
		raw    float64
		within float64
	}{
		{"none", calib.Curve{}, 5, 0, 5, 0},
		{"scale", calib.Curve{ScaleGain: 0.5, ScaleOffset: 1}, 5, 0, 8, 0},
		// value = 600000 (0.0003125 raw) + 100 - 50
		{"linear", calib.Curve{Kind: "linear", ScaleGain: 0.0003125, Gain: 600000, Offset: 100, Zero: 50}, 187550, 0, 1000, 1e-9},
		// 4-20 mA: 4 mA at 0, 20 mA at 6 MPa (common practice, no source): half the span is 12 mA.
		{"loop", calib.Curve{Kind: "current-loop", ScaleGain: 0.000625, LoopLow: 0, LoopHigh: 6e6}, 3e6, 0, 12 / 0.000625, 1e-9},
		{"loop from -1", calib.Curve{Kind: "current-loop", LoopLow: -1, LoopHigh: 1}, -1, 0, 4, 1e-12},
		// Type K, hot 400 °C, cold 25 °C: 15.396899 mV (check value tc.cjc.K.net,
		// ITS-90 reference function of NIST Monograph 175). The table is rounded
		// to 1 uV.
		{"K", calib.Curve{Kind: "thermocouple", Thermocouple: "K", Junction: "tj"}, 400, 25, 15.396899, 1.1e-3},
		{"K, fixed junction", calib.Curve{Kind: "thermocouple", Thermocouple: "K", JunctionC: 25}, 400, 99, 15.396899, 1.1e-3},
		// Type K at 100 °C against 0 °C: 4.096 mV; type R at 1000 °C: 10.506 mV;
		// type T at -100 °C: -3.379 mV (NIST Monograph 175, tables).
		{"K 100", calib.Curve{Kind: "thermocouple", Thermocouple: "K"}, 100, 0, 4.096, 1e-9},
		{"R 1000", calib.Curve{Kind: "thermocouple", Thermocouple: "R"}, 1000, 0, 10.506, 1e-9},
		{"T -100", calib.Curve{Kind: "thermocouple", Thermocouple: "T"}, -100, 0, -3.379, 1e-9},
	} {
		v, err := invert(&daq.Channel{Curve: c.curve})
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		near(t, c.name, v.raw(c.value, c.juncC, 0), c.raw, c.within)
	}
	for _, c := range []calib.Curve{
		{Kind: "cubic"}, {Kind: "linear"}, {Kind: "current-loop", LoopLow: 1, LoopHigh: 1}, {Kind: "thermocouple", Thermocouple: "Q"},
	} {
		if _, err := invert(&daq.Channel{Curve: c}); err == nil {
			t.Errorf("curve %+v is taken", c)
		}
	}
}

// TestInvertAgainstCalib: what the daemon makes of the raw reading is the value
// that went in: the two directions were written apart.
func TestInvertAgainstCalib(t *testing.T) {
	level := 2.5
	for _, c := range []struct {
		curve  calib.Curve
		values []float64
		within float64
	}{
		{calib.Curve{Kind: "linear", ScaleGain: 0.0003125, ScaleOffset: 0.1, Gain: 600000, Offset: 100, Zero: 50}, []float64{-1e5, 0, 1e5, 5e6}, 1e-6},
		{calib.Curve{Kind: "current-loop", ScaleGain: 0.000625, ScaleOffset: -0.2, LoopLow: 2e5, LoopHigh: 6e6, Zero: -30}, []float64{2e5, 1e6, 6e6}, 1e-6},
		{calib.Curve{Kind: "thermocouple", Thermocouple: "K", Junction: "tj", ScaleGain: 0.001}, []float64{-100, 0, 25, 400, 1200}, 0.04},
		{calib.Curve{Kind: "bridge", Gain: 5000, Offset: 3, ScaleGain: 1e-4, Zero: 2}, []float64{0, 100, 9000}, 1e-6},
		{calib.Curve{Kind: "bridge", Gain: 3e6, ExcitationV: 10, ScaleGain: 1e-3, SealPa: 101000}, []float64{0, 1e5, 5e6}, 1e-5},
		{calib.Curve{Kind: "platinum", R0: 100, LeadOhm: 0.25, ScaleGain: 0.001}, []float64{-200, -50, 0, 23, 400, 850}, 1e-6},
		{calib.Curve{Kind: "platinum", R0: 1000}, []float64{-100, 20, 300}, 1e-6},
		{calib.Curve{Kind: "polynomial", Coefficients: []float64{2e4, 6e5, -1000}, SignalHigh: 10.2, ScaleGain: 0.001}, []float64{5e4, 1e6, 6e6}, 1e-3},
		{calib.Curve{Kind: "polynomial", Coefficients: []float64{6e6, -6e5}, SignalHigh: 10}, []float64{5e4, 1e6, 5.9e6}, 1e-3},
		{calib.Curve{Kind: "digital", Threshold: &level, ScaleGain: 0.001}, []float64{0, 1}, 0},
		{calib.Curve{Kind: "digital", Threshold: &level, Inverted: true, ScaleGain: 0.001}, []float64{0, 1}, 0},
		{calib.Curve{Kind: "digital", Mask: 8, Inverted: true}, []float64{0, 1}, 0},
	} {
		law, err := calib.Compile(c.curve)
		if err != nil {
			t.Fatal(err)
		}
		inv, err := invert(&daq.Channel{Curve: c.curve})
		if err != nil {
			t.Fatal(err)
		}
		for _, v := range c.values {
			got, fault := law.Value(inv.raw(v, 24.5, 0), 24.5)
			if fault != 0 {
				t.Errorf("%s at %g: fault %v", c.curve.Kind, v, fault)
			}
			near(t, c.curve.Kind, got, v, c.within)
		}
	}
}

// TestPlatinum: resistances of a Pt100 (rows rtd.pt100 of the check values, IEC
// 60751).
func TestPlatinum(t *testing.T) {
	f, err := os.Open("../testdata/its90/checks.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.LazyQuotes, r.FieldsPerRecord = true, -1
	rows, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	seen := 0
	for _, row := range rows {
		at, ok := strings.CutPrefix(row[0], "rtd.pt100.")
		if !ok {
			continue
		}
		seen++
		c, err1 := strconv.ParseFloat(at, 64)
		want, err2 := strconv.ParseFloat(row[3], 64)
		if err1 != nil || err2 != nil {
			t.Fatalf("row %v", row)
		}
		near(t, row[0], 100*platinum(c), want, 0.006)
	}
	if seen < 8 {
		t.Errorf("%d rows of platinum thermometers", seen)
	}
}

// TestReferred: a sealed transducer on a gauge channel, and a gauge one on an
// absolute channel, read what the weather makes of them.
func TestReferred(t *testing.T) {
	sealed, err := invert(&daq.Channel{Curve: calib.Curve{Kind: "linear", Gain: 1, SealPa: 101000, Ambient: "subtract", Barometer: "b"}})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "sealed", sealed.raw(5e5, 0, 98000), 5e5+98000-101000, 1e-6) // gauge 5 bar at 0.98 bar
	gauge, err := invert(&daq.Channel{Curve: calib.Curve{Kind: "linear", Gain: 1, Ambient: "add", AmbientPa: 98000}})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "gauge", gauge.raw(6e5, 0, 99999), 6e5-98000, 1e-6)
}

// TestNoise: every shape has the standard deviation it states, and no offset.
func TestNoise(t *testing.T) {
	const seed = 6
	for _, shape := range []string{"", "gauss", "heavy", "flat", "red"} {
		n := noise{Noise: Noise{Sigma: 3, Shape: shape, Keep: 0.5}, factor: 1, humFactor: 1}
		rng := stream(seed, forSensor, 0)
		const count = 200000
		m, q := 0.0, 0.0
		for range count {
			v := n.next(0, rng)
			m += v
			q += v * v
		}
		m /= count
		near(t, shape+" mean", m, 0, 0.05)
		near(t, shape+" sigma", math.Sqrt(q/count-m*m), 3, 0.06)
	}
	rng := stream(seed, forSensor, 1)
	n := noise{Noise: Noise{HumAmplitude: 2}, factor: 1, humFactor: 1, phase: 0.1, phase3: 0.7}
	for i := range 1000 {
		x := 50 * float64(i) * 1e-4
		want := 2 * (math.Sin(2*math.Pi*(x+0.1)) + 0.25*math.Sin(2*math.Pi*(3*x+0.7)))
		near(t, "hum", n.next(float64(i)*1e-4, rng), want, 1e-5)
	}
}

// TestCalibrationError: it stays within the stated standard uncertainty where
// that is asked for, and is not always the same.
func TestCalibrationError(t *testing.T) {
	c := daq.Channel{Name: "p", Role: daq.RoleSpecimen, Quantity: daq.Pressure, Curve: calib.Curve{Kind: "linear", Gain: 1, UOffset: 1500, UGain: 5e-4}}
	distinct := map[float64]bool{}
	for seed := range uint64(200) {
		s, err := newSensor(c, 0, 1e-4, sensorOptions{calibration: 1}, stream(seed, forSensor, 0))
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(s.offset) > 1500 || math.Abs(s.gain) > 5e-4 {
			t.Errorf("seed %d: offset %g, gain %g", seed, s.offset, s.gain)
		}
		distinct[s.offset] = true
	}
	if len(distinct) < 190 {
		t.Errorf("%d different errors in 200", len(distinct))
	}
}

// TestSources: what each role looks at.
func TestSources(t *testing.T) {
	r, err := newRig(Fixture{RoomC: 22, AmbientPa: 1e5})
	if err != nil {
		t.Fatal(err)
	}
	r.set(21e5)
	r.temp = 300
	r.supply.pos, r.cidOpen = 1, true
	for _, c := range []struct {
		ch   daq.Channel
		want float64
	}{
		{daq.Channel{Role: daq.RoleSpecimen, Quantity: daq.Pressure, Reference: daq.Gauge}, 20e5},
		{daq.Channel{Role: daq.RoleSpecimen, Quantity: daq.Pressure, Reference: daq.Absolute}, 21e5},
		{daq.Channel{Quantity: daq.Pressure}, 20e5},
		{daq.Channel{Role: daq.RoleSupply, Quantity: daq.Pressure, Reference: daq.Gauge}, 9e6},
		{daq.Channel{Role: daq.RoleBarometer, Quantity: daq.Pressure, Reference: daq.Absolute}, 1e5},
		{daq.Channel{Role: daq.RoleGas, Quantity: daq.Temperature}, 26.85},
		{daq.Channel{Role: daq.RoleRoom, Quantity: daq.Temperature}, 22},
		{daq.Channel{Role: daq.RoleSkin, Quantity: daq.Temperature}, 22},
		{daq.Channel{Role: daq.RoleJunction, Quantity: daq.Temperature}, 23.5},
		{daq.Channel{Role: daq.RoleCell, Quantity: daq.Voltage}, 0},
		{daq.Channel{Role: daq.RoleCID, Quantity: daq.Digital}, 0},
		{daq.Channel{Role: daq.RoleSupplyValve, Quantity: daq.Digital}, 1},
		{daq.Channel{Role: daq.RoleDumpValve, Quantity: daq.Digital}, 0},
		{daq.Channel{Role: daq.RoleEStop, Quantity: daq.Digital}, 1},
		{daq.Channel{Role: daq.RoleTrigger, Quantity: daq.Digital}, 0},
		{daq.Channel{Quantity: daq.Force}, 20e5 * 3.464e-4},
		{daq.Channel{Quantity: daq.Voltage}, 5},
	} {
		s, err := newSensor(c.ch, 0, 1e-4, sensorOptions{}, stream(1, forSensor, 0))
		if err != nil {
			t.Fatal(err)
		}
		near(t, string(c.ch.Role)+" "+string(c.ch.Quantity), s.truth(r), c.want, 1e-6*math.Abs(c.want)+1e-9)
	}
}

// TestSaturates: a transducer's output ends a little above its range, and a
// converter at its rails.
func TestSaturates(t *testing.T) {
	r, _ := newRig(Fixture{})
	c := daq.Channel{Role: daq.RoleSpecimen, Quantity: daq.Pressure, Reference: daq.Gauge, High: 1e6, Curve: calib.Curve{Kind: "linear", Gain: 100}}
	s, err := newSensor(c, 0, 1e-4, sensorOptions{noise: &Noise{}}, stream(1, forSensor, 0))
	if err != nil {
		t.Fatal(err)
	}
	near(t, "beyond the range", s.read(0, 5e6, r), 10600, 0)
	s.ch.RailLow, s.ch.RailHigh = -100, 10200
	near(t, "upper rail", s.read(0, 5e6, r), 10200, 0)
	near(t, "lower rail", s.read(0, -1e6, r), -100, 0)
	near(t, "rounded", s.read(0, 12340, r), 123, 0)
}

func TestRelay(t *testing.T) {
	w := relay{time: 1}
	steps := []struct {
		at     float64
		level  bool
		closed bool
	}{
		{0.1, true, false}, // one edge is no heartbeat
		{0.5, true, false}, // a level is none
		{0.8, false, true}, // the second edge closes it
		{1.7, true, true},
		{2.6, true, true},   // 0.9 s without an edge
		{2.8, true, false},  // more than 1 s: open
		{2.9, false, false}, // latched
		{3.0, true, false},
		{3.1, false, false},
	}
	for _, s := range steps {
		w.check(s.at)
		w.heartbeat(s.level, s.at)
		if w.closed != s.closed {
			t.Errorf("at %g s the relay is closed: %v, want %v", s.at, w.closed, s.closed)
		}
	}
	w.reset()
	w.heartbeat(true, 3.2)
	if w.closed {
		t.Error("the relay closes with one edge after the reset")
	}
	w.heartbeat(false, 3.3)
	if !w.closed {
		t.Error("the relay stays open after the reset and two edges")
	}
	w = relay{time: 1}
	for i, at := range []float64{0.1, 1.5, 3, 4.5} { // edges too far apart
		w.check(at)
		w.heartbeat(i%2 == 0, at)
		if w.closed {
			t.Errorf("at %g s edges 1.5 s apart close the relay", at)
		}
	}
}
