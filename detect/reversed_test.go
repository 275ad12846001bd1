package detect

import (
	"math"
	"math/rand/v2"
	"testing"

	"ventward/daq"
)

// heatedVessel is a vessel with a skin and a gas thermocouple, each logged at rate:
// p in Pa absolute, temperatures in °C over s.
func heatedVessel(r *rand.Rand, rate, length float64, p, skin, gas func(t float64) float64) (Options, [][]daq.Sample) {
	o := Options{Rig: RunawayRig, Medium: Gas, Fixture: Fixture{AmbientPa: ambientPa}}
	var all [][]daq.Sample
	for _, c := range []struct {
		ch    daq.Channel
		f     func(float64) float64
		sigma float64
	}{
		{daq.Channel{Name: "p", Role: daq.RoleSpecimen, Quantity: daq.Pressure, Reference: daq.Absolute}, p, 150},
		{daq.Channel{Name: "t_skin", Role: daq.RoleSkin, Quantity: daq.Temperature}, skin, 0.1},
		{daq.Channel{Name: "t_gas", Role: daq.RoleGas, Quantity: daq.Temperature}, gas, 0.1},
	} {
		if c.f == nil {
			continue
		}
		smp := make([]daq.Sample, int(length*rate))
		for i := range smp {
			t := float64(i) / rate
			v := c.f(t) + c.sigma*r.NormFloat64()
			smp[i] = daq.Sample{T: int64(math.Round(t * 1e9)), V: v, Raw: v}
		}
		o.Channels, o.RateHz, all = append(o.Channels, c.ch), append(o.RateHz, rate), append(all, smp)
	}
	return o, all
}

// Reversed wires are named from the record of a heated vessel: the reading is
// mirrored at the cold junction, E(cold) - (E(hot) - E(cold)) in place of E(hot)
// (NIST Monograph 175, the law of the thermocouple circuit). Nothing else that
// makes a couple fall is.
func TestReversedWiresAreNamed(t *testing.T) {
	room := 23.0
	steady := func(float64) float64 { return 1.02e5 }
	heated := func(rate float64) func(float64) float64 {
		return func(t float64) float64 { return room + rate*max(0, t-10) }
	}
	mirror := func(f func(float64) float64) func(float64) float64 {
		return func(t float64) float64 { return 2*room - f(t) }
	}
	// The vessel is opened at 100 s from 8 bar: its gas expands and cools, by no more
	// than (p/p0)^(1-1/1.4) (isentropic), here by 60 K for some seconds.
	opened := func(t float64) float64 { return 1.02e5 + 7e5*math.Exp(-max(0, t-100)/3) }
	expanding := func(t float64) float64 {
		x := max(0, t-100)
		return room + 25*math.Exp(-x/2) - 60*(1-math.Exp(-x/2))*math.Exp(-x/15)
	}
	dumped := func(t float64) float64 { return 1.02e5 + 7e5*math.Exp(-max(0, t-100)/0.3) }
	colder := func(t float64) float64 {
		x := max(0, t-100)
		return room + 10 - 60*(1-math.Exp(-x/4))*math.Exp(-x/20)
	}
	// A vessel that holds what a cell gave off at 60 s is purged from 100 s on: what is
	// left in it gets cold long before its pressure is what it was.
	full := func(t float64) float64 {
		p := 1.02e5 + 8e5*(1-math.Exp(-max(0, t-60)))
		return 1.02e5 + (p-1.02e5)*math.Exp(-max(0, t-100)/8)
	}
	purged := func(t float64) float64 {
		x := max(0, t-100)
		return room + 300*(1-math.Exp(-max(0, t-60)))*math.Exp(-max(0, t-60)/12) - 80*(1-math.Exp(-x))*math.Exp(-x/15)
	}
	runaway := func(t float64) float64 { return room + 0.4*t + 400/(1+math.Exp(-(t-90)/1.5)) }
	for _, c := range []struct {
		name         string
		p, skin, gas func(float64) float64
		want         []string
	}{
		{"skin reversed, alone", steady, mirror(heated(0.5)), nil, []string{"t_skin"}},
		{"skin reversed, slow heater, gas warms", steady, mirror(heated(0.12)), heated(0.1), []string{"t_skin"}},
		{"skin reversed, runs away", steady, mirror(runaway), heated(0.2), []string{"t_skin"}},
		{"skin reversed, begins hot", steady, mirror(func(t float64) float64 { return 55 + 0.3*t }), heated(0.02), []string{"t_skin"}},
		{"skin reversed, begins hot, alone", steady, mirror(func(t float64) float64 { return 55 + 0.3*t }), nil, []string{"t_skin"}},
		{"a cold chamber gets colder", steady, func(t float64) float64 { return -20 - 5*t/60 }, func(t float64) float64 { return -18 - 5*t/60 }, nil},
		{"gas reversed", steady, heated(0.5), mirror(heated(0.3)), []string{"t_gas"}},
		{"gas reversed, jumps at the runaway", steady, runaway, mirror(func(t float64) float64 {
			if t < 90 {
				return room + 0.05*t
			}
			return room + 20 + 250*math.Exp(-(t-90)/15)
		}), []string{"t_gas"}},
		{"an open input at its end", steady, runaway, func(t float64) float64 {
			if t < 60 {
				return room + 0.05*t
			}
			return -200
		}, nil},
		{"both right", steady, heated(0.5), heated(0.3), nil},
		{"runs away", steady, runaway, heated(0.2), nil},
		{"a climate chamber cools", steady, func(t float64) float64 { return room - 3*t/60 }, func(t float64) float64 { return room - 3*t/60 }, nil},
		{"gas expands as the vessel is opened", opened, heated(0.5), expanding, nil},
		{"gas is cold after the vessel was dumped", dumped, heated(0.5), colder, nil},
		{"gas is cold while the vessel is purged", full, heated(0.5), purged, nil},
		{"cooling down after heating", steady, func(t float64) float64 { return room + 150*math.Exp(-t/60) }, func(t float64) float64 { return room + 40*math.Exp(-t/50) }, nil},
		{"an input that jumps", steady, func(t float64) float64 { return heated(0.3)(t) - 80*math.Floor(math.Mod(t, 60)/50) }, heated(0.2), nil},
	} {
		for _, rate := range []float64{1, 10, 100} {
			r := rand.New(rand.NewPCG(81, uint64(rate)))
			o, smp := heatedVessel(r, rate, 220, c.p, c.skin, c.gas)
			var got []string
			for _, e := range of(feed(t, o, smp, 50e6, 20e6), SensorFault) {
				if e.Fault == FaultReversed {
					got = append(got, o.Channels[e.Channel].Name)
					if e.End < int64(218e9) || e.Onset < int64(2e9) {
						t.Errorf("%s at %g Hz: from %g to %g s", c.name, rate, seconds(e.Onset), seconds(e.End))
					}
				}
			}
			if len(got) != len(c.want) || len(got) == 1 && got[0] != c.want[0] {
				t.Errorf("%s at %g Hz (seed 81): %v, want %v", c.name, rate, got, c.want)
			}
		}
	}
}

// A reading that the record itself flags is named as what it is.
func TestFlaggedReversedIsNamed(t *testing.T) {
	r := rand.New(rand.NewPCG(82, 0))
	flat := func(float64) float64 { return 23 }
	o, smp := heatedVessel(r, 10, 20, func(float64) float64 { return 1e5 }, flat, flat)
	for i := 100; i < 150; i++ {
		smp[1][i].Q = daq.Reversed
	}
	ev := of(feed(t, o, smp, 50e6, 20e6), SensorFault)
	if len(ev) != 1 || ev[0].Fault != FaultReversed || seconds(ev[0].Onset) != 10 {
		t.Errorf("%+v", ev)
	}
}
