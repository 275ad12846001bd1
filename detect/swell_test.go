package detect

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"ventward/daq"
)

// A vesselCourse is what a runaway rig's vessel and skin read, made here from
// scratch.
type vesselCourse struct {
	rate  float64
	sigma float64 // Pa
	p     func(s float64) float64
	skin  func(s float64) float64
	gas   func(s float64) float64 // nil: no thermocouple in the gas
}

// ventings plays it for so many seconds and gives the first ventings told.
func (v vesselCourse) ventings(t *testing.T, seed uint64, until float64) []Event {
	t.Helper()
	rng := rand.New(rand.NewPCG(seed, 7))
	o := Options{Rig: RunawayRig, RateHz: []float64{v.rate, v.rate}, Channels: []daq.Channel{
		{Name: "p1", Role: daq.RoleSpecimen, Quantity: daq.Pressure, Reference: daq.Absolute},
		{Name: "skin", Role: daq.RoleSkin, Quantity: daq.Temperature}}}
	if v.gas != nil {
		o.RateHz = append(o.RateHz, v.rate)
		o.Channels = append(o.Channels, daq.Channel{Name: "gas", Role: daq.RoleGas, Quantity: daq.Temperature})
	}
	m, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	last := map[int]Event{}
	give := func(ch daq.ChannelID, at int64, x float64) {
		m.Step(ch, []daq.Sample{{T: at, V: x, Raw: x}})
	}
	for i := range int(until * v.rate) {
		s := float64(i) / v.rate
		at := int64(s * 1e9)
		give(0, at, v.p(s)+v.sigma*rng.NormFloat64())
		give(1, at, v.skin(s)+0.05*rng.NormFloat64())
		if v.gas != nil {
			give(2, at, v.gas(s)+0.05*rng.NormFloat64())
		}
		for _, e := range m.Take().Events {
			last[e.ID] = e
		}
	}
	var told []Event
	for id := range 100 {
		if e, ok := last[id]; ok && e.Kind == FirstVenting {
			told = append(told, e)
		}
	}
	return told
}

// smooth goes from 0 to 1 over width s.
func smooth(s, width float64) float64 {
	u := math.Max(0, math.Min(1, s/width))
	return u * u * u * (10 - 15*u + 6*u*u)
}

// Gas that comes over seconds is a first venting, found while it comes, with an
// onset within it; the same rise by gas that warms as its thermocouple does is
// none, nor is a pressure that pulses, or spikes.
func TestFirstVentingOverSeconds(t *testing.T) {
	const seed, begin = 21, 60.0
	t.Logf("seed %d", seed)
	hot := func(s float64) float64 { return 80 + 0.4*s }
	for _, rate := range []float64{20, 100, 1000} {
		for trial, width := range []float64{1.5, 4, 10} {
			for _, coupled := range []bool{false, true} {
				v := vesselCourse{rate: rate, sigma: 200, skin: hot,
					p: func(s float64) float64 { return 1.1e5 + 12*s + 6000*smooth(s-begin, width) }}
				if coupled {
					v.gas = func(s float64) float64 { return 40 + 0.03*s + 3*smooth(s-begin-1, width) }
				}
				got := v.ventings(t, seed+uint64(trial), 90)
				if len(got) != 1 {
					t.Errorf("%g Hz, %g s, gas measured %v: %d first ventings", rate, width, coupled, len(got))
					continue
				}
				e := got[0]
				if at, late := float64(e.Onset)*1e-9-begin, float64(e.Decided)*1e-9-begin; at < -0.2*width-0.5 || at > width || late > width+1 {
					t.Errorf("%g Hz, %g s, gas measured %v: onset %.2f s and decided %.2f s after it began", rate, width, coupled, at, late)
				}
			}
		}
		warms := func(s float64) float64 { return 35 + 8*smooth(s-begin, 12) }
		for name, v := range map[string]vesselCourse{
			"warms":  {skin: hot, gas: warms, p: func(s float64) float64 { return 1.1e5 * (warms(s) + 273) / 308 }},
			"pulses": {skin: hot, p: func(s float64) float64 { return 1.1e5 + 300*math.Sin(s/3) }},
			"spikes": {skin: hot, p: func(s float64) float64 {
				if s > begin && math.Mod(s, 0.7) < 0.9/rate {
					return 3e5
				}
				return 1.1e5
			}},
		} {
			v.rate, v.sigma = rate, 30
			if got := v.ventings(t, seed, 120); len(got) != 0 {
				t.Errorf("%g Hz, %s: first venting at %.1f s, step %.0f Pa", rate, name, float64(got[0].Onset)*1e-9, *got[0].StepPa)
			}
		}
	}
}

// Gas that was let in does not hide the first venting after it; where the heater
// is switched off just before gas is let in, the skin's bend is no dip.
func TestFirstVentingAfterADoubtfulOne(t *testing.T) {
	const seed = 31
	t.Logf("seed %d", seed)
	step := func(s float64) float64 { return -math.Expm1(-math.Max(0, s) / 0.1) }
	for _, rate := range []float64{20, 100, 1000} {
		for trial := range uint64(4) {
			v := vesselCourse{rate: rate, sigma: 60,
				p: func(s float64) float64 { return 1.1e5 + 3000*step(s-40) + 20000*step(s-70) },
				skin: func(s float64) float64 {
					x := math.Max(0, s-70)
					return 80 + 0.4*s - 4*-math.Expm1(-x/0.5)*math.Exp(-x/8)
				}}
			got := v.ventings(t, seed+trial, 90)
			if len(got) != 2 || !got[0].Has(FlagKindUncertain) || got[1].Has(FlagKindUncertain) || math.Abs(float64(got[1].Onset)*1e-9-70) > 0.2 {
				t.Errorf("%g Hz, trial %d: %s", rate, trial, inShort(got))
			}
			off := v
			off.p = func(s float64) float64 { return 1.1e5 + 20000*step(s-60) }
			off.skin = func(s float64) float64 { return 80 + 0.4*math.Min(s, 57) }
			if got := off.ventings(t, seed+trial, 80); len(got) != 1 || !got[0].Has(FlagKindUncertain) {
				t.Errorf("%g Hz, trial %d, heater switched off: %s", rate, trial, inShort(got))
			}
		}
	}
}

// A venting between two slow readings, whose gas then cools, began at the one
// before the step.
func TestFirstVentingOfFewReadings(t *testing.T) {
	const seed = 41
	t.Logf("seed %d", seed)
	for _, rate := range []float64{1, 2, 5} {
		for trial := range uint64(8) {
			begin := 200 + (0.1+0.1*float64(trial))/rate
			v := vesselCourse{rate: rate, sigma: 40, skin: func(s float64) float64 { return 60 + 0.3*s - 4*smooth(s-begin, 1)*math.Exp(-(s-begin)/10) },
				p: func(s float64) float64 {
					if s < begin {
						return 1e5 + 2*s
					}
					return 1e5 + 2*s + 6000 + 3000*math.Exp(-(s-begin)/4)
				}}
			got := v.ventings(t, seed+trial, 240)
			if len(got) != 1 || math.Abs(float64(got[0].Onset)*1e-9-begin) > 1.1/rate {
				t.Errorf("%g Hz, trial %d: began at %.3f s: %s", rate, trial, begin, inShort(got))
			}
		}
	}
}

func inShort(events []Event) string {
	var b strings.Builder
	for _, e := range events {
		fmt.Fprintf(&b, "%s at %.3f s, decided %.3f s, flags %v; ", e.Kind, float64(e.Onset)*1e-9, float64(e.Decided)*1e-9, e.Flags)
	}
	return b.String()
}
