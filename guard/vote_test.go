package guard

import (
	"strings"
	"testing"

	"ventward/daq"
)

// The degradation table, written out anew: votes needed of the sound channels
// by faulty ones; 0: the rule holds by itself. Towards tripping throughout
// (common practice, no source).
var degradation = []struct {
	vote   Vote
	needed []int
	names  []string
}{
	{OneOfOne, []int{1, 0}, []string{"", "holds"}},
	{OneOfTwo, []int{1, 1, 0}, []string{"", "1oo1", "holds"}},
	{TwoOfTwo, []int{2, 1, 0}, []string{"", "1oo1", "holds"}},
	{TwoOfThree, []int{2, 1, 1, 0}, []string{"", "1oo2", "1oo1", "holds"}},
}

func TestVotes(t *testing.T) {
	for _, d := range degradation {
		n := d.vote.Channels()
		if n != len(d.needed)-1 {
			t.Fatalf("%s is over %d channels", d.vote, n)
		}
		for faulty := 0; faulty <= n; faulty++ {
			if got := d.vote.Degraded(faulty); got != d.names[faulty] {
				t.Errorf("%s with %d faulty is called %q, want %q", d.vote, faulty, got, d.names[faulty])
			}
			for seen := 0; seen+faulty <= n; seen++ {
				if got, want := d.vote.Holds(seen, faulty), seen >= d.needed[faulty]; got != want {
					t.Errorf("%s with %d faulty, seen by %d: %v, want %v", d.vote, faulty, seen, got, want)
				}
			}
		}
	}
	for faulty := range 4 {
		if Any.Holds(0, faulty) || !Any.Holds(1, faulty) || Any.Degraded(faulty) != "" {
			t.Errorf("any with %d faulty", faulty)
		}
	}
}

// votingBench has a limit on n redundant pressures with a vote.
func votingBench(v Vote, n int) Options {
	o := Options{Outputs: []daq.Output{{Name: "supply", Role: daq.RoleSupplyValve}},
		Rules: []Rule{{Name: "high", Kind: LimitHigh, Vote: v, Limit: 50e5, Priority: Critical, Trip: []int{0}}}}
	for i := range n {
		o.Channels = append(o.Channels, daq.Channel{Name: "p" + string(rune('1'+i)), Role: daq.RoleSpecimen, Quantity: daq.Pressure, Reference: daq.Gauge})
		o.Rules[0].Channels = append(o.Rules[0].Channels, daq.ChannelID(i))
	}
	return o
}

// The table again, through real samples: faulty channels by their quality or
// by their silence.
func TestVotingWithFaultyChannels(t *testing.T) {
	for _, d := range degradation {
		n := d.vote.Channels()
		for faulty := 0; faulty <= n; faulty++ {
			for seen := 0; seen+faulty <= n; seen++ {
				for _, silent := range []bool{false, true} {
					h := take(t, votingBench(d.vote, n))
					h.vote(n, 0, 0, false, 200)
					h.vote(n, 0, faulty, silent, 2500)
					h.vote(n, seen, faulty, silent, 20)
					want := seen >= d.needed[faulty]
					if got := h.g.s.Trips[0].Tripped; got != want {
						t.Errorf("%s: %d faulty (silent %v), seen by %d: tripped %v, want %v", d.vote, faulty, silent, seen, got, want)
					}
					if got := h.g.Rules()[0].Degraded; got != d.names[faulty] {
						t.Errorf("%s: %d faulty (silent %v): shown as %q, want %q", d.vote, faulty, silent, got, d.names[faulty])
					}
				}
			}
		}
	}
}

// vote lets ms milliseconds pass in which the first seen channels are over the
// limit and the last faulty ones are no measurement or say nothing.
func (h *hand) vote(n, seen, faulty int, silent bool, millis int) {
	for range millis {
		h.now += ms
		for ch := range n {
			x := daq.Sample{T: h.now, V: 1e5}
			switch {
			case ch < seen:
				x.V = 51e5
			case ch >= n-faulty && silent:
				continue
			case ch >= n-faulty:
				x.Q = daq.Open
			}
			h.g.Sample(daq.ChannelID(ch), []daq.Sample{x}, h.now)
		}
		h.g.Tick(h.now)
	}
}

// A channel that is sound again has its vote back, and a short outage costs
// none.
func TestVoteComesBack(t *testing.T) {
	h := take(t, votingBench(TwoOfThree, 3))
	h.vote(3, 0, 0, false, 100)
	h.vote(3, 0, 1, false, 40)
	if d := h.g.Rules()[0].Degraded; d != "" {
		t.Fatalf("40 ms of an open loop cost the vote: %s", d)
	}
	h.vote(3, 0, 1, false, 20)
	if d := h.g.Rules()[0].Degraded; d != "1oo2" {
		t.Fatalf("60 ms of an open loop: %q", d)
	}
	h.vote(3, 0, 0, false, 60)
	if d := h.g.Rules()[0].Degraded; d != "" {
		t.Fatalf("sound again: %q", d)
	}
	h.vote(3, 1, 0, false, 100)
	if h.g.s.Trips[0].Tripped {
		t.Fatal("one of three tripped a vote 2oo3")
	}
}

func TestNoSoundChannelIsSaid(t *testing.T) {
	h := take(t, votingBench(OneOfOne, 1))
	h.vote(1, 0, 1, false, 100)
	if a := h.g.s.Alarms[0]; a.State != Unacknowledged || !strings.Contains(a.Message, "too few channels are a measurement to vote 1oo1") {
		t.Fatalf("alarm %+v", a)
	}
}
