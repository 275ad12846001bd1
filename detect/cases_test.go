package detect

import (
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"ventward/daq"
)

// bar is a bench at 10 kHz with 30 mbar of noise on a ramp of 1 bar/s, the
// demo's own figures.
func bar(length float64, o ...opening) scene {
	return scene{
		rate: 10000, length: length, start: ambientPa + 15e5, sigma: 300, lsb: 60, lag: 0.3e-3,
		ramp: func(float64) float64 { return 1e5 }, openings: o,
	}
}

func opens(ev []Event) (out []Event) {
	for _, e := range ev {
		if e.Opens() {
			out = append(out, e)
		}
	}
	return out
}

func of(ev []Event, k Kind) (out []Event) {
	for _, e := range ev {
		if e.Kind == k {
			out = append(out, e)
		}
	}
	return out
}

func seconds(ns int64) float64 { return float64(ns) * 1e-9 }

// A few traces of each kind of nuisance; the benchmarks run thousands.
func TestNuisanceGivesNoOpening(t *testing.T) {
	for i := range uint64(36) {
		r := rand.New(rand.NewPCG(31, i))
		s, kind := nuisance(r, 10000)
		if got := opens(run(benchOf(&s), s.samples(r))); len(got) > 0 {
			t.Errorf("seed 31,%d: %s gives %s", i, kind, kinds(got))
		}
	}
}

func TestFaultsAreNamed(t *testing.T) {
	cases := []struct {
		fault Fault
		q     daq.Quality
		from  int
		to    int
	}{
		{FaultOpen, daq.Open, 10000, 12000},
		{FaultRail, daq.Rail, 10000, 10100},
		{FaultDropout, daq.Missing, 10000, 10020},
	}
	for _, c := range cases {
		s := bar(2)
		smp := s.samples(rand.New(rand.NewPCG(41, 0)))
		for i := c.from; i < c.to; i++ {
			smp[i].Q |= c.q
			smp[i].V -= 20e5
		}
		ev := run(benchOf(&s), smp)
		if len(ev) != 1 || ev[0].Kind != SensorFault || ev[0].Fault != c.fault {
			t.Errorf("%s: events %s", c.fault, kinds(ev))
			continue
		}
		if got := seconds(ev[0].Onset); math.Abs(got-1) > 1e-4 {
			t.Errorf("%s: onset at %g s, want 1", c.fault, got)
		}
		if got, want := seconds(ev[0].End), float64(c.to)/1e4; math.Abs(got-want) > 2e-4 {
			t.Errorf("%s: end at %g s, want %g", c.fault, got, want)
		}
	}
}

func TestFrozenAndItsRelease(t *testing.T) {
	s := bar(4)
	held := 0.0
	s.post = func(i int, _, v float64, _ *rand.Rand) (float64, bool) {
		if i == 10000 {
			held = v
		}
		if i >= 10000 && i < 25000 {
			return held, true
		}
		return v, true
	}
	smp := s.samples(rand.New(rand.NewPCG(43, 0)))
	ev := run(benchOf(&s), smp)
	if len(ev) != 1 || ev[0].Fault != FaultFrozen {
		t.Fatalf("events %s, want one frozen channel", kinds(ev))
	}
	if smp[20000].Q&daq.Frozen == 0 || smp[26000].Q&daq.Frozen != 0 {
		t.Errorf("samples not marked: %v while frozen, %v after", smp[20000].Q, smp[26000].Q)
	}
}

// A channel is frozen from the first sample of the run on: an opening just before
// is none of the sensor's doing.
func TestFrozenSoonAfterAnOpening(t *testing.T) {
	for _, after := range []int{60, 100, 200} {
		s := scene{rate: 10000, start: 20e5, sigma: 1000, lag: 0.3e-3, length: 3, openings: []opening{{t: 1.5, width: 1e-3, k: 3}}}
		s.ramp = func(float64) float64 { return 1e5 }
		from, held := 15000+after, 0.0
		s.post = func(i int, _, v float64, _ *rand.Rand) (float64, bool) {
			if i == from {
				held = v
			}
			if i >= from && i < from+5000 {
				return held, true
			}
			return v, true
		}
		const seed = 44
		ev := run(benchOf(&s), s.samples(rand.New(rand.NewPCG(seed, uint64(after)))))
		if len(ev) < 2 || !ev[0].Opens() || ev[1].Fault != FaultFrozen || ev[1].Onset != int64(from)*1e5 {
			t.Errorf("seed %d, frozen %d samples after the opening: %s, want an opening and a channel frozen from %.4f s on", seed, after, kinds(ev), float64(from)/s.rate)
		}
	}
}

func TestSpikesAreMarkedInPlace(t *testing.T) {
	s := bar(2)
	smp := s.samples(rand.New(rand.NewPCG(44, 0)))
	for i := 10010; i < 10013; i++ {
		smp[i].V += 5e4
	}
	run(benchOf(&s), smp)
	for i := 10010; i < 10013; i++ {
		if smp[i].Q&daq.Spike == 0 {
			t.Errorf("sample %d is not marked a spike", i)
		}
	}
	if smp[10009].Q != 0 || smp[10013].Q != 0 {
		t.Errorf("neighbours marked: %v, %v", smp[10009].Q, smp[10013].Q)
	}
}

// A quiet channel whose noise is below a step of its codes may begin on one code
// for a while: the codes next to it are no spikes then, and a true spike is one.
func TestCodesAsideAreNoSpikes(t *testing.T) {
	const seed, step, at = 46, 366.0, 60000
	for _, sigma := range []float64{0.15, 0.2, 0.3, 0.4} {
		for _, ramp := range []float64{0, 0.1e5, 3e5} {
			s := bar(10)
			s.sigma, s.lsb, s.ramp = sigma*step, step, func(float64) float64 { return ramp }
			smp := s.samples(rand.New(rand.NewPCG(seed, uint64(ramp))))
			for i := at; i < at+2; i++ {
				smp[i].V += 8 * step
			}
			run(benchOf(&s), smp)
			marked := 0
			for i := range smp {
				if smp[i].Q&daq.Spike != 0 {
					marked++
				}
			}
			if marked != 2 || smp[at].Q&daq.Spike == 0 || smp[at+1].Q&daq.Spike == 0 {
				t.Errorf("seed %d: noise of %g steps on %g Pa/s: %d samples marked, want the two of the spike", seed, sigma, ramp, marked)
			}
		}
	}
}

// An excursion of five samples triggers, and is a spike in the next revision.
func TestExcursionOfFiveIsTakenBack(t *testing.T) {
	s := bar(3, opening{t: 2.01, width: 0.3e-3, k: 10})
	smp := s.samples(rand.New(rand.NewPCG(45, 0)))
	for i := 20000; i < 20005; i++ {
		smp[i].V -= 5e4
	}
	ev := run(benchOf(&s), smp)
	if len(ev) != 2 || ev[0].Fault != FaultSpike || ev[0].Rev < 2 || !ev[1].Opens() {
		t.Fatalf("events %s, want a spike and the opening 10 ms after it", kinds(ev))
	}
	if d := seconds(ev[1].Decided) - 2.01; d > 2e-3 {
		t.Errorf("the opening after the excursion was decided %g s late", d)
	}
}

// feed plays channels in batches; each channel's samples come skew later than
// the one before it.
func feed(t *testing.T, o Options, smp [][]daq.Sample, batchNs, skewNs int64) []Event {
	t.Helper()
	m, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	last := map[int]int{}
	var out []Event
	take := func() {
		for _, e := range m.Take().Events {
			if i, ok := last[e.ID]; ok {
				out[i] = e
				continue
			}
			last[e.ID] = len(out)
			out = append(out, e)
		}
	}
	at := make([]int, len(smp))
	for now := batchNs; ; now += batchNs {
		left := false
		for c := range smp {
			until := now - int64(c)*skewNs
			from := at[c]
			for at[c] < len(smp[c]) && smp[c][at[c]].T < until {
				at[c]++
			}
			left = left || at[c] < len(smp[c])
			m.Step(daq.ChannelID(c), smp[c][from:at[c]])
		}
		m.Tick(now)
		take()
		if !left {
			break
		}
	}
	m.Close()
	take()
	return out
}

func digital(rate, length float64, on func(t float64) bool) []daq.Sample {
	out := make([]daq.Sample, int(rate*length))
	for i := range out {
		t := float64(i) / rate
		out[i].T = int64(t * 1e9)
		if on(t) {
			out[i].V = 1
		}
	}
	return out
}

// Two sensors of one volume, at different rates and 50 ms apart, see one event.
func TestRedundantSensorsGiveOneEvent(t *testing.T) {
	s := bar(4, opening{t: 2, width: 1e-3, k: 8, shut: 2.05}, opening{t: 3, width: 1e-3, k: 20})
	slow := s
	slow.rate = 1000
	o := benchOf(&s)
	o.Channels = append(o.Channels, o.Channels[0])
	o.Channels[1].Name = "p2"
	o.RateHz = []float64{10000, 1000}
	smp := [][]daq.Sample{s.samples(rand.New(rand.NewPCG(51, 0))), slow.samples(rand.New(rand.NewPCG(51, 1)))}
	got := opens(feed(t, o, smp, 10e6, 50e6))
	if len(got) != 2 {
		t.Fatalf("events %s, want two openings", kinds(got))
	}
	for _, e := range got {
		if !slices.Equal(e.Channels, []daq.ChannelID{0, 1}) || e.Channel != 0 {
			t.Errorf("opening at %g: channels %v, figures from %d", seconds(e.Onset), e.Channels, e.Channel)
		}
	}
}

// The dump valve's fall is told by its input, also where the input comes 50 ms
// after the pressure; an opening 20 ms after the edge is still found.
func TestDumpIsToldByItsValve(t *testing.T) {
	for _, late := range []int64{0, 50e6} {
		for _, rate := range []float64{1000, 10} {
			s := bar(4, opening{t: 2.001, width: 2e-3, k: 3}, opening{t: 2.0211, width: 0.5e-3, k: 40})
			o := benchOf(&s)
			o.Channels = append(o.Channels, daq.Channel{Name: "dump_valve", Role: daq.RoleDumpValve, Quantity: daq.Digital})
			o.RateHz = []float64{10000, rate}
			smp := [][]daq.Sample{s.samples(rand.New(rand.NewPCG(52, 0))), digital(rate, 4, func(t float64) bool { return t >= 2 })}
			ev := feed(t, o, smp, 10e6, late)
			if len(of(ev, Dump)) != 1 || len(opens(ev)) != 1 {
				t.Errorf("input at %g Hz, %d ms late: events %s, want a dump and an opening", rate, late/1e6, kinds(ev))
				continue
			}
			if d := seconds(opens(ev)[0].Decided) - 2.0211; d < 0 || d > 3e-3 {
				t.Errorf("opening decided %g s after its start", d)
			}
		}
	}
}

func TestValveCommandStandsInForAnInput(t *testing.T) {
	s := bar(3, opening{t: 2.001, width: 2e-3, k: 3})
	m, err := New(benchOf(&s))
	if err != nil {
		t.Fatal(err)
	}
	m.Valve(daq.RoleDumpValve, false, 0)
	smp := s.samples(rand.New(rand.NewPCG(53, 0)))
	m.Step(0, smp[:20000])
	m.Valve(daq.RoleDumpValve, true, 2e9)
	m.Step(0, smp[20000:])
	m.Close()
	ev := m.Take().Events
	if len(ev) == 0 || ev[0].Kind != Dump {
		t.Errorf("events %s, want a dump from its first revision", kinds(ev))
	}
}

func TestContinuityLoss(t *testing.T) {
	s := bar(3)
	o := benchOf(&s)
	o.Channels = append(o.Channels,
		daq.Channel{Name: "cid", Role: daq.RoleCID, Quantity: daq.Digital},
		daq.Channel{Name: "u_cell", Role: daq.RoleCell, Quantity: daq.Voltage})
	o.RateHz = []float64{10000, 100, 100}
	cell := make([]daq.Sample, 300)
	r := rand.New(rand.NewPCG(54, 0))
	for i := range cell {
		v := 4.1 + 1e-3*r.NormFloat64()
		if i >= 150 {
			v -= 4
		}
		cell[i] = daq.Sample{T: int64(i) * 10e6, V: v, Raw: v}
	}
	smp := [][]daq.Sample{s.samples(r), digital(100, 3, func(t float64) bool { return t < 1 }), cell}
	ev := feed(t, o, smp, 50e6, 0)
	got := of(ev, ContinuityLoss)
	if len(got) != 2 || got[0].Onset != 1e9 || got[1].Onset != 1500e6 || len(ev) != 2 {
		t.Errorf("events %+v", ev)
	}
}

// A finding revises the event, settles the label and gives absent figures
// their reason.
func TestFindingRevises(t *testing.T) {
	s := bar(4, opening{t: 2, width: 1e-3, k: 10, shut: 2.01}, opening{t: 3.2, width: 1e-3, k: 10})
	s.gauge = false
	o := benchOf(&s)
	low, high := 14e5, 16e5
	low2, high2 := 17.5e5, 19e5
	o.Features = []Feature{{Name: "top vent", LowPa: &low, HighPa: &high}, {Name: "bottom vent", LowPa: &low2, HighPa: &high2}}
	m, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	m.Step(0, s.samples(rand.New(rand.NewPCG(55, 0))))
	m.Close()
	r := m.Take()
	if len(r.Windows) < 3 {
		t.Fatalf("%d windows", len(r.Windows))
	}
	first := r.Windows[0].Event
	pa, onset := ambientPa+18e5, int64(2.0005e9)
	m.Finding(Finding{Event: first, Serial: 1, Final: true, Kind: VentOpening, PressurePa: &pa, Onset: &onset, Absent: map[string]string{"area_m2": "no volume given"}})
	m.Finding(Finding{Event: 999})
	ev := m.Take().Events
	if len(ev) != 1 {
		t.Fatalf("%d revisions, want 1", len(ev))
	}
	e := ev[0]
	if e.Feature != "bottom vent" || e.Onset != onset || *e.PressurePa != pa || e.Has(FlagOutsideRange) || e.Absent["area_m2"] == "" {
		t.Errorf("revised event %+v", e)
	}
	pa = 0 // the event keeps figures of its own
	if *e.PressurePa == 0 {
		t.Error("the event shares memory with the finding")
	}
}

func TestLabels(t *testing.T) {
	lo1, hi1, lo2 := 17e5, 22e5, 25e5
	features := []Feature{{Name: "top vent", LowPa: &lo1, HighPa: &hi1}, {Name: "bottom vent", LowPa: &lo2}}
	cases := []struct {
		first, second float64 // bar gauge
		want          [2]string
		flags         string
	}{
		{18, 26, [2]string{"top vent", "bottom vent"}, ""},
		{26, 18, [2]string{"bottom vent", "top vent"}, "out-of-order"},
		{16, 26, [2]string{"top vent", "bottom vent"}, "outside-range"},
		{24, 23, [2]string{"bottom vent", "top vent"}, "outside-range out-of-order"},
	}
	for _, c := range cases {
		m, err := New(Options{Features: features, Channels: []daq.Channel{{Role: daq.RoleSpecimen, Quantity: daq.Pressure, Reference: daq.Gauge}}})
		if err != nil {
			t.Fatal(err)
		}
		var flags []Flag
		for i, p := range []float64{c.first, c.second} {
			r := m.book.open(VentOpening, &m.channels[0], int64(i), int64(i))
			r.ev.PressurePa = ptr(p * 1e5)
			m.label(r)
			flags = append(flags, r.ev.Flags...)
			if r.ev.Feature != c.want[i] {
				t.Errorf("%g then %g bar: event %d is %q, want %q", c.first, c.second, i+1, r.ev.Feature, c.want[i])
			}
		}
		for _, f := range strings.Fields(c.flags) {
			if !slices.Contains(flags, Flag(f)) {
				t.Errorf("%g then %g bar: flags %v, want %s", c.first, c.second, flags, c.flags)
			}
		}
		if c.flags == "" && len(flags) > 0 {
			t.Errorf("%g then %g bar: flags %v, want none", c.first, c.second, flags)
		}
	}
}

// A window holds what the fit needs, from the samples themselves.
func TestWindowsHoldTheTrace(t *testing.T) {
	s := bar(4, opening{t: 2, width: 1e-3, k: 10, shut: 2.01}, opening{t: 2.3, width: 1e-3, k: 10})
	smp := s.samples(rand.New(rand.NewPCG(56, 0)))
	ev, wins := runAll(benchOf(&s), slices.Clone(smp))
	got := opens(ev)
	if len(got) != 2 {
		t.Fatalf("events %s", kinds(ev))
	}
	finals := 0
	for i, w := range wins {
		if w.Serial != i+1 || len(w.T) != len(w.V) || len(w.T) != len(w.Q) || len(w.T) < 8000 {
			t.Fatalf("window %d: serial %d, lengths %d %d %d", i, w.Serial, len(w.T), len(w.V), len(w.Q))
		}
		e := got[slices.IndexFunc(got, func(e Event) bool { return e.ID == w.Event })]
		if w.T[w.Decided] != e.Decided {
			t.Errorf("window %d: decided at %d, the event says %d", i, w.T[w.Decided], e.Decided)
		}
		if k := int(w.T[0] / 1e5); smp[k].T != w.T[0] || smp[k].V != w.V[0] {
			t.Errorf("window %d does not begin with its sample", i)
		}
		if w.NoisePa < 0.95*300 || w.NoisePa > 1.1*300 {
			t.Errorf("window %d: noise %.0f Pa, truth 300", i, w.NoisePa)
		}
		if w.Final {
			finals++
			if e.ID == got[0].ID && (w.Until >= len(w.T) || seconds(w.T[w.Until])-2.3 > 3e-3) {
				t.Errorf("window %d of the first opening is not cut before the second", i)
			}
			if e.ID == got[1].ID && seconds(w.T[w.From]) < 1.99 {
				t.Errorf("window %d of the second opening takes its ramp from before the first", i)
			}
		}
	}
	if finals != 2 {
		t.Errorf("%d final windows for 2 openings", finals)
	}
}

// Without any fit an event closes with what the monitor itself knows, and says
// why the rest is missing.
func TestEventsCloseWithoutAFit(t *testing.T) {
	s := bar(3, opening{t: 2, width: 1e-3, k: 10})
	e := opens(run(benchOf(&s), s.samples(rand.New(rand.NewPCG(57, 0)))))[0]
	if e.Named == 0 || e.PressurePa == nil || e.DropPa == nil || e.PeakPa == nil || e.RampPaS == nil || e.Absent["area_m2"] == "" {
		t.Errorf("closed event %+v", e)
	}
	if want := ambientPa + 17e5; math.Abs(*e.PressurePa-want) > 500 {
		t.Errorf("pressure %.0f Pa, truth %.0f", *e.PressurePa, want)
	}
	if math.Abs(*e.RampPaS-1e5) > 2e3 {
		t.Errorf("ramp %.0f Pa/s, truth 100000", *e.RampPaS)
	}
}
