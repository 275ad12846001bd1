package detect

import (
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"ventward/daq"
)

// The rule of the regulation over every combination of its criteria: a runaway
// is a and c, or b and c (GB 38031-2025 C.5.3.7, fetched text).
func TestRunawayCriteria(t *testing.T) {
	for i := range 8 {
		a, b, c := i&1 != 0, i&2 != 0, i&4 != 0
		var k criteria
		for n := range voltageSamples {
			v := 3.2 // down by 24 %
			if a {
				v = 3.1 // 26 %
			}
			k.voltage(v, 4.2, int64(n)*1e9)
		}
		k.temperature(59.9, 0, 1)
		if b {
			k.temperature(60.1, 0, 6e9)
		}
		if c {
			k.rising(5e9, 8e9, 1, 3, true)
		}
		words, got := k.verdict()
		if want := a && c || b && c; got != want {
			t.Errorf("a %v, b %v, c %v: runaway %v", a, b, c, got)
		}
		if got && (strings.Contains(words, "a:") != a || strings.Contains(words, "b:") != b || !strings.Contains(words, "c:")) {
			t.Errorf("a %v, b %v: %q", a, b, words)
		}
	}
}

func TestCriterionALastsAndBIsTheMakers(t *testing.T) {
	var k criteria
	for n := range int64(10) { // single outliers are no drop
		k.voltage(0.1, 4.2, 2*n*1e9)
		k.voltage(4.2, 4.2, (2*n+1)*1e9)
	}
	for n := range int64(500) { // nor is a glitch of half a second
		k.voltage(0.1, 4.2, 30e9+n*1e6)
	}
	k.voltage(4.2, 4.2, 31e9)
	if k.a {
		t.Error("low readings that come back count as a voltage drop")
	}
	k.temperature(75, 80, 1)
	if k.b {
		t.Error("75 °C counts though the maker allows 80 °C")
	}
	k.temperature(80, 80, 2)
	if !k.b {
		t.Error("80 °C does not count")
	}
}

// The maker's temperature that nobody gave is no reason to take a fast heater
// for a runaway: then only a rise that no heater gives counts.
func TestUsualTemperatureNeedsAStrongRise(t *testing.T) {
	for _, c := range []struct {
		most   float64
		strong bool
		want   bool
	}{{0, false, false}, {0, true, true}, {80, false, true}} {
		var k criteria
		k.temperature(90, c.most, 4e9)
		k.rising(5e9, 8e9, 1, 3, c.strong)
		if _, got := k.verdict(); got != c.want {
			t.Errorf("maximum %g °C, strong %v: runaway %v", c.most, c.strong, got)
		}
	}
}

// A heater that is fast enough for c all along makes no onset of what is only a
// runaway from b on; a rise that reaches b on its way began where c did.
func TestOnsetIsNotTheHeaters(t *testing.T) {
	for _, c := range []struct{ rose, reached, want int64 }{{37e9, 90e9, 90e9}, {150e9, 90e9, 150e9}, {150e9, 152e9, 150e9}} {
		var k criteria
		if c.reached < c.rose {
			k.temperature(90, 80, c.reached)
		}
		k.rising(c.rose, c.rose+3e9, 1, 3, false)
		k.rising(c.rose, max(c.rose+3e9, c.reached), 1, 3, false)
		k.temperature(90, 80, c.reached)
		_, ok := k.verdict()
		if at, heated := k.onset(); !ok || at != c.want || heated != (at == c.reached) {
			t.Errorf("c from %d, b at %d: onset %d (the heater's: %v), want %d (runaway %v)", c.rose, c.reached, at, heated, c.want, ok)
		}
	}
}

// heaters and wires do what no cell does: none of it is a runaway.
func TestHeatersAndWiresAreNoRunaway(t *testing.T) {
	for name, course := range map[string]func(s float64) float64{
		"fast heater": func(s float64) float64 { return 80 + 2.5*math.Min(s, 40) },
		"heater from rest": func(s float64) float64 {
			return 25 + 3*math.Max(0, s-10) - 3*(1-math.Exp(-math.Max(0, s-10)))
		},
		"open junction": func(s float64) float64 {
			if s > 20 {
				return 1372
			}
			return 80 + 0.5*s
		},
		"junction that moves": func(s float64) float64 {
			if s > 20 {
				return 150
			}
			return 80 + 0.5*s
		},
	} {
		for _, rate := range []float64{2, 10, 50, 1000} {
			if got := heatedSkin(t, rate, 45, course); len(got) > 0 {
				t.Errorf("%s at %g Hz: %+v", name, rate, got)
			}
		}
	}
}

// A junction that is open for a second, which shows only after a while by its
// one code, is no runaway as it closes again, whenever it opened.
func TestJunctionThatClosesIsNoRunaway(t *testing.T) {
	for opened := 20.05; opened < 20.15; opened += 0.005 {
		got := heatedSkin(t, 500, 25, func(s float64) float64 {
			if s > opened && s < 21.05 {
				return math.Inf(1)
			}
			return 80 + 0.5*s
		})
		if len(got) > 0 {
			t.Errorf("open from %.3f s: %+v", opened, got)
		}
	}
}

// What has been met stays met, and the first onset of c counts.
func TestCriteriaStay(t *testing.T) {
	var k criteria
	k.rising(7e9, 10e9, 1, 3, false)
	k.rising(9e9, 12e9, 1, 3, false)
	k.expire(40e9)
	if _, ok := k.verdict(); ok || k.from != 7e9 {
		t.Errorf("c alone is a runaway, or its onset moved: %+v", k)
	}
	for n := range int64(voltageSamples) {
		k.voltage(0, 4, 40e9+n*1e9)
	}
	k.voltage(4, 4, 43e9)
	if _, ok := k.verdict(); !ok {
		t.Error("a came back and was forgotten")
	}
	if k.expire(43e9); k.from != 0 {
		t.Error("a rise that ended half a minute ago still waits")
	}
}

// heatedSkin runs a monitor over a skin temperature made of its course, at a
// rate, and returns its runaways. An infinite one is what an open wire reads.
func heatedSkin(t *testing.T, rateHz, until float64, course func(s float64) float64) []Event {
	t.Helper()
	const seed = 4
	rng := rand.New(rand.NewPCG(seed, uint64(rateHz)))
	o := Options{Rig: RunawayRig, Channels: []daq.Channel{
		{Name: "p1", Role: daq.RoleSpecimen, Quantity: daq.Pressure, Reference: daq.Absolute},
		{Name: "skin", Role: daq.RoleSkin, Quantity: daq.Temperature},
		{Name: "terminals", Role: daq.RoleJunction, Quantity: daq.Temperature}}, RateHz: []float64{rateHz, rateHz, rateHz}}
	m, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	var out []Event
	dt := 1 / rateHz
	for i := 0; float64(i)*dt < until; i++ {
		at := float64(i) * dt
		x := daq.Sample{T: int64(math.Round(at * 1e9)), V: course(at) + 0.05*rng.NormFloat64()}
		if math.IsInf(x.V, 1) {
			x.V = 1372
		}
		x.Raw = x.V
		m.Step(1, []daq.Sample{x})
		x.V = 23 + at // a terminal block that warms up quickly is no cell
		m.Step(2, []daq.Sample{x})
		for _, e := range m.Take().Events {
			if e.Kind == Runaway {
				out = append(out, e)
			}
		}
	}
	return out
}

// A runaway is found at its onset at any rate of its thermocouple.
func TestRunawayAtEveryRate(t *testing.T) {
	course := func(s float64) float64 {
		v := 120 + 0.5*s
		if s > 30 {
			v += 200 * (1 - math.Exp(-(s-30)/4))
		}
		return v
	}
	for _, rate := range []float64{2, 10, 20, 50, 1000} {
		got := heatedSkin(t, rate, 40, course)
		if len(got) != 1 || math.Abs(float64(got[0].Onset)*1e-9-30) > 1+1/rate {
			t.Errorf("%g Hz: %d runaways: %+v", rate, len(got), got)
		}
	}
}

// The skin that comes back from the dip of a venting rises fast and is no
// runaway: it does not get beyond where it was.
func TestRecoveryFromADipIsNoRunaway(t *testing.T) {
	for _, rate := range []float64{10, 50, 1000} {
		for _, depth := range []float64{3, 6, 12} {
			got := heatedSkin(t, rate, 45, func(s float64) float64 {
				x := math.Max(0, s-20) / 2
				return 120 + 0.6*s - depth*x*math.Exp(1-x)
			})
			if len(got) > 0 {
				t.Errorf("%g Hz, dip of %g °C: %+v", rate, depth, got)
			}
		}
	}
}

// risingGas is the pressure of a vessel, bar absolute every 40 ms, while a cell
// fails in it: gas that comes fast and then more slowly.
var risingGas = []float64{1.233, 1.243, 1.257, 1.276, 1.308, 1.354, 1.427, 1.555, 1.774, 2.098, 2.483, 2.875, 3.248, 3.598, 3.939, 4.268, 4.597, 4.924, 5.252, 5.58, 5.902, 6.214, 6.51, 6.785, 7.031, 7.248, 7.43, 7.584, 7.699, 7.786, 7.844, 7.879, 7.894, 7.895, 7.894, 7.888, 7.885, 7.879, 7.871, 7.861}

// Gas that comes more slowly opens nothing, however far the pressure stays
// behind the rise before.
func TestGasThatSlowsDownOpensNothing(t *testing.T) {
	const seed = 7
	t.Logf("seed %d", seed)
	for trial := range 60 {
		rng := rand.New(rand.NewPCG(seed, uint64(trial)))
		chans := []daq.Channel{
			{Name: "p1", Role: daq.RoleSpecimen, Quantity: daq.Pressure, Reference: daq.Absolute, Step: 100},
			{Name: "p2", Role: daq.RoleSpecimen, Quantity: daq.Pressure, Reference: daq.Absolute, Step: 234}}
		m, err := New(Options{Rig: RunawayRig, Channels: chans, RateHz: []float64{1000, 1000}})
		if err != nil {
			t.Fatal(err)
		}
		for i := range 13000 {
			p := gasAt(float64(i)*1e-3 - 12)
			for c, lsb := range []float64{100, 234} {
				v := math.Round((p+600*rng.NormFloat64())/lsb) * lsb
				m.Step(daq.ChannelID(c), []daq.Sample{{T: int64(i) * 1e6, V: v}})
			}
			for _, e := range m.Take().Events {
				if e.Opens() {
					t.Errorf("trial %d: %s at %.3f s", trial, e.Kind, float64(e.Onset)*1e-9)
				}
			}
		}
	}
}

// gasAt is the pressure in Pa at s after the beginning of risingGas.
func gasAt(s float64) float64 {
	x := math.Max(0, math.Min(s/0.04, float64(len(risingGas)-2)))
	k := int(x)
	return 1e5 * (risingGas[k] + (x-float64(k))*(risingGas[k+1]-risingGas[k]))
}

// A fall that stays above where it began is a rise that slowed down, in a
// vessel and nowhere else.
func TestSlowedIsNoFall(t *testing.T) {
	for _, x := range []struct {
		rig    Rig
		lowest float64
		want   bool
	}{{RunawayRig, 6.06e5, true}, {RunawayRig, 5.955e5, true}, {RunawayRig, 5.9e5, false}, {BurstRig, 6.06e5, false}} {
		n := naming{course: &course{onset: 5.958e5, lowest: x.lowest, depth: 3.08e5, left: 2.99e5}, m: &Monitor{opt: Options{Rig: x.rig}}, noise: 836}
		if n.slowed() != x.want {
			t.Errorf("%s, lowest %g Pa: slowed is not %v", x.rig, x.lowest, x.want)
		}
	}
}

// A first venting within the first minute of a vessel that is read ten times a
// second is told as it comes, and spikes of one or two samples on a channel so
// young are none.
func TestFirstVentingOfAYoungTrace(t *testing.T) {
	const seed = 11
	t.Logf("seed %d", seed)
	for _, rate := range []float64{10, 50, 1000} {
		for trial := range 20 {
			rng := rand.New(rand.NewPCG(seed, uint64(trial)))
			begin := 150 + rng.IntN(400) // samples
			spike := trial%2 == 1
			m, err := New(Options{Rig: RunawayRig, RateHz: []float64{rate}, Channels: []daq.Channel{
				{Name: "p1", Role: daq.RoleSpecimen, Quantity: daq.Pressure, Reference: daq.Absolute}}})
			if err != nil {
				t.Fatal(err)
			}
			var told []int64
			for i := range begin + 300 {
				p := 1e5 + 20*float64(i)/rate + 80*rng.NormFloat64()
				if d := i - begin; spike && d >= 0 && d < 1+trial%3 {
					p -= 2e5
				} else if !spike && d >= 0 {
					p += 1e5 * -math.Expm1(-float64(d+1)/2)
				}
				p = math.Round(p/90) * 90
				m.Step(0, []daq.Sample{{T: int64(float64(i) / rate * 1e9), V: p, Raw: p}})
				for _, e := range m.Take().Events {
					if e.Kind == FirstVenting && e.Rev == 1 {
						told = append(told, int64(math.Round(float64(e.Decided)*1e-9*rate))-int64(begin))
					}
				}
			}
			if spike && len(told) > 0 || !spike && (len(told) != 1 || told[0] > 12) {
				t.Errorf("%g Hz, trial %d, spike %v: first ventings decided %d samples after sample %d", rate, trial, spike, told, begin)
			}
		}
	}
}

// A couple that picks up bursts of noise rises for a moment now and then, and is
// no runaway.
func TestNoisyCoupleIsNoRunaway(t *testing.T) {
	const seed = 5
	t.Logf("seed %d", seed)
	for _, rate := range []float64{2, 5, 20, 100} {
		for trial := range 20 {
			rng := rand.New(rand.NewPCG(seed, uint64(trial)))
			begin, size := 5+30*rng.Float64(), 3+27*rng.Float64()
			got := heatedSkin(t, rate, 45, func(s float64) float64 {
				v := 80 + 0.3*s
				if s > begin && s < begin+5 {
					v += size * rng.NormFloat64()
				}
				return v
			})
			if len(got) > 0 {
				t.Errorf("%g Hz, trial %d, %.0f °C of noise: %+v", rate, trial, size, got)
			}
		}
	}
}

// A first venting without the skin's dip may be gas that somebody let in, and
// says so; one with a dip does not, also behind a heater that slows down.
func TestFirstVentingWithoutADip(t *testing.T) {
	const seed = 6
	t.Logf("seed %d", seed)
	for _, dip := range []float64{0, 4} {
		for trial := range 10 {
			rng := rand.New(rand.NewPCG(seed, uint64(trial)))
			m, err := New(Options{Rig: RunawayRig, RateHz: []float64{100, 100}, Channels: []daq.Channel{
				{Name: "p1", Role: daq.RoleSpecimen, Quantity: daq.Pressure, Reference: daq.Absolute},
				{Name: "skin", Role: daq.RoleSkin, Quantity: daq.Temperature}}})
			if err != nil {
				t.Fatal(err)
			}
			last := map[int]Event{}
			for i := range 6000 {
				now := float64(i) / 100
				x := math.Max(0, now-40)
				skin := 25 + 100*-math.Expm1(-now/80) - dip*-math.Expm1(-x/0.5)*math.Exp(-x/8) + 0.1*rng.NormFloat64()
				p := 1e5 + 3e4*math.Min(x/0.4, 1) + 100*rng.NormFloat64()
				at := int64(i) * 10e6
				m.Step(0, []daq.Sample{{T: at, V: p, Raw: p}})
				m.Step(1, []daq.Sample{{T: at, V: skin, Raw: skin}})
				for _, e := range m.Take().Events {
					last[e.ID] = e
				}
			}
			told := 0
			for _, e := range last {
				if e.Kind != FirstVenting {
					continue
				}
				told++
				if doubted := slices.Contains(e.Flags, FlagKindUncertain); doubted != (dip == 0) || doubted != (e.Absent["kind"] != "") {
					t.Errorf("dip %g °C, trial %d: flags %v, absent %v, dip seen %v", dip, trial, e.Flags, e.Absent, *e.DipC)
				}
			}
			if told != 1 {
				t.Errorf("dip %g °C, trial %d: %d first ventings", dip, trial, told)
			}
		}
	}
}

// A cell's voltage that falls by more than a quarter is criterion a at any rate
// of its readings and for a collapse of 20 ms to some seconds; a glitch upwards
// makes no fall of what comes back.
func TestCriterionAAtEveryRate(t *testing.T) {
	const seed = 8
	t.Logf("seed %d", seed)
	for _, rate := range []float64{2, 10, 100, 1000, 10000} {
		for _, tau := range []float64{0.02, 0.1, 0.5, 3} {
			for _, glitch := range []bool{false, true} {
				rng := rand.New(rand.NewPCG(seed, uint64(rate)))
				m, err := New(Options{Rig: RunawayRig, RateHz: []float64{rate}, Channels: []daq.Channel{{Name: "u", Role: daq.RoleCell, Quantity: daq.Voltage}}})
				if err != nil {
					t.Fatal(err)
				}
				met := math.Inf(1)
				for i := range int(25 * rate) {
					s := float64(i) / rate
					v := 4.1
					if !glitch && s > 15 {
						v = 0.2 + 3.9*math.Exp(-(s-15)/tau)
					}
					if glitch && s > 10 && s < 10+math.Max(0.1, 1/rate) {
						v = 20
					}
					v += 0.002 * rng.NormFloat64()
					m.Step(0, []daq.Sample{{T: int64(s * 1e9), V: v, Raw: v}})
					if m.thermal.met.a && math.IsInf(met, 1) {
						met = s
					}
				}
				if late := met - 15 - tau*math.Log(3.9/(0.75*4.1-0.2)); glitch != math.IsInf(met, 1) || !glitch && (late < 0 || late > 1.2+3/rate) {
					t.Errorf("%g Hz, %g s, glitch %v: criterion a met %.2f s after the voltage was down by a quarter", rate, tau, glitch, late)
				}
			}
		}
	}
}
