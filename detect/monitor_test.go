package detect

import (
	"math"
	"math/rand/v2"
	"reflect"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"ventward/daq"
)

func TestNewRefusesNonsense(t *testing.T) {
	one := []daq.Channel{{Name: "p1", Role: daq.RoleSpecimen, Quantity: daq.Pressure}}
	cases := []struct {
		o    Options
		want string
	}{
		{Options{Rig: "boat"}, `rig "boat"`},
		{Options{Medium: "foam"}, `medium "foam"`},
		{Options{FalseAlarmS: -1}, "-1 s"},
		{Options{FalseAlarmS: math.NaN()}, "NaN s"},
		{Options{Channels: one, RateHz: []float64{1, 2}}, "2 sample rates for 1 channels"},
		{Options{Channels: one, RateHz: []float64{-5}}, `channel "p1" has a sample rate of -5 Hz`},
		{Options{Channels: one, RateHz: []float64{math.Inf(1)}}, "+Inf Hz"},
	}
	for _, c := range cases {
		_, err := New(c.o)
		if err == nil || !strings.Contains(err.Error(), c.want) || !strings.Contains(err.Error(), "; ") && !strings.Contains(err.Error(), "use ") {
			t.Errorf("New(%+v): error %v, want %q and the next move", c.o, err, c.want)
		}
	}
	if m, err := New(Options{}); err != nil || m.opt.FalseAlarmS != defaultFalseAlarmS {
		t.Errorf("New of nothing: %v", err)
	}
}

// Whatever comes in, the monitor neither panics nor makes an opening of it
// that has no channel, no time or a figure that is no number.
func TestStepBearsAnything(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		o := Options{
			Channels: []daq.Channel{
				{Role: daq.RoleSpecimen, Quantity: daq.Pressure, Reference: daq.Gauge},
				{Role: daq.RoleSkin, Quantity: daq.Temperature},
				{Role: daq.RoleDumpValve, Quantity: daq.Digital},
			},
			RateHz: []float64{rapid.SampledFrom([]float64{0, 10, 1000, 10000}).Draw(rt, "rate"), 10, 0},
			Rig:    rapid.SampledFrom([]Rig{BurstRig, RunawayRig}).Draw(rt, "rig"),
		}
		m, err := New(o)
		if err != nil {
			rt.Fatal(err)
		}
		seed := rapid.Uint64().Draw(rt, "seed")
		r := rand.New(rand.NewPCG(seed, 0))
		now := int64(0)
		for range 40 {
			buf := make([]daq.Sample, r.IntN(120))
			for i := range buf {
				now += int64(r.IntN(300000)) - 20000*int64(r.IntN(2))
				v := math.Exp(r.NormFloat64()*3) * float64(1-2*r.IntN(2))
				switch r.IntN(40) {
				case 0:
					v = math.NaN()
				case 1:
					v = math.Inf(1)
				case 2:
					now += int64(r.IntN(1e10))
				}
				buf[i] = daq.Sample{T: now, V: v, Raw: math.Round(v), Q: daq.Quality(r.IntN(1<<12)) * daq.Quality(r.IntN(2))}
			}
			m.Step(daq.ChannelID(r.IntN(4)), buf)
			m.Tick(now)
			m.Finding(Finding{Event: r.IntN(5)})
		}
		m.Close()
		for _, e := range m.Take().Events {
			for _, p := range []*float64{e.PressurePa, e.DropPa, e.PeakPa, e.RampPaS, e.PressureUPa} {
				if p != nil && (math.IsNaN(*p) || math.IsInf(*p, 0)) {
					rt.Fatalf("seed %d: event %+v has a figure that is no number", seed, e)
				}
			}
		}
	})
}

// What the monitor says depends on the samples, not on how they were batched.
func TestBatchesDoNotMatter(t *testing.T) {
	for seed := range uint64(16) {
		r := rand.New(rand.NewPCG(seed, 1))
		s := randomOpening(r, 1000)
		smp := s.samples(r)
		size := 1 + r.IntN(700)
		play := func(size int) *Ready {
			m, err := New(benchOf(&s))
			if err != nil {
				t.Fatal(err)
			}
			c := append([]daq.Sample(nil), smp...)
			for len(c) > 0 {
				n := min(size, len(c))
				m.Step(0, c[:n])
				c = c[n:]
			}
			m.Close()
			return m.Take()
		}
		a, b := play(size), play(97)
		if !reflect.DeepEqual(a.Windows, b.Windows) {
			t.Fatalf("seed %d: windows differ between batches of %d and 97", seed, size)
		}
		if !reflect.DeepEqual(a.Events, b.Events) {
			t.Fatalf("seed %d: events differ between batches of %d and 97:\n%+v\n%+v", seed, size, a.Events, b.Events)
		}
	}
}

func TestStepDoesNotAllocate(t *testing.T) {
	s := bar(4)
	smp := s.samples(rand.New(rand.NewPCG(61, 0)))
	m, err := New(benchOf(&s))
	if err != nil {
		t.Fatal(err)
	}
	m.Step(0, smp[:20000])
	at := 20000
	n := testing.AllocsPerRun(100, func() {
		m.Step(0, smp[at:at+100])
		m.Tick(smp[at+99].T)
		at += 100
	})
	if n != 0 {
		t.Errorf("%g allocations in a hundred samples", n)
	}
}

func TestSilenceIsAGap(t *testing.T) {
	s := bar(3)
	smp := s.samples(rand.New(rand.NewPCG(62, 0)))
	m, err := New(benchOf(&s))
	if err != nil {
		t.Fatal(err)
	}
	m.Step(0, smp[:10000])
	for now := int64(1e9); now < 4e9; now += 1e8 {
		m.Tick(now)
	}
	ev := m.Take().Events
	if len(ev) != 1 || ev[0].Kind != SensorFault || ev[0].Fault != FaultGap || ev[0].Onset != smp[9999].T {
		t.Fatalf("events %+v, want one gap since the last sample", ev)
	}
}

// After 100 ms without data on a ramp the level has moved on: that is no
// event but the gap; an opening hidden in it carries the flag.
func TestGapOnARamp(t *testing.T) {
	for _, hidden := range []bool{false, true} {
		s := bar(3)
		if hidden {
			s.openings = []opening{{t: 1.55, width: 1e-3, k: 1}}
		}
		s.post = func(i int, _, v float64, _ *rand.Rand) (float64, bool) { return v, i < 15000 || i >= 16000 }
		ev := run(benchOf(&s), s.samples(rand.New(rand.NewPCG(63, 0))))
		if len(of(ev, SensorFault)) != 1 || len(opens(ev)) != len(s.openings) {
			t.Errorf("hidden opening %v: events %s", hidden, kinds(ev))
			continue
		}
		if hidden && !opens(ev)[0].Has(FlagGap) {
			t.Errorf("opening in a gap without its flag: %v", opens(ev)[0].Flags)
		}
	}
}

func TestSaturationIsABound(t *testing.T) {
	s := bar(3, opening{t: 2, width: 1e-3, k: 20})
	smp := s.samples(rand.New(rand.NewPCG(64, 0)))
	const top = ambientPa + 16.8e5
	for i := range smp {
		if smp[i].V > top {
			smp[i].V, smp[i].Raw, smp[i].Q = top, math.Round(top/60), smp[i].Q|daq.Saturated
		}
	}
	got := opens(run(benchOf(&s), smp))
	if len(got) != 1 || !got[0].Has(FlagSaturated) || !got[0].Has(FlagLowerBound) {
		t.Fatalf("openings %s, want one, saturated and a lower bound", kinds(got))
	}
}

func TestRateIsMeasuredWhereNotGiven(t *testing.T) {
	s := bar(3, opening{t: 2, width: 1e-3, k: 10})
	o := benchOf(&s)
	o.RateHz = nil
	got := opens(run(o, s.samples(rand.New(rand.NewPCG(65, 0)))))
	if len(got) != 1 || seconds(got[0].Decided)-2 > 2e-3 {
		t.Errorf("openings %s", kinds(got))
	}
}
