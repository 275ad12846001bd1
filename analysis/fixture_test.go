package analysis

import (
	"math"
	"math/rand"
	"strings"
	"testing"
)

func gasAt(bar, celsius, uPa, uK float64) State {
	return State{Measured{bar * 1e5, uPa}, Measured{celsius + 273.15, uK}}
}

// Expansion against the amounts of gas put together by hand: n = pV/(RT).
func TestVolumeByExpansion(t *testing.T) {
	const v0, vx = 100e-6, 50.3e-6
	n := 6e5*v0/294 + 1e5*vx/296 // times 1/R
	after := n * 295 / (v0 + vx)
	e := Expansion{Known: Measured{v0, 0.1e-6},
		Before: State{Measured{6e5, 100}, Measured{294, 0.2}}, Fixture: State{Measured{1e5, 100}, Measured{296, 0.2}}, After: State{Measured{after, 100}, Measured{295, 0.2}}, CommonU: 200}
	d, err := e.Volume()
	if err != nil || math.Abs(d.Value-vx) > 1e-15 {
		t.Fatalf("%v, %v; want %g m3", d, err, vx)
	}
	sum := 0.0
	for _, p := range d.Parts {
		sum += p.U * p.U
	}
	if len(d.Parts) != 8 || math.Abs(math.Sqrt(sum)-d.U) > 1e-12*d.U {
		t.Errorf("parts %v give %g, u = %g", d.Parts, math.Sqrt(sum), d.U)
	}
}

// The stated uncertainty against a Monte Carlo of the inputs (GUM Supplement 1,
// JCGM 101): seed and size are fixed, the ratio is that of 20,000 draws.
func TestVolumeUncertaintyByMonteCarlo(t *testing.T) {
	const seed = 41
	rng := rand.New(rand.NewSource(seed))
	e := Expansion{Known: Measured{100e-6, 0.2e-6}, Before: gasAt(6, 23, 300, 0.3), Fixture: gasAt(1, 23, 200, 0.3), After: gasAt(4.3, 23, 300, 0.3), CommonU: 400}
	c := Charge{Amount: Measured{0.01, 5e-5}, Before: gasAt(1, 23, 200, 0.2), After: gasAt(5.5, 23.5, 300, 0.2), CommonU: 400, GainU: 0.001}
	draw := func(m Measured) Measured { return Measured{m.Value + m.U*rng.NormFloat64(), m.U} }
	state := func(s State, common, gain float64) State {
		p := draw(s.Pressure)
		p.Value = p.Value*(1+gain) + common
		return State{p, draw(s.Temperature)}
	}
	var ve, vc []float64
	for range 20000 {
		common := e.CommonU * rng.NormFloat64()
		x := Expansion{Known: draw(e.Known), Before: state(e.Before, common, 0), Fixture: state(e.Fixture, common, 0), After: state(e.After, common, 0)}
		gain := c.GainU * rng.NormFloat64()
		y := Charge{Amount: draw(c.Amount), Before: state(c.Before, common, gain), After: state(c.After, common, gain)}
		a, err1 := x.Volume()
		b, err2 := y.Volume()
		if err1 != nil || err2 != nil {
			t.Fatal(err1, err2)
		}
		ve, vc = append(ve, a.Value), append(vc, b.Value)
	}
	de, err1 := e.Volume()
	dc, err2 := c.Volume()
	if err1 != nil || err2 != nil {
		t.Fatal(err1, err2)
	}
	for _, k := range []struct {
		name string
		u    float64
		v    []float64
	}{{"expansion", de.U, ve}, {"charge", dc.U, vc}} {
		mean, ss := 0.0, 0.0
		for _, v := range k.v {
			mean += v / float64(len(k.v))
		}
		for _, v := range k.v {
			ss += (v - mean) * (v - mean)
		}
		sd := math.Sqrt(ss / float64(len(k.v)-1))
		if r := k.u / sd; math.Abs(r-1) > 0.03 {
			t.Errorf("seed %d, %s: stated u %g, scatter of the draws %g (ratio %.3f)", seed, k.name, k.u, sd, r)
		}
	}
}

// One mole at 273.15 K and 100 kPa fills 22.71095464 L (IUPAC standard
// conditions; CODATA 2018, computed with another program).
func TestVolumeByChargeMolarVolume(t *testing.T) {
	c := Charge{Amount: Measured{Value: 1}, Before: gasAt(0, 0, 0, 0), After: gasAt(1, 0, 0, 0)}
	d, err := c.Volume()
	if err != nil || math.Abs(d.Value*1e3-22.71095464148) > 5e-6 {
		t.Errorf("%v, %v", d, err)
	}
}

func TestVolumeIsRefused(t *testing.T) {
	good := Expansion{Known: Measured{Value: 1e-4}, Before: gasAt(6, 23, 0, 0), Fixture: gasAt(1, 23, 0, 0), After: gasAt(4, 23, 0, 0)}
	for _, c := range []struct {
		says  string
		spoil func(e *Expansion)
	}{
		{"must lie between", func(e *Expansion) { e.After = gasAt(7, 23, 0, 0) }},
		{"must lie between", func(e *Expansion) { e.Fixture = e.Before }},
		{"gauge", func(e *Expansion) { e.Fixture.Pressure.Value = -0.1e5 }},
		{"kelvin", func(e *Expansion) { e.After.Temperature.Value = -3 }},
		{"certificate", func(e *Expansion) { e.Known.Value = math.NaN() }},
	} {
		e := good
		c.spoil(&e)
		if _, err := e.Volume(); err == nil || !strings.Contains(strings.ReplaceAll(err.Error(), " K ", " kelvin "), c.says) {
			t.Errorf("%v, want %q", err, c.says)
		}
	}
	if _, err := (&Charge{Amount: Measured{Value: 1}, Before: gasAt(5, 23, 0, 0), After: gasAt(5.05, 23, 0, 0)}).Volume(); err == nil {
		t.Error("a charge that hardly shows was taken")
	}
}

// holds makes a hold of 60 s at 100 Hz with a leak, noise and a warming gas.
func holds(rng *rand.Rand, rate, noise, warm float64, measured bool) *Hold {
	h := &Hold{Temperature: Measured{296, warm}, Volume: Measured{50e-6, 0.5e-6}}
	for i := range 6000 {
		t := float64(i) / 100
		tk := 296 + warm*t/60
		h.T = append(h.T, t)
		h.P = append(h.P, (3e5-rate*t)*tk/296+noise*rng.NormFloat64())
		if measured {
			h.TK = append(h.TK, tk)
		}
	}
	return h
}

// The leak rate and the coverage of its interval over many draws: k = 2 covers
// about 95 %.
func TestLeakRate(t *testing.T) {
	const seed = 7
	rng := rand.New(rand.NewSource(seed))
	inside, n := 0, 300
	for range n {
		l, err := holds(rng, 2, 40, 0, true).Check()
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(l.Rate.Value-2) <= 2*l.Rate.U {
			inside++
		}
	}
	if part := float64(inside) / float64(n); part < 0.9 || part > 0.985 {
		t.Errorf("seed %d: %.3f of the intervals hold the true rate", seed, part)
	}
	l, err := holds(rng, 2, 1, 0, true).Check()
	if err != nil || math.Abs(l.Flow.Value-2*50e-6) > 2*l.Flow.U || l.Flow.U < l.Flow.Value*0.0099 {
		t.Errorf("flow %+v, %v", l.Flow, err)
	}
}

// Gas that warms by 0.3 K in the hold hides a leak, unless its temperature is
// measured; else the stated drift makes the interval honest.
func TestLeakAndTemperature(t *testing.T) {
	rng := rand.New(rand.NewSource(3))
	seen, err := holds(rng, 1, 2, 0.3, true).Check()
	if err != nil || !seen.Corrected || math.Abs(seen.Rate.Value-1) > 0.05 {
		t.Errorf("measured: %+v, %v", seen.Rate, err)
	}
	blind, err := holds(rng, 1, 2, 0.3, false).Check()
	if err != nil || blind.Rate.Value > 0 || math.Abs(blind.Rate.Value-1) > 2*blind.Rate.U {
		t.Errorf("not measured: %+v, %v", blind.Rate, err)
	}
	if v := blind.Rate.Against(5); v != Undecided {
		t.Errorf("a rate that is known to +- %g is %s 5 Pa/s", 2*blind.Rate.U, v)
	}
}

func TestAgainst(t *testing.T) {
	for _, c := range []struct {
		m    Measured
		want Verdict
	}{{Measured{1, 0.1}, Within}, {Measured{1.9, 0.1}, Undecided}, {Measured{2.1, 0.1}, Undecided}, {Measured{2.3, 0.1}, Beyond}, {Measured{1.8, 0.1}, Within}} {
		if got := c.m.Against(2); got != c.want {
			t.Errorf("%v: %s, want %s", c.m, got, c.want)
		}
	}
}

func TestLeakIsRefused(t *testing.T) {
	for _, c := range []struct {
		says string
		h    *Hold
	}{
		{"one each", &Hold{T: make([]float64, 3), P: make([]float64, 2)}},
		{"hold longer", &Hold{T: make([]float64, 9), P: []float64{1, 1, 1, 1, 1, 1, 1, 1, 1}, Temperature: Measured{Value: 296}}},
		{"gauge", &Hold{T: make([]float64, 99), P: make([]float64, 99), Temperature: Measured{Value: 296}}},
		{"in K", &Hold{T: make([]float64, 99), P: make([]float64, 99)}},
	} {
		if _, err := c.h.Check(); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%v, want %q", err, c.says)
		}
	}
}

func TestWarmFinger(t *testing.T) {
	rng := rand.New(rand.NewSource(5))
	make1 := func(rise float64, gone bool) (ts, v []float64) {
		for i := range 200 {
			x := 23 + 0.05*rng.NormFloat64()
			if i > 80 {
				x += rise * (1 - math.Exp(-float64(i-80)/20))
			}
			if i == 30 {
				x += 40 // a spike is no finger
			}
			if gone && i > 50 {
				x = math.NaN()
			}
			ts, v = append(ts, float64(i)/10), append(v, x)
		}
		return ts, v
	}
	for _, c := range []struct {
		rise float64
		gone bool
		want FingerVerdict
	}{{8, false, FingerGood}, {-8, false, FingerReversed}, {0.2, false, FingerNothing}, {8, true, FingerOpen}} {
		ts, v := make1(c.rise, c.gone)
		f, err := WarmFinger("tc1", ts, v)
		if err != nil || f.Verdict != c.want {
			t.Errorf("rise %g: %+v, %v", c.rise, f, err)
		}
		if c.want == FingerGood && (math.Abs(f.RiseC-8) > 0.5 || math.Abs(f.BaseC-23) > 0.1) {
			t.Errorf("%+v", f)
		}
	}
	if _, err := WarmFinger("tc1", nil, nil); err == nil {
		t.Error("judged without readings")
	}
}
