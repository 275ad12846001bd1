package detect

import (
	"math"
	"math/rand/v2"
	"testing"

	"ventward/daq"
)

// vessel is a runaway rig's record: a heated cell that vents at 30 s with a
// dip of 1.5 °C and runs away at 45 s.
func vessel(r *rand.Rand, vent, run bool) (Options, [][]daq.Sample) {
	const length = 60.0
	skin := func(t float64) float64 {
		v := 90 + 0.15*t
		if vent && t > 30 {
			v -= 1.5 * math.Exp(-(t-30)/2) * (1 - math.Exp(-(t-30)/0.3))
		}
		if run && t > 45 {
			v += 2 * (math.Exp(math.Min((t-45)/2.5, 5)) - 1)
		}
		return v
	}
	press := func(t float64) float64 {
		v := ambientPa + 60*t
		if vent && t > 30 {
			v += 0.08e5 * (1 - math.Exp(-(t-30)/0.02))
		}
		return v
	}
	o := Options{
		Rig: RunawayRig, Medium: Gas, Fixture: Fixture{AmbientPa: ambientPa},
		Channels: []daq.Channel{
			{Name: "p", Role: daq.RoleSpecimen, Quantity: daq.Pressure, Reference: daq.Absolute},
			{Name: "t_skin", Role: daq.RoleSkin, Quantity: daq.Temperature},
		},
		RateHz: []float64{1000, 10},
	}
	make1 := func(rate float64, f func(float64) float64, sigma float64) []daq.Sample {
		out := make([]daq.Sample, int(length*rate))
		for i := range out {
			t := float64(i) / rate
			v := f(t) + sigma*r.NormFloat64()
			out[i] = daq.Sample{T: int64(math.Round(t * 1e9)), V: v, Raw: v}
		}
		return out
	}
	return o, [][]daq.Sample{make1(1000, press, 150), make1(10, skin, 0.05)}
}

func TestRunawayRig(t *testing.T) {
	for _, c := range []struct{ vent, run bool }{{false, false}, {true, false}, {true, true}} {
		r := rand.New(rand.NewPCG(71, 0))
		o, smp := vessel(r, c.vent, c.run)
		ev := feed(t, o, smp, 50e6, 20e6)
		want := 0
		if c.vent {
			want++
			got := of(ev, FirstVenting)
			if len(got) != 1 {
				t.Fatalf("%+v: events %s, want a first venting", c, kinds(ev))
			}
			e := got[0]
			if math.Abs(seconds(e.Onset)-30) > 0.02 || e.StepPa == nil || math.Abs(*e.StepPa-0.08e5) > 400 {
				t.Errorf("first venting at %g s, step %v Pa; truth 30 s, 8000 Pa", seconds(e.Onset), *e.StepPa)
			}
			if e.DipC == nil || *e.DipC < 0.7 || *e.DipC > 1.7 {
				t.Errorf("dip %v °C, truth about 1.1", e.DipC)
			}
		}
		if c.run {
			want++
			got := of(ev, Runaway)
			if len(got) != 1 || got[0].Criterion == "" || seconds(got[0].Onset) < 45 || seconds(got[0].Onset) > 47 {
				t.Fatalf("%+v: events %s, want a runaway", c, kinds(ev))
			}
		}
		if len(ev) != want {
			t.Errorf("%+v: events %s, want %d", c, kinds(ev), want)
		}
	}
}

// A reading that jumps, and one that comes back after a hole, is no runaway.
func TestJumpsAreNoRunaway(t *testing.T) {
	r := rand.New(rand.NewPCG(72, 0))
	o, smp := vessel(r, false, false)
	for i := range smp[1] {
		switch {
		case i >= 100 && i < 200:
			smp[1][i].Q, smp[1][i].V = daq.Open, 1300
		case i >= 200:
			smp[1][i].V += 40 // another junction after the break
		}
		if i == 50 || i == 300 {
			smp[1][i].V += 200 // a single wild value
		}
	}
	ev := feed(t, o, smp, 50e6, 20e6)
	if len(of(ev, Runaway)) != 0 || len(of(ev, SensorFault)) != 1 {
		t.Errorf("events %s, want the open sensor alone", kinds(ev))
	}
}

func TestMedian3(t *testing.T) {
	for _, c := range [][4]float64{{1, 2, 3, 2}, {3, 1, 2, 2}, {2, 3, 1, 2}, {1, 1, 5, 1}} {
		if got := median3(c[0], c[1], c[2]); got != c[3] {
			t.Errorf("median3(%v) = %g", c[:3], got)
		}
	}
}
