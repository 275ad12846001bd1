package main

import (
	"bytes"
	"math"
	"strings"
	"testing"
)

// TestDelay: without projection the ideal delay is (6 ln g/rho^2)^(1/3) samples
// (Lorden 1971, Moustakides 1986, Pollak 1985), with a baseline of five times
// that some 1.15 of it, with twice some 1.8 (the project's own Monte Carlo of the
// mean delay; here the noise-free crossing).
func TestDelay(t *testing.T) {
	const lnG, rho = 24.3, 0.002
	ideal := math.Cbrt(6 * lnG / (rho * rho))
	for _, c := range []struct{ base, want, within float64 }{{1000, 1, 0.02}, {5, 1.2, 0.08}, {2, 1.8, 0.25}} {
		r := make([]float64, int(4*ideal))
		for i := range r {
			r[i] = rho * float64(i+1)
		}
		n, energy := delay(r, int(c.base*ideal), 1, lnG)
		if got := n / ideal; math.Abs(got-c.want) > c.within {
			t.Errorf("baseline of %g ideal delays: %.3f of the ideal delay, want %g", c.base, got, c.want)
		}
		if energy < 2*lnG {
			t.Errorf("energy %g at a detection", energy)
		}
	}
}

// TestOutflow: dry air at 0 °C and 1 atm through a critical nozzle of 1 m2,
// whose flow function is 0.6847 (textbook value for 1.4, from memory).
func TestOutflow(t *testing.T) {
	g := gases[1]
	want := 0.68473 * 101325 / math.Sqrt(rGas/g.molar*273.15) / g.molar
	if got := g.outflow(1, 101325, 273.15, 0); math.Abs(got/want-1) > 1e-4 {
		t.Errorf("choked %g mol/s, want %g", got, want)
	}
	if g.outflow(1, 1e5, 300, 1e5) != 0 || g.outflow(0, 2e5, 300, 1e5) != 0 {
		t.Error("something flows where nothing can")
	}
	near := g.outflow(1, 1.8e5, 300, 1e5) / g.outflow(1, 1.8e5, 300, 0)
	if near >= 1 || near < 0.99 {
		t.Errorf("just above the critical ratio %g of the choked flow", near)
	}
}

// TestBlowdown: a vessel cut off from heat falls as the closed form of an
// isentropic choked blow-down, (1 + (k-1)/2 t/tau)^(-2k/(k-1)).
func TestBlowdown(t *testing.T) {
	v := vessel{gas: gases[0], volume: 50 * ml, temperature: 300, wall: 1e12, back: 1e3, supply: supply{flow: true}, start: 30 * bar,
		holes: []hole{{area: 5 * mm2, kind: "vent-opening"}}}
	times := []float64{0, 0.005, 0.02, 0.05}
	p, seen := v.play(transducer{}, times, -1)
	k := v.gas.gamma
	tau := v.start * v.volume / (rGas * v.temperature) / v.gas.outflow(5*mm2, v.start, v.temperature, 0)
	for i, at := range times {
		want := v.start * math.Pow(1+(k-1)/2*at/tau, -2*k/(k-1))
		if math.Abs(p[i]/want-1) > 1e-3 || p[i] != seen[i] {
			t.Errorf("%g s: %g Pa (seen %g), want %g", at, p[i], seen[i], want)
		}
	}
	if q, _ := v.play(transducer{}, times, 0); q[3] != v.start {
		t.Errorf("shut vessel at %g Pa", q[3])
	}
}

// TestOpensBetweenSamples: nothing flows before a hole opens, wherever between
// two samples that is.
func TestOpensBetweenSamples(t *testing.T) {
	for _, t0 := range []float64{0.00001, 0.0004, 0.00062, 0.00099} {
		v := vessel{gas: gases[0], volume: 50 * ml, temperature: 300, wall: 1e12, back: 1e3, supply: supply{flow: true}, start: 30 * bar,
			holes: []hole{{t0: t0, area: 5 * mm2, kind: "vent-opening"}}}
		p, _ := v.play(transducer{}, []float64{0, t0 + 0.001}, -1)
		k := v.gas.gamma
		tau := v.start * v.volume / (rGas * v.temperature) / v.gas.outflow(5*mm2, v.start, v.temperature, 0)
		want := v.start * math.Pow(1+(k-1)/2*0.001/tau, -2*k/(k-1)) // closed form, as above
		if math.Abs(p[1]-want) > 1e-3*(v.start-want) {
			t.Errorf("opens at %g s: %.8g Pa 1 ms later, want %.8g", t0, p[1], want)
		}
	}
}

// TestSwing: a step through a line of second order answers 1 - exp(-d·w·t)·
// (cos(v·t) + d/sqrt(1-d²)·sin(v·t)) with v = w·sqrt(1-d²) (any textbook of control;
// from memory).
func TestSwing(t *testing.T) {
	const w, damp = 2 * math.Pi * 300, 0.2
	v := w * math.Sqrt(1-damp*damp)
	y, dy, h := 0.0, 0.0, 0.08/w
	for i := range 200 {
		y, dy = swing(y, dy, 1, 1, h, w, damp)
		at := float64(i+1) * h
		want := 1 - math.Exp(-damp*w*at)*(math.Cos(v*at)+damp/math.Sqrt(1-damp*damp)*math.Sin(v*at))
		if math.Abs(y-want) > 4e-3 {
			t.Fatalf("after %g s: %g, want %g", at, y, want)
		}
	}
}

// slow is every case at a rate that makes it small.
func slow(seed uint64) []task {
	o := options{n: 1, first: seed}
	list, _ := o.tasks()
	for i := range list {
		list[i].rates = []float64{500}
		for _, s := range append(append([]story(nil), failures...), harmless...) {
			if s.name == list[i].story.name {
				list[i].rates = []float64{10}
			}
		}
	}
	return list
}

// TestCases plays each case once: its columns are of one length, its times
// increase, its openings lie inside and have a limit, and a seed gives the same
// trace again.
func TestCases(t *testing.T) {
	const seed = 5
	t.Logf("seed %d", seed)
	for _, k := range slow(seed) {
		var sums [2]float64
		for again := range sums {
			columns, w := k.build()
			for _, c := range columns {
				if len(c.values) != len(columns[0].values) {
					t.Fatalf("%s: column %s has %d values of %d", k.story.name, c.name, len(c.values), len(columns[0].values))
				}
			}
			for i, x := range columns[1].values {
				if i > 0 && columns[0].values[i] <= columns[0].values[i-1] {
					t.Fatalf("%s: time does not increase in row %d", k.story.name, i)
				}
				if !math.IsNaN(x) {
					sums[again] += x * float64(i%97)
				}
			}
			if w.Nuisance != (len(w.Openings) == 0) && w.Cell == nil {
				t.Errorf("%s: nuisance %v with %d openings", k.story.name, w.Nuisance, len(w.Openings))
			}
			for _, o := range w.Openings {
				if o.StartS <= w.StartS || o.OnsetS >= w.EndS || o.Allowed && (o.Samples < 1 || o.TauS <= 0 || o.BoundBar <= 0) {
					t.Errorf("%s: opening %+v in %g to %g s", k.story.name, o, w.StartS, w.EndS)
				}
			}
		}
		if sums[0] != sums[1] {
			t.Errorf("%s: the seed gives another trace the second time", k.story.name)
		}
	}
}

// TestRunaway: a cell that fails does so by the criteria, and all its gas is
// there at the end.
func TestRunaway(t *testing.T) {
	k := task{failures[0], runaway, []float64{10}, 3}
	_, w := k.build()
	c := w.Cell
	if c.VentS == nil || c.RunawayS == nil || *c.RunawayS-*c.RapidS < 3 || *c.VentS >= *c.RunawayS {
		t.Fatalf("%+v", c)
	}
	want := w.world.thermal.gas + w.world.thermal.ventGas
	if math.Abs(c.GasMol/want-1) > 0.02 || c.PeakC < 250 || c.StepBar <= 0 || c.DipC <= 0 {
		t.Errorf("%+v, gas %g mol", c, want)
	}
}

// TestTally: a perfect program reaches every goal; a blind one, a nervous one
// and one that is sure of wrong figures don't.
func TestTally(t *testing.T) {
	k := task{story{"vent-resolved", nil}, burst, []float64{1000}, 4}
	k.story = openings[1]
	_, w := k.build()
	o := w.Openings[0]
	if !o.Allowed || !o.Resolved {
		t.Fatalf("the ordinary case is no ordinary case: %+v", o)
	}
	perfect := func() *event {
		return &event{kind: o.Kind, onset: o.OnsetS, onsetU: 1e-4, start: o.StartS, startU: 1e-3, decided: o.StartS + (o.Samples-1)/w.RateHz,
			pressure: o.PressBar, pressureU: 0.01, area: o.AreaMm2, areaU: 0.1}
	}
	good := newTally()
	good.add(w, []*event{perfect()}, nil)
	if good.found != 1 || len(good.extra) != 0 || good.covers["area"].in != 1 || good.kinds[0] != [2]int{1, 1} || good.ratio[0] > 1.3 {
		t.Errorf("a perfect event: %+v", good)
	}
	blind := newTally()
	blind.add(w, nil, nil)
	if blind.found != 0 || len(blind.missed) != 1 {
		t.Errorf("nothing seen: %+v", blind)
	}
	nervous, early := newTally(), perfect()
	early.decided, early.onset = o.StartS-0.5, o.OnsetS-0.5
	nervous.add(w, []*event{early, perfect()}, nil)
	if nervous.found != 1 || len(nervous.extra) != 1 {
		t.Errorf("a call too many: %+v", nervous)
	}
	sure, wrong := newTally(), perfect()
	wrong.pressure += 0.02
	sure.add(w, []*event{wrong}, nil)
	if c := sure.covers["pressure"]; c.in != 0 || len(c.out) != 1 {
		t.Errorf("a wrong pressure: %+v", c)
	}
	var out bytes.Buffer
	good.print(&out, true)
	for _, want := range []string{"allowed openings found", "1.000 (1 of 1)", "coverage, area"} {
		if !strings.Contains(out.String(), want) {
			t.Errorf("no %q in\n%s", want, out.String())
		}
	}
}

// TestSamplesUpTo: an opening between two samples that is decided at the fourth
// sample after it took 4, as N_lim counts them, whatever the clock's jitter.
func TestSamplesUpTo(t *testing.T) {
	b := &bench{rate: 1000, offset: 100, times: []float64{0, 0.001, 0.00207, 0.00295, 0.004, 0.005, 0.006}}
	w := &truth{RateHz: 1000, world: b}
	for i, at := range b.times[1:] {
		if got := w.samplesUpTo(100.0005, 100+at); got != i+1 {
			t.Errorf("decided at sample %d: %d samples", i+1, got)
		}
	}
	if got := w.samplesUpTo(100.0005, 100); got > 0 {
		t.Errorf("decided before the start: %d samples", got)
	}
}

// TestFaults: what a fault does to readings, and that counts are whole.
func TestFaults(t *testing.T) {
	c := converter{full: 100 * bar, bits: 12}
	times := []float64{0, 1, 2, 3, 4, 5}
	for what, want := range map[string]float64{"high": c.full, "low": 0, "frozen": 12 * bar, "missing": math.NaN()} {
		x := []float64{10 * bar, 11 * bar, 12 * bar, 13 * bar, 14 * bar, 15 * bar}
		f := fault{what: what, from: 2, to: 4}
		f.spoil(&c, times, x)
		if x[3] != want && !(math.IsNaN(want) && math.IsNaN(x[3])) || x[1] != 11*bar || x[4] != 14*bar {
			t.Errorf("%s: %v", what, x)
		}
	}
	x := []float64{1, 2*c.lsb() + 1, 2 * c.full}
	c.count(x)
	if x[0] != 0 || x[1] != 2*c.lsb() || x[2] != c.full-c.lsb() {
		t.Errorf("counts %v", x)
	}
	if _, err := (&options{n: 1, only: "nothing like it"}).tasks(); err == nil {
		t.Error("a case that isn't there")
	}
}
