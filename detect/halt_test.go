package detect

import (
	"math"
	"math/rand/v2"
	"testing"

	"ventward/daq"
)

// A ramp that may have stopped is an opening where something else opens within a
// second though the pressure rose no further, and stays a stop where that comes
// later, where it is nothing, or where a valve tells. That gas cools by up to
// gamma-1 of the ramp follows from the first law; how long a hold lasts is a
// judgement.
func TestWhatComesAfterAStopTellsWhatItWas(t *testing.T) {
	const seed = 66
	for _, c := range []struct {
		name   string
		next   float64 // s after the stop that the next opening comes; 0: none
		opened int
	}{
		{"nothing", 0, 0},
		{"an opening soon", 0.6, 2},
		{"an opening in the hold", 3, 1},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := cooled(7, 1e5, 2, 0.7)
			if c.next > 0 {
				s.openings = []opening{{t: 2 + c.next, width: 1e-3, k: 30}}
			}
			ev := run(benchOf(&s), s.samples(rand.New(rand.NewPCG(seed, 0))))
			if got := opens(ev); len(got) != c.opened {
				t.Fatalf("seed %d: events %s, want %d openings", seed, kinds(ev), c.opened)
			}
			if len(ev) == 0 || !ev[0].Has(FlagKindUncertain) && c.next > 0 && c.next < 1 {
				t.Errorf("seed %d: events %v, want the first with %s", seed, ev, FlagKindUncertain)
			}
		})
	}
}

// A fit of a fall that is no opening may put its onset anywhere: the end of a ramp
// is told by when the trigger saw it, and by the valve. A fit moves an opening's
// onset, too, and another sensor of the volume joins it by either.
func TestNamesDoNotHangOnAFit(t *testing.T) {
	const seed = 57
	for _, early := range []int64{0, 60e6, 120e6} {
		s := scene{rate: 10000, length: 4, start: 12e5, sigma: 150, lag: 1e-3, ramp: func(s float64) float64 {
			if s < 2 {
				return 1.5e5
			}
			return -0.3e5 * math.Exp(-(s-2)/0.8)
		}}
		o := benchOf(&s)
		o.Channels = append(o.Channels, daq.Channel{Name: "supply_valve", Role: daq.RoleSupplyValve, Quantity: daq.Digital})
		o.RateHz = []float64{10000, 1000}
		m, err := New(o)
		if err != nil {
			t.Fatal(err)
		}
		smp, valve := s.samples(rand.New(rand.NewPCG(seed, 0))), digital(1000, 4, func(s float64) bool { return s < 2.002 })
		last := map[int]Event{}
		take := func() {
			out := m.Take()
			for _, w := range out.Windows {
				onset := last[w.Event].Onset - early
				m.Finding(Finding{Event: w.Event, Serial: w.Serial, Final: w.Final, Kind: VentOpening, Onset: &onset})
			}
			for _, e := range append(out.Events, m.Take().Events...) {
				last[e.ID] = e
			}
		}
		for i := 0; i < len(valve); i += 10 {
			m.Step(1, valve[i:i+10])
			m.Step(0, smp[10*i:10*i+100])
			m.Tick(int64(i+10) * 1e6)
			take()
		}
		m.Close()
		take()
		if len(last) == 0 {
			t.Fatalf("seed %d: the end of the ramp was not seen", seed)
		}
		for _, e := range last {
			if e.Opens() {
				t.Errorf("seed %d, fit %g s early: the end of a ramp is told as %s", seed, seconds(early), e.Kind)
			}
		}
	}
	r := record{ev: Event{Onset: 90e6}, guess: 100e6}
	for at, want := range map[int64]int64{80e6: 10e6, 90e6: 0, 96e6: 4e6, 101e6: 1e6, 130e6: 30e6} {
		if got := r.from(at); got != want {
			t.Errorf("%d ns is %d from an event at %d, %d by its trigger; want %d", at, got, r.ev.Onset, r.guess, want)
		}
	}
}
