package analysis

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"ventward/daq"
	"ventward/detect"
)

// vesselRun is a made-up test on a runaway rig, written here from scratch: a
// heater of constant power with losses in proportion, own heating that begins
// at a known time, a jump of amount and temperature of the gas, cooling.
type vesselRun struct {
	seed    uint64
	gauge   bool
	until   float64 // s of record
	sigmaPa float64
	mol     float64 // given off at the runaway
	noGas   bool    // no thermocouple in the gas
	told    float64 // s at which a runaway is told; 0: when it comes
	dip     float64 // s at which the skin loses 5 °C that nobody tells of; 0: never
	leak    float64 // mol/(s Pa) of overpressure that the vessel loses
	filled  float64 // Pa above ambient that it is filled to; below: evacuated
	opened  float64 // s at which somebody opens it and tells nobody; 0: never
}

const (
	testVolume  = 2.5e-3
	testBefore  = 101000.0
	testRoomC   = 22.0
	testOnsetS  = 200.0 // own heating reaches a tenth of the heater's rate
	testRunaway = 280.0
	testVentS   = 215.0
)

func (v vesselRun) options() detect.Options {
	o := detect.Options{Rig: detect.RunawayRig, Cell: detect.Cell{CapacityAh: 4}}
	o.Fixture = detect.Fixture{VolumeM3: testVolume, VolumeUM3: 0.005 * testVolume, Gas: "N2", TemperatureK: testRoomC + 273.15, TemperatureU: 1, AmbientPa: testBefore}
	p := daq.Channel{Name: "p1", Role: daq.RoleSpecimen, Quantity: daq.Pressure, Reference: daq.Absolute}
	if v.gauge {
		p.Reference = daq.Gauge
	}
	p.Curve.UOffset, p.Curve.UGain = 300, 2e-4
	skin := daq.Channel{Name: "skin", Role: daq.RoleSkin, Quantity: daq.Temperature}
	o.Channels = []daq.Channel{p, skin}
	if !v.noGas {
		g := daq.Channel{Name: "gas", Role: daq.RoleGas, Quantity: daq.Temperature}
		g.Curve.UOffset = 0.75
		o.Channels = append(o.Channels, g)
	}
	return o
}

// play feeds the run and returns its result.
func (v vesselRun) play() RunawayResult {
	o := v.options()
	r := NewRunaway(o, 0)
	rng := rand.New(rand.NewPCG(v.seed, 1))
	const dt, slow = 1e-3, 100
	skin, gas := testRoomC, testRoomC
	n0 := (testBefore + v.filled) * testVolume / (8.314462618 * (testRoomC + 273.15))
	lost := 0.0
	for i := 0; float64(i)*dt < v.until; i++ {
		t := float64(i) * dt
		heater := 0.6 - 0.0015*(skin-testRoomC)
		own := 0.1 * heater * math.Exp((t-testOnsetS)/18)
		if t < testRunaway {
			skin += dt * (heater + own)
			gas = testRoomC + 0.05*(skin-testRoomC)
		} else {
			skin += dt * (150*math.Exp(-(t-testRunaway)/3) - (skin-testRoomC)/300)
			gas = testRoomC + 30 + 400*math.Exp(-(t-testRunaway)/6)
		}
		if v.dip > 0 && i == int(v.dip/dt) {
			skin -= 5
		}
		n := n0 + v.mol*(1-math.Exp(-math.Max(0, t-testRunaway)/0.4))
		at := int64(i) * 1e6
		p := (n - lost) * 8.314462618 * (gas + 273.15) / testVolume
		lost += dt * v.leak * (p - testBefore)
		if v.opened > 0 && t >= v.opened {
			lost += dt / 2 * n * math.Max(0, p-testBefore) / p
		}
		if v.gauge {
			p -= testBefore
		}
		r.Take(0, []daq.Sample{{T: at, V: p + v.sigmaPa*rng.NormFloat64()}})
		if i%slow == 0 {
			r.Take(1, []daq.Sample{{T: at, V: skin + 0.05*rng.NormFloat64()}})
			if !v.noGas {
				r.Take(2, []daq.Sample{{T: at, V: gas + 0.05*rng.NormFloat64()}})
			}
		}
	}
	r.Event(&detect.Event{ID: 1, Kind: detect.FirstVenting, Onset: int64(testVentS * 1e9)})
	told := testRunaway
	if v.told > 0 {
		told = v.told
	}
	r.Event(&detect.Event{ID: 2, Kind: detect.Runaway, Onset: int64(told * 1e9)})
	return r.Result()
}

func TestRunawayResults(t *testing.T) {
	for _, v := range []vesselRun{{seed: 1, until: 380, sigmaPa: 600, mol: 0.4}, {seed: 2, until: 380, sigmaPa: 600, mol: 0.1, gauge: true}} {
		x := v.play()
		t.Logf("seed %d: %v", v.seed, x.Absent)
		if x.GasMol == nil || x.GasUMol == nil || x.GasM3PerAh == nil {
			t.Fatalf("seed %d: no amount: %v", v.seed, x.Absent)
		}
		t.Logf("%.5f mol +- %.5f of %.5f, self-heating %.1f s of %.1f", *x.GasMol, *x.GasUMol, v.mol, float64(x.SelfHeating)*1e-9, testOnsetS)
		if d := math.Abs(*x.GasMol - v.mol); d > *x.GasUMol || *x.GasUMol > 0.05*v.mol+0.002 {
			t.Errorf("seed %d: %.5f mol +- %.5f, given off %.5f", v.seed, *x.GasMol, *x.GasUMol, v.mol)
		}
		// 25 °C and 101.325 kPa: 24.4654 L/mol (ideal gas, R of CODATA 2018).
		if l := *x.GasM3 * 1e3 / *x.GasMol; math.Abs(l-24.4654) > 1e-4 || math.Abs(*x.GasM3PerAh*4 / *x.GasM3 - 1) > 1e-12 {
			t.Errorf("seed %d: %.5f L a mol, %.5g m3/Ah", v.seed, l, *x.GasM3PerAh)
		}
		if !strings.Contains(x.State.String(), "25 °C") {
			t.Errorf("reference state %q", x.State)
		}
		if d := float64(x.SelfHeating)*1e-9 - testOnsetS; math.Abs(d) > 8 {
			t.Errorf("seed %d: self-heating off by %.1f s", v.seed, d)
		}
		if x.PeakC == nil || *x.PeakC < 500 || x.PeakPa == nil {
			t.Errorf("seed %d: peaks %v %v", v.seed, x.PeakC, x.PeakPa)
		}
	}
}

// The heater may meet a runaway's criteria alone, and the skin may dip while it
// heats: the onset of self-heating stays where it is. A cell that does not heat
// itself has none, with the reason.
func TestSelfHeatingBehindAFastHeater(t *testing.T) {
	for _, v := range []vesselRun{{seed: 9, until: 380, sigmaPa: 600, mol: 0.1, told: 120}, {seed: 10, until: 380, sigmaPa: 600, mol: 0.1, dip: 90},
		{seed: 11, until: 380, sigmaPa: 600, mol: 0.1, told: 120, dip: 60}} {
		x := v.play()
		if d := float64(x.SelfHeating)*1e-9 - testOnsetS; math.Abs(d) > 10 {
			t.Errorf("seed %d: self-heating off by %.1f s: %v", v.seed, d, x.Absent)
		}
	}
	x := vesselRun{seed: 12, until: 150, sigmaPa: 600, told: 120}.play()
	if x.SelfHeating != 0 || !strings.Contains(x.Absent["self_heating_s"], "heater alone") {
		t.Errorf("a cell that was only heated: self-heating at %.1f s, reason %q", float64(x.SelfHeating)*1e-9, x.Absent["self_heating_s"])
	}
}

// A vessel that leaks in proportion to its overpressure gives back what it lost,
// with the interval that this needs; one that lost too much gives no amount, and
// a tight one lost nothing (first principles: the run is a balance of moles).
func TestAmountOfALeakingVessel(t *testing.T) {
	for _, c := range []struct {
		v    vesselRun
		told bool
		lost bool
	}{
		{v: vesselRun{seed: 5, until: 420, sigmaPa: 600, mol: 0.2}, told: true},
		{v: vesselRun{seed: 6, until: 420, sigmaPa: 600, mol: 0.2, leak: 4e-10}, told: true, lost: true},
		{v: vesselRun{seed: 7, until: 420, sigmaPa: 600, mol: 0.2, leak: 4e-10, filled: 3e4}, told: true, lost: true},
		{v: vesselRun{seed: 8, until: 420, sigmaPa: 600, mol: 0.2, leak: 2e-9, filled: 1e5}},
	} {
		x := c.v.play()
		if !c.told {
			if x.GasMol != nil || !strings.Contains(x.Absent["gas_mol"], "leak") {
				t.Errorf("seed %d: amount %v, reason %q", c.v.seed, x.GasMol, x.Absent["gas_mol"])
			}
			continue
		}
		if x.GasMol == nil || x.GasUMol == nil {
			t.Fatalf("seed %d: no amount: %v", c.v.seed, x.Absent)
		}
		if d := math.Abs(*x.GasMol - c.v.mol); d > *x.GasUMol {
			t.Errorf("seed %d: %.5f mol +- %.5f, given off %.5f", c.v.seed, *x.GasMol, *x.GasUMol, c.v.mol)
		}
		if (x.LostMol != nil) != c.lost {
			t.Errorf("seed %d: lost %v", c.v.seed, x.LostMol)
		}
	}
}

// The noise of a transducer whose range is far too large counts in the amount's
// interval, and neither hides the settled state nor looks like an opened vessel.
func TestAmountOfANoisyVessel(t *testing.T) {
	const runs = 24
	in, told := 0, 0
	for seed := uint64(100); seed < 100+runs; seed++ {
		v := vesselRun{seed: seed, until: 380, sigmaPa: 200000, mol: 0.02}
		x := v.play()
		if x.GasMol == nil || x.GasUMol == nil {
			t.Logf("seed %d: no amount: %v", seed, x.Absent["gas_mol"])
			continue
		}
		told++
		if math.Abs(*x.GasMol-v.mol) <= *x.GasUMol {
			in++
		}
	}
	t.Logf("seeds 100 to %d: %d of %d told, %d in their interval", 99+runs, told, runs, in)
	if told < runs*9/10 || in < told*85/100 {
		t.Errorf("%d of %d amounts told, %d hold the true one", told, runs, in)
	}
}

// An amount is never taken at the peak: where the record ends before the vessel
// has settled there is none, with the reason.
func TestNoAmountBeforeTheVesselHasSettled(t *testing.T) {
	x := vesselRun{seed: 3, until: 292, sigmaPa: 600, mol: 0.4}.play()
	if x.GasMol != nil || !strings.Contains(x.Absent["gas_mol"], "settled") {
		t.Errorf("amount %v, reason %q", x.GasMol, x.Absent["gas_mol"])
	}
}

func TestAbsentResultsSayWhy(t *testing.T) {
	v := vesselRun{seed: 4, until: 10, sigmaPa: 600}
	x := v.play()
	r := NewRunaway(detect.Options{Rig: detect.RunawayRig}, 0)
	empty := r.Result()
	for _, f := range []string{"gas_mol", "dpdt_max_bar_s", "first_venting_s", "self_heating_s", "runaway_s", "peak_bar", "peak_C"} {
		if empty.Absent[f] == "" {
			t.Errorf("nothing was read and %s has no reason to be absent", f)
		}
	}
	if x.GasMol != nil {
		t.Errorf("10 s of a quiet vessel: %v", x)
	}
}

// A vessel that is opened soon after the gas came, with no input that tells, has
// no amount of gas: what is left in it is none.
func TestVesselOpenedEarly(t *testing.T) {
	for _, opened := range []float64{testRunaway + 18, testRunaway + 25, testRunaway + 60} {
		x := vesselRun{seed: 9, until: 400, sigmaPa: 300, mol: 0.4, filled: -5e4, opened: opened}.play()
		t.Logf("seed 9, opened at %g s: %v", opened, x.Absent["gas_mol"])
		if x.GasMol != nil && math.Abs(*x.GasMol-0.4) > *x.GasUMol {
			t.Errorf("seed 9, opened at %g s: %.4f mol +- %.4f of 0.4", opened, *x.GasMol, *x.GasUMol)
		}
	}
}

func TestStatedTemperatureWithoutThermocouple(t *testing.T) {
	x := vesselRun{seed: 5, until: 380, sigmaPa: 600, mol: 0.4, noGas: true}.play()
	if x.GasMol == nil || x.GasUMol == nil {
		t.Fatalf("no amount: %v", x.Absent)
	}
	if x.Absent["gas_mol"] != "" {
		t.Errorf("reason %q though there is an amount", x.Absent["gas_mol"])
	}
	// The gas has stayed 30 °C warmer than was stated, beside a skin of some 350 °C.
	t.Logf("%.4f mol +- %.4f of 0.4", *x.GasMol, *x.GasUMol)
	if d := math.Abs(*x.GasMol - 0.4); d > *x.GasUMol || *x.GasUMol > 0.2 {
		t.Errorf("seed 5: %.4f mol +- %.4f of gas that no thermocouple is in, given off 0.4", *x.GasMol, *x.GasUMol)
	}
}

// The window of (dP/dt)max at three rates, 10 kHz and 30 mbar of noise, lies
// near 80, 13 and 1.7 ms (the project's own measurements of the best windows),
// and the slope within what it says.
func TestSteepestRise(t *testing.T) {
	for _, c := range []struct{ barS, ms float64 }{{10, 80}, {100, 13}, {1000, 1.7}} {
		const seed = 8
		rng := rand.New(rand.NewPCG(seed, uint64(c.barS)))
		var r steepest
		const dt = 1e-4
		width := 3 * c.ms * 1e-3 // s, of the rise
		for i := range 40000 {
			s := (float64(i)*dt - 2) / width
			p := 1e5 + c.barS*1e5*width*math.Min(1, math.Max(0, s))
			r.add(int64(i)*100000, p+3000*rng.NormFloat64())
		}
		rate, window, ok := r.result()
		t.Logf("seed %d: %g bar/s: %.4g over %.3g ms", seed, c.barS, rate/1e5, window*1e3)
		if !ok || math.Abs(rate/1e5/c.barS-1) > 0.06 {
			t.Errorf("%g bar/s comes out as %g over %g s", c.barS, rate/1e5, window)
		}
		if window*1e3 < c.ms/2 || window*1e3 > 2*c.ms {
			t.Errorf("%g bar/s: window %.3g ms, want about %g", c.barS, window*1e3, c.ms)
		}
	}
}

// A rise that is over before the window that the noise asks for isn't flattened
// by it; a spike is no rise; and what only wanders has no steepest rise.
func TestSteepestRiseOfShortSteps(t *testing.T) {
	const seed = 12
	fill := func(f func(s float64) float64) *steepest {
		rng := rand.New(rand.NewPCG(seed, 1))
		r := new(steepest)
		for i := range 60000 {
			r.take(int64(i)*1e6, 1e5+f(float64(i)*1e-3)+70*rng.NormFloat64())
		}
		return r
	}
	step := func(s float64) float64 { // 45 mbar with a time constant of 150 ms: 0.3 bar/s at first
		return 4500 * -math.Expm1(-math.Max(0, s-30)/0.15)
	}
	rate, window, ok := fill(step).result()
	t.Logf("seed %d: %.3g bar/s over %.3g ms", seed, rate/1e5, window*1e3)
	if mean := step(30+window) / window; !ok || rate < 0.2e5 || rate > 0.33e5 || rate > 1.3*mean {
		t.Errorf("a short step comes out as %g Pa/s over %g s", rate, window)
	}
	slow, _, _ := fill(func(s float64) float64 { return 20 * s }).result()
	spiked := fill(func(s float64) float64 {
		if d := s - 40; d > -0.5e-3 && d < 2.5e-3 {
			return 20*s + 2e5
		}
		return 20 * s
	})
	if rate, _, _ := spiked.result(); math.Abs(rate-slow) > 0.5*slow {
		t.Errorf("a spike of 2 bar makes %g Pa/s of %g", rate, slow)
	}
	wander := fill(func(s float64) float64 { return 50 * math.Sin(s) * math.Sin(0.37*s) })
	if rate, window, ok := wander.result(); ok {
		t.Errorf("a pressure that only wanders rises by %g Pa/s over %g s", rate, window)
	}
}

// Running sums equal sums afresh, and no slope reaches over a gap.
func TestSteepestRunningSums(t *testing.T) {
	rng := rand.New(rand.NewPCG(9, 9))
	var r steepest
	for i := range 200000 {
		r.add(int64(i)*1e6, 1e6+float64(i)+1000*rng.NormFloat64())
	}
	sum, turn := r.sum, r.turn
	base := r.base
	r.renew()
	for w, n := range rateWindows {
		shift := base - r.base
		want, wantTurn := r.sum[w]-float64(n)*shift, r.turn[w]-shift*float64(n*(n-1)/2)
		if math.Abs(sum[w]-want) > 1e-3*float64(n) || math.Abs(turn[w]-wantTurn) > 1e-2*float64(n*n) {
			t.Errorf("window %d: running %g %g, afresh %g %g", n, sum[w], turn[w], want, wantTurn)
		}
	}
	var g steepest
	for i := range 3000 {
		at, p := int64(i)*1e6, 1e5+100*rng.NormFloat64()
		if i >= 1500 {
			at, p = at+5e9, p+10e5
		}
		g.take(at, p)
	}
	if rate, _, ok := g.result(); ok && rate > 1e5 {
		t.Errorf("a step over a gap counts as %g Pa/s", rate)
	}
}

// A course never holds more than its bound and keeps every mean.
func TestCourseFolds(t *testing.T) {
	var c meanCourse
	for i := range 3 * courseMost {
		c.add(int64(i)*courseWidth, ofSkin, float64(i))
	}
	if len(c.cells) > courseMost {
		t.Fatalf("%d cells", len(c.cells))
	}
	var n int32
	sum := 0.0
	for i := range c.cells {
		n += c.cells[i].n[ofSkin]
		sum += c.cells[i].sum[ofSkin]
	}
	if m := 3 * courseMost; int(n) != m || sum != float64(m)*float64(m-1)/2 {
		t.Errorf("%d readings of sum %g are left", n, sum)
	}
	if _, b, _ := c.line(ofSkin, 10, 400); math.Abs(b-1/(float64(courseWidth)*1e-9)) > 1e-9 {
		t.Errorf("slope %g a second", b)
	}
}

func BenchmarkRunawayTake(b *testing.B) {
	r := NewRunaway(vesselRun{}.options(), 0)
	s := make([]daq.Sample, 64)
	at := int64(0)
	b.ReportAllocs()
	for b.Loop() {
		for i := range s {
			at += 1e6
			s[i] = daq.Sample{T: at, V: 1e5 + float64(i)}
		}
		r.Take(0, s)
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N*len(s)), "ns/sample")
}
